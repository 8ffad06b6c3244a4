"""What people said of a session, made of the log's changes. Pure: nothing is read or written here.

A change about a swing names the swing's lead peak, as whole nanoseconds of session time. It belongs
to the swing whose time from start to confirmation holds that moment, so it finds its swing again
when the results are made anew. Where no swing does it is listed (`Stray`) and never dropped.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from plantigrade.events import Swing
from plantigrade_gateway.analysis.result import Analysis, Exclusion, SetSpan, swing_time
from plantigrade_gateway.coach.case import NO_NOTE, HoldTakenBack, Questions, SwingNote, Tap
from plantigrade_gateway.people.change import Change
from plantigrade_gateway.people.profile import utc
from plantigrade_gateway.record.tables import Intent, SetStart

QUESTIONS, UNCHANGED = "questions", "is_unchanged"
TAKEN_BACK = "hold_taken_back"
"""Field of a hold that was a slip; its author is who took it back."""
CONDITIONS = ("shoe", "footbed", "is_shoe_stiff", "club")
NOTE, JOIN = "note", "join"
"""Fields of the form ``note:ID`` and ``join:ID``."""
INTENTS = tuple(str(intent) for intent in Intent)
SET = "set"
"""Field of a set, of the form ``set:ID``, or ``set:@NANOSECONDS`` of its beginning in an older
record."""
EXCLUDED, SPEED, PUSH, HEEL, SEEN = "excluded", "speed", "push", "heel", "seen"
"""Fields of a swing, of the form ``excluded:NANOSECONDS``; push and heel are taps of the eye, seen
that the program's answer was shown to who judges."""


@dataclass(frozen=True, slots=True)
class Conditions:
    """What was worn and played at a visit; empty, or None, where it was not said."""

    shoe: str = ""
    footbed: str = ""
    is_shoe_stiff: bool | None = None
    club: str = ""


@dataclass(frozen=True, slots=True)
class SetEdit:
    """What people said of a set in place of what the record says."""

    intent: str
    club: str
    by: str
    when: datetime


@dataclass(frozen=True, slots=True)
class Note:
    """A line about an instant of a session."""

    note_id: str
    t_s: float
    text: str
    by: str
    when: datetime


@dataclass(frozen=True, slots=True)
class Join:
    """Club speeds that were joined to swings together.

    Attributes
    ----------
    join_id : str
    how : str
        ``"time"`` or ``"order"``.
    offset_s : float or None
        What was added to the other clock's times to come to session time; None by order.
    count : int
        Of the swings that got a speed by it.
    by : str
    when : datetime
    """

    join_id: str
    how: str
    offset_s: float | None
    count: int
    by: str
    when: datetime


@dataclass(frozen=True, slots=True)
class Stray:
    """What was said of a swing where no swing is now.

    Attributes
    ----------
    what : str
        ``"excluded"``, ``"speed"``, ``"push"`` or ``"heel"``.
    t_s : float
        Session time of the lead peak it was said of.
    text : str
        The reason, the speed or the answer.
    by : str
    when : datetime
    """

    what: str
    t_s: float
    text: str
    by: str
    when: datetime


@dataclass(frozen=True, slots=True)
class Said:
    """All that is shown of what people said of a session.

    Attributes
    ----------
    questions : Questions or None
        The hold, which stands for the visit, else the last answer; None: not asked.
    hold_taken_back : HoldTakenBack or None
        The last one.
    conditions : Conditions
    is_unchanged : bool
    notes : tuple of Note
        In order of session time.
    swings : dict of int to SwingNote
        By the swing's place among the session's swings; most have none.
    exclusions : dict of int to Exclusion
        Likewise, with who and when (`Analysis.excluded`).
    strays : tuple of Stray
        In order of session time.
    joins : tuple of Join
        That are not undone, the first one first.
    sets : dict of str to SetEdit
        By `set_key`.
    seen : frozenset of int
        Places of the swings of which the program's answer was shown to who judges by eye: no tap on
        them is blind any more.
    """

    questions: Questions | None = None
    conditions: Conditions = Conditions()
    is_unchanged: bool = False
    notes: tuple[Note, ...] = ()
    swings: Mapping[int, SwingNote] = field(default_factory=dict)
    exclusions: Mapping[int, Exclusion] = field(default_factory=dict)
    strays: tuple[Stray, ...] = ()
    joins: tuple[Join, ...] = ()
    sets: Mapping[str, SetEdit] = field(default_factory=dict)
    seen: frozenset[int] = frozenset()
    hold_taken_back: HoldTakenBack | None = None


