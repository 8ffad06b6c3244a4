"""What people say of a session: questions, conditions, notes, exclusions, taps, club speeds.

Kept in the log of changes under ``session`` and the session's id; undo is another change. Pages and
commands call:

- `Visits.said` for all that is shown of a session;
- `read_session` in place of `store.results.read` wherever numbers are shown or written: it knows
  which swings are left out (`Analysis.excluded`), and what was said of sets;
- `Visits.answer`, `take_back_hold`, `set_conditions` and `mark_unchanged` once a visit;
- `Visits.note` and `Visits.remove_note` for an instant, `Visits.edit_set` for a set;
- `Visits.exclude` and `Visits.include`, `Visits.tap` and `Visits.show_answer`, `Visits.set_speed`
  for a swing, which may be of a session that is still being recorded;
- `Visits.join_speeds` and `Visits.undo_join` for speeds that came together (`coach.speed`).

The coach's eye: a tap is *blind* when the program's answer was not yet shown. The first tap on a
swing counts, others stay in the log: an answer that was seen cannot be taken back.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Any

from plantigrade.errors import shown
from plantigrade.events import Swing
from plantigrade_gateway.analysis.result import Analysis, MarkedSet
from plantigrade_gateway.coach.case import Visit
from plantigrade_gateway.coach.speedfile import check_speed
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.formats import clock
from plantigrade_gateway.people import said as words
from plantigrade_gateway.people.change import Change
from plantigrade_gateway.people.log import new_id, read_changes
from plantigrade_gateway.people.players import SESSION, Register
from plantigrade_gateway.people.profile import GIVERS, line_of, one_of
from plantigrade_gateway.people.said import (
    Said,
    anchor_ns,
    of_swing,
    said_of,
    set_key,
    standing,
    with_edits,
)
from plantigrade_gateway.people.tables import engine_for, explained, is_there
from plantigrade_gateway.record.tables import LONGEST_CLUB
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store

HOLDS = ("red flag", "pain")
"""Groups of reasons to stop; no answer is kept."""
EYE: dict[str, tuple[str, ...]] = {words.PUSH: ("good", "not good"), words.HEEL: ("up", "down")}
"""What the eye may say of a push and of the lead heel."""


def said_of_session(store: Store, session_id: str, swings: Sequence[Swing]) -> Said:
    """Return what people said of a session, from its store alone; nothing is changed.

    Raises
    ------
    StoreError
        The file refuses.
    """
    engine = engine_for(store.path)
    try:
        with explained(store.path):
            changes = read_changes(engine, SESSION, session_id) if is_there(engine) else []
    finally:
        engine.dispose()
    return said_of(changes, swings)


def read_session(store: Store, session_id: str) -> Analysis:
    """Return a session's stored results as people's word makes them; nothing is changed.

    Raises
    ------
    StoreError
        No such session, or its results were made by another version (``reanalyse``).
    """
    return with_said(store, session_id, results.read(store, session_id))


def with_said(store: Store, session_id: str, found: Analysis) -> Analysis:
    """Return a session's results with what its store says of swings left out and of sets."""
    return with_edits(found, said_of_session(store, session_id, found.swings))


def sessions_left_out(register: Register) -> dict[str, int]:
    """Return the ids of the sessions that may have swings left out, each with its changes of that.

    The same number of changes and the same results come to the same.
    """
    with register.explained():
        return register.log.counts(SESSION, f"{words.EXCLUDED}:")


