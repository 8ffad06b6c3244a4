"""The ready-made board: each of its queries against the real database, against what the store says.

The program that would draw it is not run.
"""

import json
import re
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx2
import pytest
from tests.support.servers import Victoria
from tests.support.tsdb import AWAY, LINKS, sent_session
from tests.support.waiting import HANG_S

from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear

BOARD = json.loads(
    (Path(__file__).resolve().parents[3] / "hardware_notes" / "dashboard.json").read_text("utf-8")
)
PANELS: dict[str, dict[str, Any]] = {panel["title"]: panel for panel in BOARD["panels"]}
RANGE_S, STEP_S = 3600, 5


@dataclass
class Sent:
    """What was sent, and to where."""

    victoria: Victoria
    store: Path
    session: str
    between_s: tuple[float, float]
    """When it was sent."""
    now_s: float
    """When is asked: after the session's last moment, which lies ahead of its writing."""

    def _ask(self, path: str, **asked: Any) -> list[dict[str, Any]]:
        url = f"{self.victoria.url}/api/v1/{path}"
        answer = httpx2.get(url, params=asked | {"nocache": "1"}, timeout=HANG_S).json()
        assert answer["status"] == "success", answer
        found: list[dict[str, Any]] = answer["data"]["result"]
        return found

    def asked(self, title: str, **chosen: str) -> list[dict[tuple[str, ...], list[float]]]:
        """Return what a panel shows: of each query, by its series, the values."""
        panel = PANELS[title]
        found = []
        for target in panel["targets"]:
            query = filled(target["expr"], **chosen)
            start_s = self.now_s - RANGE_S
            rows = (
                self._ask("query_range", query=query, start=start_s, end=self.now_s, step=STEP_S)
                if target["range"]
                else self._ask("query", query=query, time=self.now_s)
            )
            named = {}
            for row in rows:
                labels = {k: v for k, v in row["metric"].items() if k != "__name__"}
                key = tuple(labels.get(name, "") for name in KEYS[title])
                assert key not in named, (key, rows)
                points = row["values"] if target["range"] else [row["value"]]
                named[key] = [float(value) for _, value in points]
            found.append(named)
        return found


def filled(text: str, **chosen: str) -> str:
    """Put in what the program puts in: the chosen variables, the time shown, its step."""
    names = {"site": ".*", "bay": ".*", "session": ".*", **chosen}
    names |= {"__range": f"{RANGE_S}s", "__interval": f"{STEP_S}s"}
    return re.sub(r"\$(\w+)", lambda found: names[found[1]], text)


KEYS: dict[str, tuple[str, ...]] = {
    "Bays: heard of last": ("site", "bay"),
    "Bays alive": (),
    "Outbox: waiting": ("bay", "sink"),
    "Outbox: age of the oldest": ("bay", "sink"),
    "Outbox: set aside and dropped": ("bay", "sink"),
    "Sinks away": ("bay", "sink"),
    "Sessions": ("site", "bay", "session", "source"),
    "Sessions under way": (),
    "Swings": ("session", "revision"),
    "Good pushes": ("session", "revision"),
    "Load tempo": ("session", "revision", "lead"),
    "Steps and stands": ("session", "revision"),
    "Battery": ("bay", "foot"),
    "Packets lost": ("bay", "foot"),
    "Signal": ("bay", "foot"),
}


@pytest.fixture(scope="module")
def sent(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Sent]:
    victoria = Victoria(tmp_path_factory.mktemp("vm"))
    victoria.start()
    begun_s = time.time()
    store, session = sent_session(tmp_path_factory.mktemp("bay"), victoria)
    ended_s = time.time()
    victoria.series("{__name__='x'}")  # flushed
    yield Sent(victoria, store, session, (begun_s, ended_s), ended_s + 300.0)
    victoria.kill()


def events(sent: Sent, kind: str) -> list[dict[str, Any]]:
    with Store.open(sent.store, read_only=True) as store:
        return [row.body for row in store.events(sent.session, kind)]


@pytest.mark.slow
def test_heard_of(sent):
    (found,) = sent.asked("Bays: heard of last")
    ((ago_s,),) = found.values()
    assert set(found) == {("north", "b1")}
    assert sent.between_s[0] <= sent.now_s - ago_s <= sent.between_s[1]


