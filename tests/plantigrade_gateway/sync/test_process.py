"""How the bay's process goes on, backs off and says so: nothing is asked, no time passes."""

import asyncio
import random
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from tests.support.syncing import SyncBay, settings
from tests.support.waiting import HANG_S

from plantigrade_gateway.config import load
from plantigrade_gateway.errors import GatewayError, StoreError
from plantigrade_gateway.store import hubstate
from plantigrade_gateway.sync import process
from plantigrade_gateway.sync.link import HubAway
from plantigrade_gateway.sync.process import SyncProcess, Way

AWAY = "The hub is away"


class Turns:
    """Work whose outcomes are given; ends with them."""

    def __init__(self, monkeypatch, outcomes: list[Any], chance: float = 1.0) -> None:
        self.outcomes = outcomes
        self.waits: list[float] = []
        self.again = 0
        self.seen: list[tuple[str | None, bool]] = []
        self.stop = asyncio.Event()
        self.way = Way("records", self.work, self.begin_again, 0.5)
        self.bounds: set[tuple[float, float]] = set()

        def uniform(low: float, high: float) -> float:
            self.bounds.add((low, high))
            return chance

        async def sleep(seconds: float, stop: asyncio.Event) -> None:
            assert stop is self.stop
            self.waits.append(seconds)
            self.note()

        monkeypatch.setattr(process, "sleep_until", sleep)
        monkeypatch.setattr(random, "uniform", uniform)

    def note(self) -> None:
        self.seen.append((self.way.problem, self.way.is_idle))

    def begin_again(self) -> None:
        self.again += 1

    async def work(self) -> Any:
        outcome = self.outcomes.pop(0)
        if not self.outcomes:
            self.stop.set()
        if isinstance(outcome, Exception):
            raise outcome
        return outcome

    async def run(self) -> "Turns":
        await asyncio.wait_for(self.way.run(self.stop), HANG_S)
        return self


async def test_a_way_rests_where_nothing_is_left_and_goes_on_where_more_is(monkeypatch):
    turns = await Turns(monkeypatch, [True, True, False, True]).run()
    assert turns.waits == [0.5] and turns.again == 0
    assert turns.way.problem is None and turns.way.is_idle is False
    assert turns.way.last_contact is not None
    assert abs((datetime.now(UTC) - turns.way.last_contact).total_seconds()) < 60.0


async def test_a_hub_that_is_away_is_left_alone_twice_as_long_each_time_up_to_a_minute(monkeypatch):
    turns = await Turns(monkeypatch, [HubAway(AWAY)] * 9).run()
    assert turns.waits == [1, 2, 4, 8, 16, 32, 60, 60, 60]
    assert turns.bounds == {(0.5, 1.0)} and turns.again == 9
    assert turns.seen == [(AWAY, True)] * 9 and turns.way.last_contact is None


async def test_chance_shortens_a_wait_and_not_the_next_ones(monkeypatch):
    turns = await Turns(monkeypatch, [HubAway(AWAY)] * 3, chance=0.5).run()
    assert turns.waits == [0.5, 1.0, 2.0]


async def test_it_waits_at_least_as_long_as_the_hub_asks(monkeypatch):
    turns = await Turns(monkeypatch, [HubAway(AWAY, 3.0)] * 3).run()
    assert turns.waits == [3.0, 3.0, 4.0]


async def test_a_turn_that_gets_on_begins_the_waits_anew(monkeypatch):
    away = HubAway(AWAY)
    turns = await Turns(monkeypatch, [away, away, True, away, False, away]).run()
    assert turns.waits == [1.0, 2.0, 1.0, 0.5, 1.0]
    assert turns.seen[3] == (None, True)


async def test_a_fault_is_said_by_its_kind_and_ends_nothing(monkeypatch):
    faults = [ValueError("seven"), KeyError(), StoreError("store s: busy")]
    turns = await Turns(monkeypatch, faults).run()
    assert turns.seen == [
        ("hub: records have failed (ValueError: seven)", True),
        ("hub: records have failed (KeyError())", True),
        ("store s: busy", True),
    ]
    assert turns.waits == [1.0, 2.0, 4.0]


