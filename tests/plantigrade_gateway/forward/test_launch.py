"""What a gateway gives its forwarding: the moment's loads, seconds of them, samples of links."""

import dataclasses
import hashlib
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from plantigrade.block import N_COLUMNS, Column, PairBlock
from plantigrade_gateway.analysis.result import Analysis, SetSpan
from plantigrade_gateway.child import Child
from plantigrade_gateway.config import load
from plantigrade_gateway.forward import launch
from plantigrade_gateway.forward.launch import (
    LinkSamples,
    LiveSummary,
    Seconds,
    link_body,
    opened_forwarder,
    summary,
)
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.sinks import LOADS, MQTT, TSDB
from plantigrade_gateway.sound.cues import Cue, CueKind
from plantigrade_gateway.store.enqueue import unpack_loads
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.status import FootStatus, ServiceStatus

G_M_S2 = 9.80665
SETTINGS = SessionSettings(mass_kg=80.0)
BW_N = 80.0 * G_M_S2
LEFT = FootStatus("L", "streaming", 80, -60, 2, 999, 1, 0, 0.1, 3.2, 0.002, True)


class Told:
    """Keeps what is told."""

    def __init__(self) -> None:
        self.messages: list[dict[str, Any]] = []

    def tell(self, message: dict[str, Any]) -> None:
        self.messages.append(message)

    @property
    def times_s(self) -> list[float]:
        return [message["t_s"] for message in self.messages]


def rows(t_s: list[float], left_n: float, right_n: float, first: int = 0) -> PairBlock:
    """Rows in which each foot bears on its heel alone, at x 0.4 and y 0.15."""
    feet = []
    for load_n in (left_n, right_n):
        values = np.zeros((len(t_s), N_COLUMNS))
        values[:, Column.HEEL] = load_n
        values[:, Column.MOMENT_X] = 0.4 * load_n
        values[:, Column.MOMENT_Y] = 0.15 * load_n
        feet.append(values)
    return PairBlock(first, np.array(t_s), *feet)


def test_a_summary_is_of_the_last_row():
    """600 N and 200 N of 784.5 N: 0.765 and 0.255 of body weight, lead share 600 of 800."""
    block = rows([1.0, 2.3456], 600.0, 200.0)
    block.left[0] = np.nan
    told = summary(block, SETTINGS, "ab12")
    assert told == {
        "type": "live",
        "session": "ab12",
        "t_s": 2.346,
        "lead": "left",
        "lead_share": 0.75,
        "feet": {
            "left": {"load_n": 600.0, "load_bw": 0.765, "cop": [0.4, 0.15], "away": False},
            "right": {"load_n": 200.0, "load_bw": 0.255, "cop": [0.4, 0.15], "away": False},
        },
    }
    other = summary(block, dataclasses.replace(SETTINGS, handed="left"), "ab12")
    assert (other["lead"], other["lead_share"]) == ("right", 0.25)


def test_what_is_missing_or_too_little_is_null():
    """Under 5 % of body weight, 39.2 N, a CoP is undefined; both feet's share under as much."""
    away = summary(rows([1.0], np.nan, 200.0), SETTINGS, "ab12")
    assert away["feet"]["left"] == {"load_n": None, "load_bw": None, "cop": None, "away": True}
    assert away["lead_share"] is None and away["feet"]["right"]["away"] is False
    light = summary(rows([1.0], 39.0, 0.1), SETTINGS, "ab12")
    assert light["feet"]["left"]["cop"] is None and light["lead_share"] is None
    assert light["feet"]["left"]["load_n"] == 39.0
    enough = summary(rows([1.0], 39.3, 0.1), SETTINGS, "ab12")
    assert enough["feet"]["left"]["cop"] == [0.4, 0.15] and enough["lead_share"] == 0.997
    block = rows([1.0], 0.05 * SETTINGS.body_weight_n, 0.0)
    assert summary(block, SETTINGS, "ab12")["feet"]["left"]["cop"] is not None


def test_summaries_keep_their_rate_and_begin_again_with_a_session():
    told = Told()
    live = LiveSummary(told, 2.0)
    live.show([], SETTINGS, "one")
    for t_s in (30.0, 30.25, 30.5, 30.75, 31.0):
        live.show([rows([t_s - 0.1], 1.0, 1.0), rows([t_s], 400.0, 400.0)], SETTINGS, "one")
    assert told.times_s == [30.0, 30.5, 31.0]
    live.show([rows([31.25], 400.0, 400.0)], SETTINGS, "one")
    live.show([rows([0.25], 400.0, 400.0)], SETTINGS, "two")  # its time line begins at 0
    live.show([rows([0.5], 400.0, 400.0)], SETTINGS, "two")
    assert told.times_s == [30.0, 30.5, 31.0, 0.25]
    none = LiveSummary(told, 0.0)
    none.show([rows([50.0], 400.0, 400.0)], SETTINGS, "one")
    assert len(told.messages) == 4


