"""Two invented players with their visits, so that a new store's pages have something to show.

One bears on the midfoot and learns to push with the shift; one stands on heel and ball and is not
there yet. Nobody was measured, and their names say so.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade.block import Foot
from plantigrade.events import Manner, Timing
from plantigrade.synth import HeelHabit, Player
from plantigrade_gateway.analysis.practice import entry_of
from plantigrade_gateway.child import Alone
from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.drills.model import Choice, Feedback
from plantigrade_gateway.people.clock import HybridClock
from plantigrade_gateway.people.deletion import delete_player
from plantigrade_gateway.people.players import SESSION, Register
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.record.entries import Batch
from plantigrade_gateway.record.tables import Intent
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.virtual.visits import (
    AGAIN,
    CHECK,
    FLAT,
    LIFTS,
    STAND,
    WALK,
    Drilled,
    Part,
    Repetition,
    Swings,
    visit_entries,
)

PUSH = Drilled(
    "push",
    entry_of(Choice(shelf(None).find("push"), Feedback.EVERY)),
    entry_of(Choice(None, Feedback.SILENT)),
)
GOOD = Repetition()
EARLY = Repetition(timing=Timing.EARLY)
SKIPPED = Repetition(Manner.SKIPPED, Timing.EARLY)
JUMPS = Repetition(Manner.SKIPPED)
STAYS = Repetition(Manner.HELD)
LIFTED = Repetition(heel=HeelHabit.LIFTED)
LATE = Repetition(heel=HeelHabit.LATE)
FLOATS_AND_JUMPS = Repetition(Manner.SKIPPED, heel=HeelHabit.LIFTED)
"""How the two swing."""


@dataclass(frozen=True, slots=True)
class InventedVisit:
    """A visit: how many days ago, what was done, and what was agreed to before."""

    days_ago: int
    parts: tuple[Part, ...]
    agreed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Story:
    """An invented player.

    Attributes
    ----------
    name : str
    body : Player
    shoe : str
    visits : tuple of InventedVisit
        The first one first.
    findings : dict of str to str
    decided : tuple of (topic, answer, plan, cue)
        At the last visit.
    """

    name: str
    body: Player
    shoe: str
    visits: tuple[InventedVisit, ...]
    findings: dict[str, str]
    decided: tuple[tuple[str, str, str, str], ...]


def _two_sets(smooth: tuple[Repetition, ...], full: tuple[Repetition, ...]) -> tuple[Part, ...]:
    return Swings(Intent.SMOOTH, smooth), Swings(Intent.FULL, full)


_SHOES_AGAIN: tuple[Part, ...] = (LIFTS, STAND, AGAIN, STAND, AGAIN, STAND)
"""The shoes were off: the lifts again, then the stands."""

MIRA = Story(
    name="Mira (invented)",
    body=Player(
        mass_kg=66.0,
        lead=Foot.LEFT,
        midfoot_share_left=0.11,
        midfoot_share_right=0.10,
        left_share=0.51,
        body_seed=41,
    ),
    shoe="low shoe, thin sole",
    findings={"hips": "no limit", "trunk": "no limit", "ankles": "no limit", "balance": "no limit"},
    visits=(
        InventedVisit(
            35,
            (
                *CHECK,
                LIFTS,
                FLAT,
                AGAIN,
                FLAT,
                *_two_sets(
                    (GOOD, EARLY, GOOD, SKIPPED, GOOD, EARLY, GOOD, GOOD),
                    (EARLY, EARLY, GOOD, SKIPPED, EARLY, EARLY, GOOD, EARLY),
                ),
            ),
            agreed=("record",),
        ),
        InventedVisit(
            21,
            (
                *CHECK,
                *_SHOES_AGAIN,
                *_two_sets((GOOD,) * 6 + (EARLY, GOOD), (GOOD, EARLY, GOOD, GOOD) * 2),
                Swings(Intent.SMOOTH, (GOOD, EARLY, GOOD, GOOD, GOOD, GOOD), drill=PUSH),
                Swings(Intent.SMOOTH, (GOOD,) * 7 + (EARLY,)),
            ),
        ),
        InventedVisit(
            7,
            (
                *CHECK,
                *_SHOES_AGAIN,
                *_two_sets((GOOD,) * 8, (GOOD,) * 7 + (EARLY,)),
                Swings(Intent.FULL, (GOOD,) * 6, drill=PUSH),
                Swings(Intent.SMOOTH, (GOOD,) * 8),
            ),
        ),
        InventedVisit(
            1,
            (
                *CHECK,
                *_SHOES_AGAIN,
                *_two_sets((GOOD,) * 8, (GOOD,) * 8),
                Swings(Intent.FAST, (GOOD,) * 4 + (EARLY,) + (GOOD,) * 3),
                Swings(Intent.SMOOTH, (GOOD,) * 8),
            ),
            agreed=("speed",),
        ),
    ),
    decided=(
        ("lead heel", "go", "either", "Your lead heel may do what it does now."),
        ("push", "go", "even", "Roll from heel to toe as you turn."),
        ("speed", "go", "", "Five fast ones, rest, and stop when the roll goes."),
    ),
)

JONAH = Story(
    name="Jonah (invented)",
    body=Player(
        mass_kg=82.0,
        lead=Foot.RIGHT,
        midfoot_share_left=0.006,
        midfoot_share_right=0.008,
        left_share=0.49,
        walk_midfoot=1.0,
        body_seed=43,
    ),
    shoe="stiff shoe with a last of its own",
    findings={"hips": "limit", "trunk": "no limit", "ankles": "no limit", "balance": "not looked"},
    visits=(
        InventedVisit(
            30,
            (
                *CHECK,
                *_two_sets(
                    (JUMPS, SKIPPED, JUMPS, STAYS, JUMPS, SKIPPED, JUMPS, JUMPS),
                    (SKIPPED, SKIPPED, JUMPS, STAYS, SKIPPED, JUMPS, SKIPPED, JUMPS),
                ),
            ),
            agreed=("record",),
        ),
        InventedVisit(
            16,
            (
                *CHECK,
                *_SHOES_AGAIN,
                *_two_sets(
                    (LIFTED, JUMPS, LATE, FLOATS_AND_JUMPS, LIFTED, JUMPS, LATE, JUMPS),
                    (JUMPS, FLOATS_AND_JUMPS, SKIPPED, LATE, JUMPS, SKIPPED, LIFTED, JUMPS),
                ),
                Swings(Intent.SMOOTH, (LIFTED, JUMPS, LIFTED, GOOD, LIFTED, JUMPS), drill=PUSH),
            ),
        ),
        InventedVisit(
            2,
            (
                *CHECK,
                *_SHOES_AGAIN,
                *_two_sets(
                    (LIFTED,) * 5 + (FLOATS_AND_JUMPS, LATE, LIFTED),
                    (LIFTED, FLOATS_AND_JUMPS, LATE, LIFTED, JUMPS, LIFTED, SKIPPED, LIFTED),
                ),
                WALK,
            ),
        ),
    ),
    decided=(
        ("lead heel", "go", "up", "Let the lead heel float up. Put it down, then hit."),
        ("push", "go", "deliberate", "Heel, then the middle, then the toes."),
        ("speed", "not yet", "", "First the long push, then fast."),
    ),
)
STORIES = (MIRA, JONAH)
_AUTHOR, _SOURCE = "demo", "invented"
_PIECE = 5000
_BEFORE = timedelta(minutes=15)
"""What is asked and agreed to is said so long before a visit begins."""


class _Told:
    """When what is said of an invented player was said: by its story."""

    def __init__(self, at: datetime) -> None:
        self.at = at

    def ms(self) -> int:
        return round(1e3 * self.at.timestamp())


def put(store: Store, now: datetime, tell: Callable[[str], None] = lambda line: None) -> list[str]:
    """Put the invented players into a store, those that are not there yet; return their names.

    Each is there with all visits, or not at all where it was stopped before. Of one whose making
    was killed the half is deleted, and it is made anew; one that others have said something of
    since stays, and this is told.

    Parameters
    ----------
    store : Store
    now : datetime
        With an offset; the visits lie before it.
    tell : callable
        Told a line after each visit, and of a half that stays.
    """
    with Alone(store.path, "demo"):  # else another's is a half to this one
        return _put(store, now, tell)


def _put(store: Store, now: datetime, tell: Callable[[str], None]) -> list[str]:
    made = []
    with Register(store) as register:
        names = register.names()
        for player_id, name in names.items():
            for story in STORIES:
                if name != story.name:
                    continue
                if _is_half(register, player_id, story):
                    _delete(register, player_id)
                elif not _is_told(register, player_id, story):
                    tell(
                        f"{name}: a half, of a demo that was killed. It was changed since and is "
                        "left so; once the player is deleted, another demo makes all of it."
                    )
        there = set(register.names().values())
    for story in STORIES:
        if story.name not in there:
            told = _Told(now - timedelta(days=story.visits[0].days_ago) - _BEFORE)
            with Register(store, _AUTHOR, HybridClock(wall_ms=told.ms)) as register:
                player_id = register.add(
                    name=story.name,
                    handedness="right" if story.body.lead is Foot.LEFT else "left",
                    mass_kg=story.body.mass_kg,
                    shoe=story.shoe,
                )
                try:
                    _tell_story(register, player_id, story, now, told, tell)
                except BaseException:  # Ctrl-C too: a half of a story would pass for all of it
                    _delete(register, player_id)
                    raise
            made.append(story.name)
    return made


def _is_half(register: Register, player_id: str, story: Story) -> bool:
    """Whether a story's last word is not there, and nobody else has told of the player since."""
    sessions = register.store.sessions(player_id)
    changes = register.changes(player_id)
    for session in sessions:
        changes += register.log.changes(SESSION, session.session_id)
    return (
        {change.author for change in changes} == {_AUTHOR}
        and {session.source for session in sessions} <= {_SOURCE}
        and not _is_told(register, player_id, story)
    )