@pytest.fixture(scope="module")
def empty(tmp_path_factory) -> Path:
    folder: Path = tmp_path_factory.mktemp("empty") / "bay"
    SyncBay(folder).close()
    return folder


@pytest.fixture
def said() -> list[str]:
    return []


@pytest.fixture
def clock(monkeypatch) -> SimpleNamespace:
    made = SimpleNamespace(now_s=50.0)
    monkeypatch.setattr(process, "monotonic", lambda: made.now_s)
    return made


@pytest.fixture
def work(tmp_path: Path, empty: Path, said, clock) -> Iterator[SyncProcess]:
    folder = Path(shutil.copytree(empty, tmp_path / "bay"))
    config = load(folder / "settings.toml", settings("https://hub"))
    made = SyncProcess(folder / "store.sqlite3", config, said.append)
    yield made
    made.close()


def test_no_store_is_made_where_there_is_none(work, tmp_path):
    config = load(tmp_path / "bay" / "settings.toml", settings("https://hub"))
    with pytest.raises(StoreError):
        SyncProcess(tmp_path / "none.sqlite3", config, print)
    assert not (tmp_path / "none.sqlite3").exists()


def test_a_hub_that_is_away_is_said_once_and_that_it_is_back_once(work, said):
    records, changes = work._ways
    assert (records._every_s, changes._every_s) == (0.5, 2.0)
    work._note()
    assert said == []
    changes.problem = "hub https://hub: the connection is refused"
    for _ in range(2):
        work._note()
    records.problem = "hub https://hub: its name is not found"  # another reason for the same
    work._note()
    assert said == [
        "Hub https://hub: the connection is refused. Recording goes on; what is recorded is handed "
        "over later."
    ]
    kept = hubstate.read(hubstate.path_for(work._store_path))
    assert kept is not None and kept.problem == records.problem
    records.problem = changes.problem = None
    for _ in range(2):
        work._note()
    assert said[1:] == ["The hub answers again."]
    changes.problem = "hub: again"
    work._note()
    assert len(said) == 3 and said[2].startswith("Hub: again. Recording goes on")


def test_the_state_holds_what_waits_and_who_answered_last(work, clock):
    assert work.state().last_contact is None
    early, late = datetime(2031, 1, 1, tzinfo=UTC), datetime(2031, 1, 2, tzinfo=UTC)
    work._ways[0].last_contact, work._ways[1].last_contact = late, early
    state = work.state()
    assert state.last_contact == late and state.url == "https://hub"
    assert (state.sessions, state.pieces, state.deletions) == (0, 0, 0)
    assert state.refused == () and state.problem is None


def test_the_rate_is_what_went_over_since_it_was_looked_at_last(work, clock):
    assert work.state().per_s == 0.0
    work.records.given += 7
    clock.now_s += 2.0
    assert work.state().per_s == 3.5
    clock.now_s += 3.0
    work.records.given += 1
    assert work.state().per_s == 0.3  # to one digit
    assert work.state().per_s == 0.0  # no time has passed


def test_a_state_that_the_store_refuses_is_not_written(work, said, monkeypatch):
    def refuses() -> Any:
        raise StoreError("store: is damaged")

    monkeypatch.setattr(work, "state", refuses)
    work._note()
    assert said == [] and not hubstate.path_for(work._store_path).exists()


class OpenHub:
    url = "https://hub"

    async def __aenter__(self) -> "OpenHub":
        return self

    async def __aexit__(self, *_: object) -> None:
        pass


def told(work: SyncProcess, *, people: list[Any], sessions: list[Any]) -> list[str]:
    """Let both kinds of work come out as given; note their order."""
    order: list[str] = []

    def doing(name: str, outcomes: list[Any]) -> Any:
        async def one() -> Any:
            order.append(name)
            outcome = outcomes.pop(0)
            if isinstance(outcome, Exception):
                raise outcome
            return outcome

        return one

    work.hub = OpenHub()  # type: ignore[assignment]
    records, changes = work._ways
    changes._work = doing("people", people)
    records._work = doing("records", sessions)
    return order