def anchor_ns(swing: Swing) -> int:
    """Return what a change names a swing by; where the lead peak is not known by its beginning."""
    t_s = swing_time(swing) if swing.lead_peak_s is None else swing.lead_peak_s
    return round(t_s * 1e9)


def place_of(swings: Sequence[Swing], anchor: int) -> int | None:
    """Return the place of the swing that holds a moment, ns; None where no swing does.

    Its time ends where it was confirmed, half a second after the finish: the lead peak lies between
    samples, and in results before version 8 may come some milliseconds after the finish. Of several
    swings the one with the nearest lead peak.
    """
    holding = [
        place
        for place, swing in enumerate(swings)
        if round(swing_time(swing) * 1e9) <= anchor <= round(swing.confirmed_s * 1e9)
    ]
    return min(holding, key=lambda p: abs(anchor_ns(swings[p]) - anchor), default=None)


def of_swing(changes: Iterable[Change], what: str, swing: Swing) -> Iterator[Change]:
    """Give the changes of one kind that belong to a swing, in their order."""
    for change in changes:
        kind, anchor = _split(change.field)
        if kind == what and place_of((swing,), int(anchor)) is not None:
            yield change


def _split(name: str) -> tuple[str, str]:
    kind, _, rest = name.partition(":")
    return kind, rest


def standing(changes: Iterable[Change]) -> list[Change]:
    """Return changes without the speeds of joins that were undone: what they replaced stands."""
    said = list(changes)
    joins = {c.field: c.value for c in said if _split(c.field)[0] == JOIN}
    undone = {_split(name)[1] for name, value in joins.items() if value is None}
    return [
        c
        for c in said
        if _split(c.field)[0] != SPEED or c.value is None or c.value.get("join") not in undone
    ]


def said_of(changes: Iterable[Change], swings: Sequence[Swing]) -> Said:
    """Return what is shown of a session.

    Of each thing the last that was said is shown, of the eye's taps on a swing the first; a hold
    stands for the visit, unless it is taken back.

    Parameters
    ----------
    changes : iterable of Change
        All of the session, in the log's order.
    swings : sequence of Swing
        Of its results as they are now.

    Returns
    -------
    Said
    """
    changes = list(changes)
    last: dict[str, Change] = {}
    tapped: dict[str, Change] = {}
    for change in standing(changes):
        last.pop(change.field, None)  # so that the very last stands last
        last[change.field] = change
        tapped.setdefault(change.field, change)
    answer, taken_back = _answered(changes), last.get(TAKEN_BACK)
    told = {what: last[what].value for what in CONDITIONS if what in last}
    notes, exclusions, strays = _of_swings(last.values(), tapped.values(), swings)
    return Said(
        None if answer is None else Questions(**answer.value, when=utc(answer)),
        Conditions(**told),
        UNCHANGED in last and bool(last[UNCHANGED].value),
        tuple(sorted(_notes(last.values()), key=lambda note: note.t_s)),
        notes,
        exclusions,
        tuple(sorted(strays, key=lambda stray: stray.t_s)),
        tuple(_joins(last.values())),
        dict(_sets(last.values())),
        frozenset(_seen(last, notes, swings)),
        None
        if taken_back is None
        else HoldTakenBack(**taken_back.value, by=taken_back.author, when=utc(taken_back)),
    )


def _answered(changes: Iterable[Change]) -> Change | None:
    """Return the answer that stands: a hold, until it is taken back, whatever is answered later."""
    hold: Change | None = None
    free: Change | None = None
    for change in changes:
        if change.field == TAKEN_BACK:
            hold = None
        elif change.field == QUESTIONS and change.value["hold"]:
            hold = change
        elif change.field == QUESTIONS:
            free = change
    return hold or free


