"""What a watchdog and Prometheus see of a gateway."""

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from plantigrade_gateway.store import forwardstate
from plantigrade_gateway.store import status as linkstatus
from plantigrade_gateway.store.forwardstate import ForwardState, SinkState
from plantigrade_gateway.store.status import FootStatus, ServiceStatus, StatusFile
from plantigrade_gateway.web.door.access import Rights
from plantigrade_gateway.web.health import CONTENT_TYPE, exposition, health, health_router

LINE = re.compile(
    r"# (HELP plantigrade_\w+ .+|TYPE plantigrade_\w+ (gauge|counter))"
    r'|plantigrade_\w+(\{\w+="[\w.]+"\})? -?[\d.e+-]+'
)


def foot(name: str, state: str = "streaming") -> FootStatus:
    return FootStatus(name, state, 80, -60, 2, 1000, 10, 3, 0.2, 4.1, 0.003, True)


@pytest.fixture
def store_path(tmp_path: Path) -> Path:
    path = tmp_path / "store.sqlite3"
    feet = {"left": foot("Ada's left"), "right": foot("Ada's right", "searching")}
    status = ServiceStatus(datetime.now(UTC), True, "ab12", feet, (2.5, 31.0))
    linkstatus.write(linkstatus.path_for(path), status)
    sinks = (
        SinkState("mqtt", True, "message broker h: away", 7, 2, 61.5, 90, 1, 0, 4, 0.0),
        SinkState("tsdb", True, None, 0, 0, None, 97, 0, 0, 0, 12.5),
    )
    forwardstate.write(forwardstate.path_for(path), ForwardState(datetime.now(UTC), sinks))
    return path


def test_the_metrics_say_what_the_gateway_and_its_forwarding_wrote(store_path):
    text = exposition(store_path)
    for line in text.splitlines():
        assert LINE.fullmatch(line), line
    rows = {
        line.rsplit(" ", 1)[0]: float(line.rsplit(" ", 1)[1])
        for line in text.splitlines()
        if not line.startswith("#")
    }
    assert rows["plantigrade_up"] == 1.0
    assert rows['plantigrade_lost_packets_total{foot="left"}'] == 10.0
    assert rows['plantigrade_streaming{foot="right"}'] == 0.0
    assert rows['plantigrade_delay_seconds{quantile="0.99"}'] == 0.031
    assert rows['plantigrade_forward_up{sink="mqtt"}'] == 0.0
    assert rows['plantigrade_forward_waiting{sink="mqtt"}'] == 7.0
    assert rows['plantigrade_forward_oldest_seconds{sink="mqtt"}'] == 61.5
    assert rows['plantigrade_forward_sent_total{sink="tsdb"}'] == 97.0
    assert "Ada" not in text
    helped = re.findall(r"# HELP (\S+)", text)
    assert len(helped) == len(set(helped)) == len(re.findall(r"# TYPE ", text))


def test_a_sink_that_is_away_is_told_and_does_not_make_the_gateway_ill(store_path):
    well, problems = health(store_path)
    assert well
    assert problems == [
        "right insole: searching",
        "message broker takes nothing",
        "1 rows set aside for the message broker",
    ]


def test_a_gateway_that_no_longer_writes_is_ill(store_path):
    old = datetime.now(UTC) - timedelta(seconds=60)
    status = ServiceStatus(old, True, None, {}, None)
    linkstatus.write(linkstatus.path_for(store_path), status)
    assert health(store_path)[0] is False
    assert "plantigrade_up 0.0" in exposition(store_path)


class As:
    """An access that gives everybody the same rights."""

    def __init__(self, rights: Rights | None) -> None:
        self._rights = rights

    async def rights(self, _: object) -> Rights | None:
        return self._rights


@pytest.mark.parametrize(
    ("rights", "code"), [(Rights.COACH, 200), (Rights.PLAYER, 403), (None, 403)]
)
def test_only_who_may_see_all_sees_the_figures(store_path, rights, code):
    app = FastAPI()
    app.include_router(health_router(store_path, As(rights)))  # type: ignore[arg-type]
    client = TestClient(app)
    assert client.get("/metrics").status_code == code
    if code == 200:
        assert client.get("/metrics").headers["content-type"] == CONTENT_TYPE
    answer = client.get("/healthz")
    assert answer.status_code == 200 and answer.json()["ok"] is True
    assert "Ada" not in answer.text


def test_a_replay_is_well_while_it_runs_and_leaves_the_insoles_status_alone(tmp_path):
    path = tmp_path / "store.sqlite3"
    feet = {"left": foot("recording", "replayed")}
    between = ServiceStatus(datetime.now(UTC), True, None, {}, None)
    posted = StatusFile(path, yields=True)
    posted.put(between)
    assert health(path) == (True, [])
    posted.put(ServiceStatus(datetime.now(UTC), True, "ab", feet, None))
    assert health(path) == (True, [])
    with_insoles = ServiceStatus(datetime.now(UTC), True, "cd", {"left": foot("L")}, None)
    StatusFile(path, yields=False).put(with_insoles)
    posted.put(between)
    assert linkstatus.read(linkstatus.path_for(path)) == with_insoles
    posted.end()
    assert health(path)[0] is True  # the other one runs still
    linkstatus.path_for(path).unlink()
    posted = StatusFile(path, yields=True)
    posted.put(between)
    posted.end()
    assert health(path) == (False, ["the gateway does not run"])


def test_pairs_are_told_apart_and_one_that_died_is_said(tmp_path):
    path = tmp_path / "store.sqlite3"
    for pair, state in (("A", "streaming"), ("B", "searching")):
        posted = StatusFile(path, yields=False, pair=pair)
        feet = {"left": foot("L", state)}
        posted.put(ServiceStatus(datetime.now(UTC), True, "s", feet, (1.0, 2.0), pair))
    assert health(path) == (True, ["pair B: left insole: searching"])
    text = exposition(path)
    assert "plantigrade_up 1.0\n" in text
    assert 'plantigrade_session_open{pair="A"} 1.0\n' in text
    assert 'plantigrade_streaming{foot="left",pair="A"} 1.0\n' in text
    assert 'plantigrade_streaming{foot="left",pair="B"} 0.0\n' in text
    assert 'plantigrade_delay_seconds{quantile="0.99",pair="B"} 0.002\n' in text
    old = datetime.now(UTC) - timedelta(seconds=60)
    linkstatus.write(linkstatus.path_for(path, "B"), ServiceStatus(old, True, "s", {}, None, "B"))
    assert health(path) == (True, ["pair B: does not run"])
    linkstatus.write(linkstatus.path_for(path, "B"), ServiceStatus(old, False, "s", {}, None, "B"))
    assert health(path) == (True, [])  # somebody ended it