def _is_told(register: Register, player_id: str, story: Story) -> bool:
    """Whether a story was told to its last word, even one that was taken back since."""
    last = f"decision:{story.decided[-1][0]}"
    told = register.changes(player_id)
    return any(change.field == last and change.author == _AUTHOR for change in told)


def _delete(register: Register, player_id: str) -> None:
    for session in register.store.sessions(player_id):
        register.store.end_session(session.session_id, "end")
    delete_player(register, player_id)


def _tell_story(
    register: Register,
    player_id: str,
    story: Story,
    now: datetime,
    told: _Told,
    tell: Callable[[str], None],
) -> None:
    for what, state in story.findings.items():
        register.note_finding(player_id, what, state)
    visits = Visits(register)
    first = now - timedelta(days=story.visits[0].days_ago)
    for number, visit in enumerate(story.visits, 1):
        started = now - timedelta(days=visit.days_ago)
        told.at = started - _BEFORE
        for what in visit.agreed:
            register.grant(player_id, what, "player")
        session_id = register.store.create_session(
            _SOURCE, analysis_version=ANALYSIS_VERSION, player_id=player_id, started=started
        )
        calibrated = (
            f"calibrated {first.astimezone(UTC):%Y-%m-%d}, invented; "
            f"check of {started.astimezone(UTC):%Y-%m-%d} passed"
        )
        seed = 100 * story.body.body_seed + number
        entries = visit_entries(story.body, visit.parts, calibrated, seed)
        for start in range(0, len(entries), _PIECE):
            register.store.append(session_id, Batch.of(entries[start : start + _PIECE]))
        register.store.end_session(session_id, "end")
        analysis, _ = results.reanalyse(register.store, session_id)
        told.at = started
        visits.answer(session_id, "player")
        visits.set_conditions(session_id, shoe=story.shoe, is_shoe_stiff="stiff" in story.shoe)
        if number > 1:
            visits.mark_unchanged(session_id)
        tell(f"{story.name}: visit {number} of {len(story.visits)}, {len(analysis.swings)} swings")
    told.at = started + timedelta(seconds=analysis.duration_s)
    for topic, answer, plan, cue in story.decided:
        day = started.date()
        register.decide(player_id, topic, answer, day, cue, plan)