def _seen(
    last: Iterable[str], notes: Mapping[int, SwingNote], swings: Sequence[Swing]
) -> Iterator[int]:
    """Give the places whose answer was shown: it is said so, or a tap was given after it."""
    for name in last:
        kind, anchor = _split(name)
        if kind == SEEN and (place := place_of(swings, int(anchor))) is not None:
            yield place
    for place, note in notes.items():
        if any(tap is not None and not tap.is_blind for tap in (note.eye_push, note.eye_heel)):
            yield place


def _notes(last: Iterable[Change]) -> Iterator[Note]:
    for change in last:
        kind, note_id = _split(change.field)
        if kind == NOTE and change.value is not None:
            yield Note(note_id, **change.value, by=change.author, when=utc(change))


def _sets(last: Iterable[Change]) -> Iterator[tuple[str, SetEdit]]:
    for change in last:
        kind, key = _split(change.field)
        if kind == SET and change.value is not None:
            yield key, SetEdit(**change.value, by=change.author, when=utc(change))


def set_key(span: SetSpan) -> str:
    """Return what a change names a set by."""
    return span.set_id or f"@{round(span.start_s * 1e9)}"


def with_edits(found: Analysis, said: Said) -> Analysis:
    """Return results with what people said of swings and sets.

    The record's own sets and swings stay beside it; drills are without the swings left out.
    """
    edits = {
        place: replace(span, name=_name(edit), intent=edit.intent, club=edit.club)
        for place, span in enumerate(found.spans)
        if (edit := said.sets.get(set_key(span))) is not None
    }
    gone = [found.swings[place] for place in said.exclusions]
    drills = tuple(run.without(gone) for run in found.drills)
    return replace(found, excluded=said.exclusions, set_edits=edits, drills=drills)


def _name(edit: SetEdit) -> str:
    """Return a set's name, as its entry in a record makes it."""
    return SetStart("", Intent(edit.intent), edit.club or None).name


def _joins(last: Iterable[Change]) -> Iterator[Join]:
    for change in last:
        kind, join_id = _split(change.field)
        if kind == JOIN and change.value is not None:
            yield Join(join_id, **change.value, by=change.author, when=utc(change))


def _of_swings(
    last: Iterable[Change], first: Iterable[Change], swings: Sequence[Swing]
) -> tuple[dict[int, SwingNote], dict[int, Exclusion], list[Stray]]:
    """Return notes and exclusions by place, and what finds no swing."""
    notes: dict[int, SwingNote] = {}
    exclusions: dict[int, Exclusion] = {}
    strays = []
    for change in _shown(last, first):
        kind, anchor = _split(change.field)
        place = place_of(swings, int(anchor))
        if place is None:
            if change.value is not None:
                text = _text(kind, change.value)
                strays.append(Stray(kind, int(anchor) / 1e9, text, change.author, utc(change)))
            continue
        notes[place] = _noted(notes.get(place, NO_NOTE), kind, change.value)
        if kind == EXCLUDED:
            exclusions.pop(place, None)
            if change.value is not None:
                exclusions[place] = Exclusion(change.value, change.author, utc(change))
    return {place: note for place, note in notes.items() if note != NO_NOTE}, exclusions, strays


def _shown(last: Iterable[Change], first: Iterable[Change]) -> Iterator[Change]:
    """Give the changes about swings that count, in the log's order.

    One swing may be named by several lead peaks, of results made before: of these too the last
    exclusion or speed stands, and the first tap.
    """
    yield from (c for c in first if _split(c.field)[0] in (PUSH, HEEL))
    yield from (c for c in last if _split(c.field)[0] in (EXCLUDED, SPEED))


def _noted(note: SwingNote, kind: str, value: Any) -> SwingNote:  # noqa: ANN401 - a JSON value
    if kind == EXCLUDED:
        return replace(note, excluded=value or "")
    if kind == SPEED:
        return replace(note, club_speed_m_s=None if value is None else value["m_s"])
    tap = Tap(value["answer"], value["is_blind"])
    if kind == PUSH:
        return note if note.eye_push else replace(note, eye_push=tap)
    return note if note.eye_heel else replace(note, eye_heel=tap)


def _text(kind: str, value: Any) -> str:  # noqa: ANN401 - a JSON value
    if kind == EXCLUDED:
        return str(value)
    if kind == SPEED:
        return f"{value['m_s']:.1f} m/s"
    return str(value["answer"])