async def test_once_hands_over_all_there_is_people_first(work):
    order = told(work, people=[True, False], sessions=[True, True, False])
    assert await work.once() == []
    assert order == ["people"] * 2 + ["records"] * 3


async def test_once_ends_where_the_hub_is_away_and_goes_on_past_what_it_refuses(work):
    order = told(work, people=[GatewayError("changes: no")], sessions=[HubAway(AWAY)])
    assert await work.once() == ["changes: no", AWAY]
    assert order == ["people", "records"] and work.state().problem == AWAY
    order = told(work, people=[HubAway(AWAY)], sessions=[])
    assert await work.once() == [AWAY] and order == ["people"]


class Rounds:
    """Outcomes of a kind of work that is asked for its rounds."""

    def __init__(self, outcome: bool, asked: list[str], name: str) -> None:
        self.outcome, self.asked, self.name = outcome, asked, name

    async def round(self) -> bool:
        self.asked.append(self.name)
        return self.outcome


@pytest.mark.parametrize(
    ("changes", "deletions", "is_more", "asked"),
    [
        (True, False, True, ["changes"]),
        (False, True, True, ["changes", "deletions"]),
        (False, False, False, ["changes", "deletions"]),
    ],
)
async def test_receipts_wait_until_no_change_is_left(
    work, monkeypatch, changes, deletions, is_more, asked
):
    done: list[str] = []
    work.exchange = Rounds(changes, done, "changes")
    work.deletions = Rounds(deletions, done, "deletions")
    followed: list[bool] = []
    monkeypatch.setattr(process, "follow", lambda register: followed.append(True))
    assert await work._people() is is_more and done == asked and followed == [True]


@pytest.mark.parametrize(("left", "times"), [(0, 2), (1, 4)])
def test_the_log_is_followed_when_it_has_grown_and_while_something_is_left(
    work, monkeypatch, left, times
):
    followed: list[Any] = []

    def follow(register: Any) -> Any:
        followed.append(register)
        return left

    monkeypatch.setattr(process, "follow", follow)
    for _ in range(2):
        work._follow()
    work._register.add(name="Ada Invented", handedness="left")
    for _ in range(2):
        work._follow()
    assert followed == [work._deleting] * times


class Ends:
    """A way that is idle after so many looks at it."""

    problem = None
    last_contact = None

    def __init__(self, looks: float) -> None:
        self.looks = looks
        self.ended = False

    @property
    def is_idle(self) -> bool:
        self.looks -= 1
        return self.looks < 0

    async def run(self, stop: asyncio.Event) -> None:
        await stop.wait()
        self.ended = True


@pytest.mark.parametrize(("looks", "slept"), [(0, 0), (3, 3), (1e9, 30)])
async def test_after_the_word_to_stop_what_waits_has_three_seconds(
    work, clock, monkeypatch, looks, slept
):
    """It looks again after a pause; here each is a tenth of a second long by the clock."""
    paused: list[float] = []

    async def pause(seconds: float, stop: asyncio.Event) -> None:
        paused.append(seconds)

    whole_sleep, naps = asyncio.sleep, []

    async def nap(seconds: float) -> None:
        if seconds < 1.0:
            naps.append(seconds)
            clock.now_s += 0.1000001
        await whole_sleep(0 if seconds < 1.0 else seconds)

    monkeypatch.setattr(process, "sleep_until", pause)
    monkeypatch.setattr(asyncio, "sleep", nap)
    work.hub = OpenHub()
    work.hub.url = "https://hub"
    ways = [Ends(looks), Ends(0)]
    work._ways = ways
    work.stop.set()
    await asyncio.wait_for(work.run(), HANG_S)
    assert len(naps) == slept and paused == [0.5]
    assert all(way.ended for way in ways) and work.records._is_gathering is False
    assert hubstate.read(hubstate.path_for(work._store_path)) is not None
