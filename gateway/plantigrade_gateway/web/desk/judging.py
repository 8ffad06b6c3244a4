"""The coach's eye on the desk: which swings are still to be judged blind, and how both agree.

In this mode a swing's page holds nothing of the program's answer until both taps are there, or the
coach asked for it.
"""

from dataclasses import dataclass

from plantigrade_gateway import formats
from plantigrade_gateway.coach.case import NO_NOTE, SwingNote, Tap, Visit
from plantigrade_gateway.coach.eye import (
    ANSWERS,
    LEAST_FOR_KAPPA,
    LEAST_OF_EACH,
    Agreement,
    agreement,
    was_tapped,
)
from plantigrade_gateway.people.said import Said
from plantigrade_gateway.people.visits import said_of_session
from plantigrade_gateway.web.desk.reads import DeskStore, Opened

QUESTIONS = {"push": "The push", "heel": "The lead heel in the backswing"}
"""What is asked of each swing."""


@dataclass(frozen=True, slots=True)
class Judged:
    """What the eye said of a swing, for its page.

    Attributes
    ----------
    asked : tuple of (str, str, tuple of str)
        What is not tapped yet: its key, its question, its answers.
    told : tuple of str
        What was tapped, in words.
    is_shown : bool
        The program's answer may be shown.
    following : int or None
        The number of the next swing to judge.
    """

    asked: tuple[tuple[str, str, tuple[str, str]], ...]
    told: tuple[str, ...]
    is_shown: bool
    following: int | None


def said_of(reads: DeskStore, opened: Opened) -> Said:
    """Return what people said of an opened session."""
    return said_of_session(reads.store, opened.session_id, opened.found.swings)


def spoken_of(opened: Opened, said: Said) -> Visit:
    """Return an opened session with what was said of its swings."""
    return Visit(opened.session_id, opened.line.session.started, opened.found, said.swings)


def judged(opened: Opened, said: Said, number: int) -> Judged:
    """Return what the eye said of a swing, by its number."""
    note = said.swings.get(number - 1, NO_NOTE)
    taps = _taps(note)
    return Judged(
        tuple((what, QUESTIONS[what], ANSWERS[what]) for what, tap in taps.items() if tap is None),
        tuple(f"{what}: {_told(tap)}" for what, tap in taps.items() if tap is not None),
        is_open(said, number - 1),
        next_to_judge(opened, said, number),
    )


def next_to_judge(opened: Opened, said: Said, after: int = 0) -> int | None:
    """Return the number of the next swing to judge blind, after one and then from the first."""
    numbers = [*range(after + 1, len(opened.found.swings) + 1), *range(1, after)]
    return next(
        (n for n in numbers if n - 1 not in opened.found.excluded and not is_open(said, n - 1)),
        None,
    )


def is_open(said: Said, place: int) -> bool:
    """Whether the program's answer may be shown in this mode."""
    taps = _taps(said.swings.get(place, NO_NOTE))
    return place in said.seen or None not in taps.values()


def _taps(note: SwingNote) -> dict[str, Tap | None]:
    return {"push": note.eye_push, "heel": note.eye_heel}


def _told(tap: Tap) -> str:
    return tap.answer if tap.is_blind else f"{tap.answer} (after the program’s answer)"


@dataclass(frozen=True, slots=True)
class Agreed:
    """The eye beside the program, as a page shows it.

    Attributes
    ----------
    found : Agreement
    share, kappa : str
        As people read them.
    """

    found: Agreement
    share: str
    kappa: str


def agreements(visit: Visit) -> list[Agreed]:
    """Return how eye and program agree on each question that was tapped at all."""
    found = [agreement(what, [visit]) for what in ANSWERS]
    return [_agreed(one) for one in found if was_tapped(one)]


def _agreed(found: Agreement) -> Agreed:
    share = found.agreed
    text = formats.NONE
    if share.low is not None and share.high is not None:
        text = f"{share.count} of {share.n} ({100 * share.low:.0f} to {100 * share.high:.0f} %)"
    kappa = (
        f"kappa from {LEAST_FOR_KAPPA} swings on, each answer {LEAST_OF_EACH} times by both"
        if found.kappa is None
        else f"kappa {found.kappa:.2f}"
    )
    return Agreed(found, text, kappa)