class Visits:
    """What people say of the sessions of a register's store.

    Parameters
    ----------
    register : Register
        Its author is who says it.
    """

    def __init__(self, register: Register) -> None:
        self._register = register

    # What is read

    def said(self, session_id: str, swings: Sequence[Swing] | None = None) -> Said:
        """Return all that is shown of a session.

        Parameters
        ----------
        session_id : str
        swings : sequence of Swing, optional
            As they are now; read from the store where they are left out.

        Raises
        ------
        StoreError
            No such session, or its results were made by another version.
        """
        if swings is None:
            swings = results.read(self._register.store, session_id).swings
        return said_of(self.changes(session_id), swings)

    def read(self, session_id: str) -> Analysis:
        """Return a session's stored results with the swings that are left out.

        Raises
        ------
        StoreError
            As `read_session`.
        """
        return read_session(self._register.store, session_id)

    def visit(self, session_id: str) -> Visit:
        """Return a session with all that was said of it, as the coach's part reads it.

        Raises
        ------
        StoreError
            As `read_session`.
        """
        store = self._register.store
        found = results.read(store, session_id)
        said = self.said(session_id, found.swings)
        worn = said.conditions
        return Visit(
            session_id,
            store.session(session_id).started,
            with_edits(found, said),
            said.swings,
            said.questions,
            *(worn.shoe, worn.footbed, worn.is_shoe_stiff),
            calibrations_of(found),
            said.is_unchanged,
            said.hold_taken_back,
        )

    def changes(self, session_id: str) -> list[Change]:
        """Return all that was ever said of a session, in order, for who and when."""
        with self._register.explained():
            return self._register.log.changes(SESSION, session_id)

    # What is said of the visit

    def answer(self, session_id: str, by: str, hold: str = "") -> None:
        """Note what came of the questions; no answer is kept, and none lifts a hold of the visit.

        Parameters
        ----------
        session_id : str
        by : str
            Who answered: ``"player"`` or ``"guardian"``.
        hold : str
            The group of the reason to stop, one of `HOLDS`; empty: no hold.

        Raises
        ------
        InputError
            Another word.
        StoreError
            There is no such session.
        """
        if hold:
            one_of(hold, HOLDS, "hold")
        one_of(by, GIVERS, "answered by")
        self._say(session_id, {words.QUESTIONS: {"hold": hold, "by": by}})

    def hold(self, session_id: str) -> str | None:
        """Return the group of the hold that stands at a visit; empty: none; None: not asked."""
        asked = self.said(session_id, ()).questions
        return None if asked is None else asked.hold

    def take_back_hold(self, session_id: str) -> None:
        """Take back a hold that was pressed, or answered, by mistake; other answers stand.

        Raises
        ------
        InputError
            There is none.
        """
        if not (hold := self.hold(session_id)):
            raise InputError("stop: this visit was not stopped, there is nothing to take back")
        self._say(session_id, {words.TAKEN_BACK: {"hold": hold}})

    def set_conditions(self, session_id: str, **given: Any) -> None:  # noqa: ANN401 - checked here
        """Note what is worn and played: ``shoe``, ``footbed``, ``club``, ``is_shoe_stiff``.

        What is not given stays; an empty text, or None of the shoe's stiffness, takes it back.

        Raises
        ------
        InputError
            Another name, or a value that cannot be.
        StoreError
            There is no such session.
        """
        values: dict[str, Any] = {}
        for name, value in given.items():
            one_of(name, words.CONDITIONS, "condition")
            if name != "is_shoe_stiff":
                values[name] = line_of(value, name)
            elif value is None or isinstance(value, bool):
                values[name] = value
            else:
                raise InputError(f"is_shoe_stiff: {shown(value)}, expected true or false")
        self._say(session_id, values)

    def mark_unchanged(self, session_id: str, *, is_unchanged: bool = True) -> None:
        """Mark that nothing was changed in the player since the visit before, or that it was."""
        self._say(session_id, {words.UNCHANGED: is_unchanged})

    def note(self, session_id: str, t_s: float, text: str) -> str:
        """Note a line about an instant of session time; return its id.

        Raises
        ------
        InputError
            The line is empty, too long or more than one, or the instant is not in the session.
        StoreError
            There is no such session.
        """
        line = line_of(text, "note")
        if not line:
            raise InputError("note: is empty, expected a line of text")
        if not math.isfinite(t_s):
            raise InputError(f"note: its time is {t_s}, expected seconds of session time")
        longest_s = self._register.store.session(session_id).duration_s
        if t_s < 0.0 or 0.0 < longest_s < t_s:
            raise InputError(
                f"note: its time is {clock(t_s)}, expected {clock(0.0)} to {clock(longest_s)} in "
                "this session"
            )
        note_id = new_id()
        self._say(session_id, {f"{words.NOTE}:{note_id}": {"t_s": float(t_s), "text": line}})
        return note_id

    def remove_note(self, session_id: str, note_id: str) -> None:
        """Take a note back; it stays in the log.

        Raises
        ------
        InputError
            There is no such note.
        """
        if note_id not in {note.note_id for note in self.said(session_id, ()).notes}:
            raise InputError(f"note {shown(note_id)}: this session has none such")
        self._say(session_id, {f"{words.NOTE}:{note_id}": None})

    # What is said of a set

    def edit_set(
        self,
        session_id: str,
        run: MarkedSet,
        intent: str | None = None,
        club: str | None = None,
    ) -> None:
        """Say another intent or club of a set than the record does.

        Parameters
        ----------
        session_id : str
        run : MarkedSet
            As it is now.
        intent : str, optional
            ``"smooth"``, ``"full"`` or ``"fast"``; as it is if left out.
        club : str, optional
            Likewise; empty: none.

        Raises
        ------
        InputError
            Another intent, a club that is too long, or a set of no intent that is given none.
        StoreError
            There is no such session.
        """
        wanted = one_of(run.intent if intent is None else intent, words.INTENTS, "intent")
        with_club = run.club if club is None else line_of(club, "club", LONGEST_CLUB)
        field = f"{words.SET}:{set_key(run)}"
        self._say(session_id, {field: {"intent": wanted, "club": with_club}})

    def undo_set(self, session_id: str, run: MarkedSet) -> None:
        """Let a set be what the record says again.

        Raises
        ------
        InputError
            Nothing else was said of it.
        """
        if set_key(run) not in self.said(session_id, ()).sets:
            raise InputError(f"set {shown(run.name)}: is as the record says")
        self._say(session_id, {f"{words.SET}:{set_key(run)}": None})

    # What is said of a swing

    def exclude(self, session_id: str, swing: Swing, reason: str) -> None:
        """Leave a swing out of all numbers, with the reason.

        Raises
        ------
        InputError
            There is no reason, or it is no line of text.
        StoreError
            There is no such session.
        """
        line = line_of(reason, "reason")
        if not line:
            raise InputError("reason: is missing, a swing is left out for one")
        self._say(session_id, {f"{words.EXCLUDED}:{anchor_ns(swing)}": line})

    def include(self, session_id: str, swing: Swing) -> None:
        """Undo the exclusion of a swing.

        Raises
        ------
        InputError
            It is not left out.
        """
        if 0 not in self.said(session_id, (swing,)).exclusions:
            raise InputError("swing: is not left out, there is nothing to undo")
        self._undo(session_id, words.EXCLUDED, swing)

    def tap(self, session_id: str, swing: Swing, what: str, answer: str, *, is_blind: bool) -> None:
        """Note what the coach's eye says of a swing.

        Parameters
        ----------
        session_id : str
        swing : Swing
        what, answer : str
            ``"push"``, ``"good"`` or ``"not good"``; ``"heel"``, ``"up"`` or ``"down"``.
        is_blind : bool
            The program's answer was not yet shown. Where it is known that it was (`show_answer`)
            the tap is kept as one that is not.

        Raises
        ------
        InputError
            Another word.
        StoreError
            There is no such session.
        """
        one_of(answer, EYE[one_of(what, EYE, "eye")], what)
        is_seen = 0 in self.said(session_id, (swing,)).seen
        value = {"answer": answer, "is_blind": is_blind and not is_seen}
        self._say(session_id, {f"{what}:{anchor_ns(swing)}": value})

    def show_answer(self, session_id: str, swing: Swing) -> None:
        """Note that the program's answer is shown to who judges: later taps are not blind."""
        self._say(session_id, {f"{words.SEEN}:{anchor_ns(swing)}": True})

    def set_speed(self, session_id: str, swing: Swing, m_s: float | None) -> None:
        """Note a swing's club speed, m/s; None takes it back.

        Raises
        ------
        InputError
            As `check_speed`.
        StoreError
            There is no such session.
        """
        if m_s is None:
            self._undo(session_id, words.SPEED, swing)
        else:
            name = f"{words.SPEED}:{anchor_ns(swing)}"
            self._say(session_id, {name: {"m_s": check_speed(m_s)}})

    def join_speeds(
        self, session_id: str, pairs: Sequence[tuple[Swing, float]], offset_s: float | None
    ) -> str:
        """Note club speeds together, once if they come twice; return the id of the join.

        Parameters
        ----------
        session_id : str
        pairs : sequence of (Swing, float)
            Each swing with its speed, m/s.
        offset_s : float or None
            As `said.Join`; None: they were matched by order.

        Raises
        ------
        InputError
            There is none, or a speed cannot be: nothing is joined.
        StoreError
            There is no such session.
        """
        if not pairs:
            raise InputError("club speed: nothing to join")
        how = {"how": "order" if offset_s is None else "time", "offset_s": offset_s}
        speeds = {f"{words.SPEED}:{anchor_ns(swing)}": check_speed(m_s) for swing, m_s in pairs}

        def told(join_id: str) -> dict[str, Any]:
            by_swing = {name: {"m_s": m_s, "join": join_id} for name, m_s in speeds.items()}
            return {f"{words.JOIN}:{join_id}": how | {"count": len(pairs)}, **by_swing}

        stand = {change.field: change.value for change in standing(self.changes(session_id))}
        for last in self.said(session_id, ()).joins[-1:]:
            if stand | told(last.join_id) == stand:
                return last.join_id
        self._say(session_id, told(join_id := new_id()))
        return join_id

    def undo_join(self, session_id: str, join_id: str | None = None) -> int:
        """Undo a join, the last one unless one is named; return how many speeds went.

        A speed that was typed since stays; one that the join replaced is shown again.

        Raises
        ------
        InputError
            There is no such join, or it is undone already.
        """
        joins = [join.join_id for join in self.said(session_id, ()).joins]
        join_id = joins[-1] if join_id is None and joins else join_id
        if join_id not in joins:
            raise InputError("club speed: there is no such join to undo")
        last = {c.field: c.value for c in standing(self.changes(session_id))}
        self._say(session_id, {f"{words.JOIN}:{join_id}": None})
        return sum(isinstance(v, dict) and v.get("join") == join_id for v in last.values())

    def _undo(self, session_id: str, what: str, swing: Swing) -> None:
        """Take back what was said of a swing, by whatever lead peak it was named."""
        said = of_swing(self.changes(session_id), what, swing)
        names = {change.field for change in said} | {f"{what}:{anchor_ns(swing)}"}
        self._say(session_id, dict.fromkeys(sorted(names)))

    def _say(self, session_id: str, fields: Mapping[str, Any]) -> None:
        register = self._register
        register.store.session(session_id)
        with register.explained():
            register.log.say(SESSION, session_id, fields, register.author)


_CHECKED = "; check of "
"""What follows in a calibration's words is of its daily check, not of the calibration."""


def calibrations_of(analysis: Analysis) -> tuple[str, ...]:
    """Return what tells each foot's calibration from another; nothing where it is not known."""
    quality = analysis.quality
    if quality is None or quality.left.calibration is None or quality.right.calibration is None:
        return ()
    return tuple(
        f"{foot.calibration.partition(_CHECKED)[0]}, gain {foot.gain}"
        for foot in (quality.left, quality.right)
        if foot.calibration is not None
    )


def swing_of(analysis: Analysis, number: int) -> Swing:
    """Return a swing by its number in the session, from 1.

    Raises
    ------
    InputError
        There is none such.
    """
    if not 1 <= number <= len(analysis.swings):
        raise InputError(f"swing {number}: this session has {len(analysis.swings)} swings")
    return analysis.swings[number - 1]


def set_of(analysis: Analysis, number: int) -> MarkedSet:
    """Return a set by its number in the session, from 1.

    Raises
    ------
    InputError
        There is none such.
    """
    sets = analysis.sets
    if not 1 <= number <= len(sets):
        raise InputError(f"set {number}: this session has {len(sets)} sets")
    return sets[number - 1]