def test_a_summary_is_told_where_a_broker_is_set_alone():
    told = Told()
    broker = load(environment={"PLANTIGRADE_MQTT_HOST": "here", "PLANTIGRADE_MQTT_LIVE_HZ": "4"})
    assert LiveSummary.of(None, broker) is None
    assert LiveSummary.of(told, None) is None
    assert LiveSummary.of(told, load(environment={})) is None
    live = LiveSummary.of(told, broker)
    assert live is not None
    for t_s in (1.0, 1.125, 1.25):
        live.show([rows([t_s], 400.0, 400.0)], SETTINGS, "one")
    assert told.times_s == [1.0, 1.25]


def test_seconds_are_cut_at_multiples_of_the_absolute_row():
    """Rows 250 to 449 at 100 Hz: 50 to row 300, then 100, then the 50 that are left."""
    seconds = Seconds()
    for first in range(250, 450, 40):
        n = min(40, 450 - first)
        t_s = [0.01 * (first + k) for k in range(n)]
        seconds.push(rows(t_s, float(first), 100.0, first))
    found = seconds.take()
    assert [(one.first_index, one.rows) for one in found] == [(250, 50), (300, 100)]
    assert seconds.take() == []
    (last,) = seconds.end()
    assert (last.first_index, last.rows) == (400, 50)
    for one in (*found, last):
        assert one.t_s == pytest.approx(0.01 * one.first_index)
        assert one.period_s == pytest.approx(0.01)
    heels_n = np.concatenate([unpack_loads(one.data, one.rows)[:, 0] for one in (*found, last)])
    expected = [250.0 + 40 * (k // 40) for k in range(200)]
    assert heels_n.tolist() == expected
    assert seconds.end() == []


def test_rows_that_do_not_follow_begin_a_block_of_their_own():
    seconds = Seconds()
    seconds.push(rows([0.00, 0.01, 0.02], 100.0, 100.0))
    seconds.push(rows([0.03, 0.04], 100.0, 100.0, 3))  # these do
    seconds.push(rows([0.06, 0.07], 100.0, 100.0, 6))  # a row is missing
    seconds.push(rows([0.58, 0.59], 100.0, 100.0, 8))  # their time is another
    seconds.push(rows([9.00], 100.0, 100.0, 50))  # alone it has no rate
    found = [(one.first_index, one.rows) for one in (*seconds.take(), *seconds.end())]
    assert found == [(0, 5), (6, 2), (8, 2)]


def test_a_sample_of_a_link_has_its_clock_s_error_in_milliseconds():
    assert link_body(LEFT) == {
        "link": "streaming",
        "battery_percent": 80,
        "rssi_dbm": -60,
        "lost_share": 0.001,  # 1 of 1,000
        "packets": 999,
        "lost_packets": 1,
        "silent_s": 0.1,
        "drift_ppm": 3.2,
        "clock_error_ms": 2.0,
        "clock_locked": True,
        "links": 2,
    }
    assert link_body(dataclasses.replace(LEFT, clock_error_s=None))["clock_error_ms"] is None


async def test_links_are_sampled_every_so_often_where_anybody_is_sent_them(store):
    settings = {"PLANTIGRADE_MQTT_HOST": "here", "PLANTIGRADE_LINK_EVERY_S": "10"}
    box = Outbox(store.database)
    box.configure([MQTT])
    status = ServiceStatus(datetime.now(UTC), True, None, {"left": LEFT}, None, pair="B")
    nobody = LinkSamples(store, load(environment={}))
    await nobody.take(status, 0)
    await LinkSamples(store, None).take(status, 0)
    samples = LinkSamples(store, load(environment=settings))
    await samples.take(dataclasses.replace(status, feet={}), 0)
    assert box.waiting(MQTT, 0, 10) == []
    for k, now_s in enumerate((20.0, 29.9, 30.0, 39.9)):
        written = datetime(2026, 3, 2, 9, 0, k, tzinfo=UTC)
        await samples.take(dataclasses.replace(status, written=written), round(1e9 * now_s))
    found = box.waiting(MQTT, 0, 10)
    nine_ms = 1_772_442_000_000  # date -u -d 2026-03-02T09:00:00 +%s, and three zeros
    assert [item.time_ms - nine_ms for item in found] == [0, 2000]
    assert {item.kind for item in found} == {"link"}
    assert {item.body["pair"] for item in found} == {"B"}


async def test_samples_of_two_pairs_of_one_moment_are_two(store):
    """By their `id`: one that was seen before is dropped (`hardware_notes/mqtt_topics.md`)."""
    box = Outbox(store.database)
    box.configure([MQTT])
    settings = {"PLANTIGRADE_MQTT_HOST": "here", "PLANTIGRADE_SITE": "north"}
    written = datetime(2026, 3, 2, 9, tzinfo=UTC)
    for bay, pair in (("b1", "A"), ("b1", "B"), ("b1", ""), ("b2", ""), ("b1", "")):
        status = ServiceStatus(written, True, None, {"left": LEFT}, None, pair=pair)
        samples = LinkSamples(store, load(environment={**settings, "PLANTIGRADE_BAY": bay}))
        await samples.take(status, 0)
    ids = [item.point_id for item in box.waiting(MQTT, 0, 10)]
    assert len(set(ids[:4])) == 4 and ids[4] == ids[2]
    # sha256sum of the text, its first 32 digits
    text = b"link/north/b1/left/1772442000000"
    assert ids[2] == hashlib.sha256(text).hexdigest()[:32]


def test_what_waits_for_a_sink_that_is_no_longer_set_is_said(store):
    box = Outbox(store.database)
    box.configure([TSDB])
    said: list[str] = []
    with opened_forwarder(None, store, said.append, lambda _: None) as forwarder:
        assert forwarder is None and said == []
    box.configure([TSDB])
    box.put_links("north/b1", 1_772_442_000_000, {"left": {}, "right": {}})
    with opened_forwarder(load(environment={}), store, said.append, lambda _: None) as forwarder:
        assert forwarder is None
    assert said == [
        "2 rows wait for tsdb, which is no longer configured: plantigrade outbox --forget tsdb "
        "drops them."
    ]


def test_a_forwarder_runs_while_there_is_somebody_to_send_to(store, monkeypatch, tmp_path):
    """The process of `forward.process`, given the store, the settings' file and who is told."""
    log: list[Any] = []

    def begin(self: Any, *what: Any) -> None:
        log.append(what)

    monkeypatch.setattr(Child, "__init__", begin)
    monkeypatch.setattr(Child, "close", lambda self: log.append("closed"))
    file = tmp_path / "settings.toml"
    file.write_text('[mqtt]\nhost = "here"\n', "utf-8")
    settings = load(file, {})
    obey: Any = object()
    with (
        pytest.raises(KeyError),
        opened_forwarder(settings, store, print, obey) as forwarder,
    ):
        assert isinstance(forwarder, launch.Forwarder)
        module = "plantigrade_gateway.forward.process"
        assert log == [(module, store.path, file, "Forwarding", print, obey)]
        assert Outbox(store.database).active() == {MQTT}
        raise KeyError
    assert log[1:] == ["closed"]


def test_points_are_made_where_events_are_sent_and_seconds_where_loads_are():
    """A cue has its times; a session's end gives its sets and the last of a second."""
    cue = Cue(CueKind.EARLY, 3.0, 3.1, 0.2, np.zeros(4, np.float32))
    net = [rows([0.01 * k for k in range(150)], 100.0, 100.0)]
    ended = Analysis(
        *("x", 100.0, 60.0, (), (), (), (), None),
        spans=(SetSpan("full", 2.0, 9.0, "5f" * 16, "full", "7 iron", True),),
    )
    for sinks, cues, seconds in (
        ([TSDB, LOADS], 1, 1),
        ([MQTT], 1, 0),
        ([LOADS], 0, 1),
        ([], 0, 0),
    ):
        gather = launch.Gather(sinks)
        found = gather.push([cue], net)
        assert [type(one).__name__ for one in found] == ["Point"] * cues + ["Loads"] * seconds
        if cues:
            point: Any = found[0]
            assert (point.kind, point.name, point.t_s) == ("cue", "early", 3.0)
            assert point.body == {"t_s": 3.0, "decided_s": 3.1, "delay_s": 0.2}
        last = gather.ended(ended)
        assert [type(one).__name__ for one in last] == ["Point"] * cues + ["Loads"] * seconds