def test_alive(sent):
    alive, of = sent.asked("Bays alive")
    assert (alive, of) == ({(): [0.0]}, {(): [1.0]})  # five minutes later: it has stopped
    earlier = Sent(sent.victoria, sent.store, sent.session, sent.between_s, sent.between_s[1])
    alive, of = earlier.asked("Bays alive")
    assert (alive, of) == ({(): [1.0]}, {(): [1.0]})


def test_outbox(sent):
    with Store.open(sent.store, read_only=True) as store:
        depths = {depth.sink: depth for depth in Outbox(store.database).depths()}
    (waiting,) = sent.asked("Outbox: waiting")
    assert {key: values[-1] for key, values in waiting.items()} == {
        ("b1", sink): depth.waiting for sink, depth in depths.items()
    }
    assert depths[AWAY].waiting > 50
    (oldest,) = sent.asked("Outbox: age of the oldest")
    assert 0.0 <= oldest["b1", AWAY][-1] <= sent.between_s[1] - sent.between_s[0]
    aside, dropped = sent.asked("Outbox: set aside and dropped")
    assert aside == {("b1", sink): [depth.aside] for sink, depth in depths.items()}
    assert dropped == {("b1", sink): [depth.dropped] for sink, depth in depths.items()}
    (away,) = sent.asked("Sinks away")
    assert away == {("b1", AWAY): [1.0]}


def test_sessions(sent):
    with Store.open(sent.store, read_only=True) as store:
        revision = float(store.revision(sent.session))
    assert revision == 1.0
    (found,) = sent.asked("Sessions")
    assert found == {("north", "b1", sent.session, "insoles"): [revision]}
    (open_,) = sent.asked("Sessions under way")
    assert open_ == {(): [0.0]}


def test_swings(sent):
    swings = events(sent, "swing")
    (count,) = sent.asked("Swings")
    assert count == {(sent.session, "1"): [len(swings)]} and len(swings) >= 2
    (good,) = sent.asked("Good pushes")
    assert good == {(sent.session, "1"): [sum(bool(s["push"]["is_good"]) for s in swings)]}
    (tempo,) = sent.asked("Load tempo")
    told = Counter(value for values in tempo.values() for value in values)
    assert set(tempo) == {(sent.session, "1", "left")}
    stored = [s["load_tempo"] for s in swings if s["load_tempo"] is not None]
    # Twelve digits are kept, and a swing is no longer than a step of the drawing is wide.
    assert sorted(told.elements()) == pytest.approx(sorted(stored), rel=1e-11)


def test_steps_and_stands(sent):
    steps, stands = sent.asked("Steps and stands")
    assert steps == {(sent.session, "1"): [len(events(sent, "step"))]}
    assert stands == {(sent.session, "1"): [len(events(sent, "stand"))]}


def test_links(sent):
    last = LINKS - 1
    for title, value in (
        ("Battery", 80 - last),
        ("Packets lost", last / (100 + 2 * last)),
        ("Signal", -60),
    ):
        (found,) = sent.asked(title)
        assert set(found) == {("b1", "left"), ("b1", "right")}, title
        for values in found.values():
            assert values[-1] == pytest.approx(value, rel=1e-11), title


def test_what_is_chosen_is_shown_alone(sent):
    for title in PANELS:
        for found in sent.asked(title, bay="other"):
            assert not any(value for values in found.values() for value in values), title


def test_every_panel_is_asked_and_says_what_it_shows():
    assert set(PANELS) == set(KEYS)
    for panel in PANELS.values():
        assert panel["description"].endswith(".") and panel["targets"]
    assert len({panel["id"] for panel in PANELS.values()}) == len(PANELS)


def test_the_lists_to_choose_from_hold_what_was_sent(sent):
    values = {"site": ["north"], "bay": ["b1"], "session": [sent.session]}
    for variable in BOARD["templating"]["list"]:
        if variable["type"] != "query":
            continue
        metric, label = re.fullmatch(r"label_values\((.+), (\w+)\)", variable["query"]).groups()  # type: ignore[union-attr]
        answer = httpx2.get(
            f"{sent.victoria.url}/api/v1/label/{label}/values",
            params={
                "match[]": filled(metric),
                "start": sent.now_s - RANGE_S,
                "end": sent.now_s,
            },
            timeout=HANG_S,
        ).json()
        assert answer["data"] == values.pop(variable["name"])
    assert not values
