"""Zones that change, summer time that ends, clocks that jump: what is listed, and what stands.

Summer time of Central Europe ends on the last Sunday of October at 01:00 UTC (Directive
2000/84/EC): in 2031 on the 26th, when 02:30 comes twice, at +02:00 and at +01:00.
"""

import time
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from plantigrade_gateway.people.clock import HybridClock
from plantigrade_gateway.people.deletion import due
from plantigrade_gateway.people.log import ChangeLog
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.store.sessions import find
from plantigrade_gateway.store.store import Store

BERLIN = ZoneInfo("Europe/Berlin")
Zone = Callable[[str], None]


@pytest.fixture
def zone() -> Iterator[Zone]:
    """Set this process's time zone, as one who travels does."""
    with pytest.MonkeyPatch.context() as patch:

        def set_to(name: str) -> None:
            patch.setenv("TZ", name)
            time.tzset()

        yield set_to
    time.tzset()


@pytest.fixture
def plain_store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "s.sqlite3") as store:
        yield store


def began(store: Store, when: datetime, player: str | None = None) -> str:
    made = store.create_session("invented", analysis_version=1, started=when, player_id=player)
    store.end_session(made, "stop")
    return made


def test_the_hour_that_comes_twice_is_listed_in_its_order(plain_store, zone):
    zone("Europe/Berlin")
    first = datetime(2031, 10, 26, 0, 30, tzinfo=UTC)
    ids = [began(plain_store, (first + timedelta(hours=h)).astimezone(BERLIN)) for h in (0, 1, 2)]
    expected = ["2031-10-26 03:30", "2031-10-26 02:30", "2031-10-26 02:30"]
    for place in ("Europe/Berlin", "Asia/Tokyo", "America/St_Johns"):  # where it is read later
        zone(place)
        lines = plain_store.sessions()
        assert [line.session_id for line in lines] == ids[::-1]
        assert [f"{line.started:%Y-%m-%d %H:%M}" for line in lines] == expected
        assert [f"{line.started:%z}" for line in lines] == ["+0100", "+0100", "+0200"]


def test_a_session_keeps_the_time_of_its_place(plain_store, zone):
    zone("Pacific/Kiritimati")  # UTC+14, the farthest there is: IANA's time zone database
    there = began(plain_store, datetime.now().astimezone())
    zone("Etc/GMT+12")  # UTC-12; POSIX' sign is the other way
    here = began(plain_store, datetime.now().astimezone())
    lines = {line.session_id: line for line in plain_store.sessions()}
    offsets = [lines[key].started.utcoffset() for key in (there, here)]
    assert offsets == [timedelta(hours=14), timedelta(hours=-12)]
    assert find(plain_store, "last").session_id == here, "though its wall clock says a day before"


def test_what_was_said_last_stands_whatever_the_clock_said(tmp_path, engine_at_wall):
    """A day forward by mistake, and back: the later word is not under the earlier one's stamp.

    Of more than a day a stamp is absurd by the rule of merging, and is not gone on from.
    """
    day_ms = 86_400_000
    wall, log = engine_at_wall(tmp_path / "a.sqlite3", 1_900_000_000_000)
    for jump, value in ((0, "first"), (day_ms, "ahead"), (-day_ms, "back"), (3_600_000, "last")):
        wall[0] += jump
        log.say("player", "a", {"x": value}, "coach")
        assert log.shown("player", "a") == {"x": value}
    assert [change.value for change in log.changes()] == ["first", "ahead", "back", "last"]
    # After a restart too, with the clock still behind.
    again = ChangeLog(log._engine, HybridClock(wall_ms=lambda: wall[0]))
    again.say("player", "a", {"x": "after a restart"}, "coach")
    assert again.shown("player", "a") == {"x": "after a restart"}


def test_a_decision_of_today_is_taken_in_every_zone_and_the_last_word_stands(plain_store, zone):
    with Register(plain_store) as register:
        player = register.add(name="Ada Invented", handedness="left")
        said: list[tuple[str, date]] = []
        for place, answer in (("Pacific/Kiritimati", "go"), ("Etc/GMT+12", "not yet")):
            zone(place)
            today = datetime.now().astimezone().date()
            register.decide(player, "speed", answer, today)
            said.append((answer, today))
            (last,) = register.decisions(player)
            assert (last.answer, last.day) == (answer, today)
        assert said[0][1] > said[1][1], "the later word has the earlier day, and stands"


def test_a_clock_that_jumps_makes_nobody_due_by_the_visits_before(plain_store):
    """By the day that is asked for, of the place of the visit; the clock is not looked at."""
    with Register(plain_store) as register:
        player = register.add(name="Ada Invented", handedness="left")
        began(plain_store, datetime(2031, 10, 26, 0, 30, tzinfo=BERLIN), player)  # the 25th in UTC
        assert due(register, 10, date(2031, 11, 5)) == []
        (found,) = due(register, 10, date(2031, 11, 6))
        assert (found.last, found.since) == (date(2031, 10, 26), date(2031, 11, 6))


@pytest.fixture
def engine_at_wall() -> Iterator[Callable[[Path, int], tuple[list[int], ChangeLog]]]:
    """Make a log whose wall clock the test sets, ms."""
    from plantigrade_gateway.people.tables import sqlite_engine

    engines = []

    def made(path: Path, start_ms: int) -> tuple[list[int], ChangeLog]:
        wall = [start_ms]
        engines.append(engine := sqlite_engine(path))
        return wall, ChangeLog(engine, HybridClock(wall_ms=lambda: wall[0]))

    yield made
    for engine in engines:
        engine.dispose()
