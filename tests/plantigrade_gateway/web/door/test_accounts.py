"""Sign-ins and players' links by a clock that the test sets, each up to its last moment."""

from datetime import UTC, datetime, timedelta

import pytest
from tests.support.records import packets

from plantigrade_gateway.store.rows import utc_text
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.door.accounts import Invites, InviteState, SignIns, key_of

BEGAN = datetime(2026, 3, 2, 9, tzinfo=UTC)
TICK = timedelta(microseconds=1)


class Clock:
    def __init__(self) -> None:
        self.now = BEGAN

    def __call__(self) -> datetime:
        return self.now

    def set(self, since: timedelta) -> None:
        self.now = BEGAN + since


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def links(store: Store, clock: Clock) -> Invites:
    return Invites(store.database, clock)


def signed_in(store: Store) -> bytes:
    """A browser that signed in when the clock began."""
    key = key_of("token")
    with store.database.writing() as db:
        db.execute(
            "INSERT INTO sign_ins (key, begun_utc, used_utc) VALUES (?, ?, ?)",
            (key, utc_text(BEGAN), utc_text(BEGAN)),
        )
    return key


def used(store: Store) -> datetime:
    ((text,),) = store.database.read("SELECT used_utc FROM sign_ins")
    return datetime.fromisoformat(text)


def test_a_sign_in_lasts_eight_hours_without_use_and_a_week_with_it(store, clock):
    """As `hardware_notes/pages.md` says."""
    sign_ins, key = SignIns(store.database, clock), signed_in(store)
    clock.set(timedelta(hours=8) - TICK)
    assert sign_ins.lasts(key)
    clock.set(timedelta(hours=8))
    assert not sign_ins.lasts(key)
    for hours in range(7, 168, 7):
        clock.set(timedelta(hours=hours))
        with store.database.writing() as db:
            db.execute("UPDATE sign_ins SET used_utc = ?", (utc_text(clock.now),))
        assert sign_ins.lasts(key)
    clock.set(timedelta(days=7) - TICK)
    assert sign_ins.lasts(key)
    clock.set(timedelta(days=7))
    assert not sign_ins.lasts(key)


def test_a_clock_that_was_ahead_and_put_right_keeps_nobody_in(store, clock):
    """A machine's clock was days ahead when the browser signed in, or when it was last used."""
    sign_ins, key = SignIns(store.database, clock), signed_in(store)
    clock.set(TICK - timedelta(hours=8))
    assert sign_ins.lasts(key)  # set back a little: as if it had gone on
    clock.set(-timedelta(hours=8))
    assert not sign_ins.lasts(key) and sign_ins.knows(key)
    with store.database.writing() as db:
        db.execute("UPDATE sign_ins SET used_utc = ?", (utc_text(clock.now),))
    assert sign_ins.lasts(key)
    clock.set(-timedelta(days=7))
    with store.database.writing() as db:
        db.execute("UPDATE sign_ins SET used_utc = ?", (utc_text(clock.now),))
    assert not sign_ins.lasts(key) and not sign_ins.knows(key)


def test_a_link_that_a_clock_made_that_was_ahead_does_not_wait_until_then(links, clock):
    _, token = links.make("ahead")
    clock.set(TICK - timedelta(hours=12))
    assert links.lasts(key_of(token))
    clock.set(-timedelta(hours=12))
    assert links.state(key_of(token)) is InviteState.ENDED
    clock.set(-timedelta(days=1) - TICK)
    links.make("now")
    assert [link.note for link in links.all()] == ["now"]


def test_use_is_noted_once_a_minute_and_ended_for_good(store, clock):
    sign_ins, key = SignIns(store.database, clock), signed_in(store)
    clock.set(timedelta(seconds=59))
    sign_ins.use(key)
    assert used(store) == BEGAN
    clock.set(timedelta(seconds=60))
    sign_ins.use(key)
    assert used(store) == BEGAN + timedelta(seconds=60)
    sign_ins.end(key)
    assert not sign_ins.lasts(key)
    sign_ins.use(key)
    assert store.database.read("SELECT * FROM sign_ins") == []


def test_a_link_waits_twelve_hours_for_its_session(links, clock):
    number, token = links.make("  for \n Mira  ")
    (link,) = links.all()
    assert (link.number, link.note, link.made) == (number, "for Mira", BEGAN)
    assert link.is_good and link.state is InviteState.WAITS
    clock.set(timedelta(hours=12) - TICK)
    assert links.lasts(key_of(token))
    clock.set(timedelta(hours=12))
    assert not links.lasts(key_of(token)) and links.state(key_of(token)) is InviteState.ENDED
    assert links.state(key_of("another")) is None


def test_a_note_is_cut_to_forty_characters(links):
    links.make("x" * 41)
    assert links.all()[0].note == "x" * 40


@pytest.mark.parametrize(
    ("after", "state"),
    [
        (timedelta(), InviteState.WORKS),
        (timedelta(hours=11.9), InviteState.WORKS),
        (timedelta(hours=12.1), InviteState.ENDED),
        (-timedelta(minutes=1), InviteState.ENDED),  # begun before it, and it is not open
    ],
)
def test_the_first_session_that_begins_in_time_is_the_link_s(store, links, clock, after, state):
    _, token = links.make()
    session = store.create_session("insoles", analysis_version=1, started=BEGAN + after)
    store.create_session("insoles", analysis_version=1, started=BEGAN + timedelta(hours=13))
    if after < timedelta():
        store.end_session(session, "stop")
    clock.set(timedelta(hours=13))
    links.all()
    assert links.state(key_of(token)) is state
    store.end_session(session, "stop")
    assert not links.lasts(key_of(token))


def test_a_link_that_is_over_leaves_the_list_after_a_day_when_another_is_made(links, clock):
    links.make("old")
    clock.set(timedelta(days=1))
    links.make("next")
    assert [link.note for link in links.all()] == ["next", "old"]
    clock.set(timedelta(days=1) + TICK)
    links.make("last")
    assert [link.note for link in links.all()] == ["last", "next"]


def test_withdrawing_again_says_when_it_was_first(store, links, clock):
    number, token = links.make()
    clock.set(timedelta(hours=1))
    assert links.withdraw(number)
    clock.set(timedelta(hours=2))
    assert links.withdraw(number)
    ((text,),) = store.database.read("SELECT withdrawn_utc FROM player_links")
    assert datetime.fromisoformat(text) == BEGAN + timedelta(hours=1)
    assert links.state(key_of(token)) is InviteState.WITHDRAWN
    assert not links.withdraw(number + 1)
    assert not Invites(store.database, clock, "B").withdraw(number)


@pytest.mark.parametrize(
    ("later", "works"),
    [(timedelta(minutes=15), True), (timedelta(minutes=15) + TICK, False)],
)
def test_a_session_that_was_cut_off_goes_on_within_a_quarter_of_an_hour(
    store, links, clock, later, works
):
    session = store.create_session("insoles", analysis_version=1, started=BEGAN)
    _, token = links.make()
    store.end_session(session, "restart")
    clock.set(later)
    assert links.lasts(key_of(token)) is works
    store.create_session("insoles", analysis_version=1, started=BEGAN + later)
    assert links.lasts(key_of(token)) is works


@pytest.mark.parametrize(("later", "works"), [(timedelta(), True), (TICK, False)])
def test_a_session_that_was_cut_off_ended_with_its_last_packet(store, links, clock, later, works):
    """Recorded for five hours, in packets of 10 ms each: 1,800,000 of them later."""
    session = store.create_session("insoles", analysis_version=1, started=BEGAN)
    store.append(session, packets(1))
    store.append(session, packets(1, 1_800_000))
    _, token = links.make()
    store.end_session(session, "restart")
    clock.set(timedelta(hours=5, minutes=15) + later)
    assert links.lasts(key_of(token)) is works
