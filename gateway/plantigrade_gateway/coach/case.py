"""All that is known of one player when something is to be decided: visits, and what people said.

Nothing is worked out here and nothing is read: `people` puts a case together, the other modules of
this room read it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime

from plantigrade.footprint import ArchIndex
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.formats import moment


@dataclass(frozen=True, slots=True)
class Questions:
    """What came of a visit's questions about pain and red flags; no answer is kept.

    Attributes
    ----------
    hold : str
        ``""``: no hold; ``"red flag"`` or ``"pain"``: stopped for a reason of that group.
    by : str
        Who answered: ``"player"`` or ``"guardian"``.
    when : datetime
        UTC.
    """

    hold: str
    by: str
    when: datetime


@dataclass(frozen=True, slots=True)
class HoldTakenBack:
    """A hold that was pressed, or answered, by mistake.

    Attributes
    ----------
    hold : str
        Its group.
    by : str
        Who took it back.
    when : datetime
    """

    hold: str
    by: str
    when: datetime

    @property
    def text(self) -> str:
        """What is shown of it: what was said, that it is taken back, by whom and when."""
        return f"stopped: {self.hold}, taken back as a mistake ({self.by}, {moment(self.when)})"


@dataclass(frozen=True, slots=True)
class Tap:
    """What the coach's own eye said of a swing.

    Attributes
    ----------
    answer : str
        ``"good"`` or ``"not good"`` of a push; ``"up"`` or ``"down"`` of the lead heel.
    is_blind : bool
        It was given before the program's answer was shown.
    """

    answer: str
    is_blind: bool


@dataclass(frozen=True, slots=True)
class SwingNote:
    """What people said of one swing.

    Attributes
    ----------
    excluded : str
        Why it is left out everywhere; empty: it is not.
    eye_push, eye_heel : Tap or None
        The first tap of each kind.
    club_speed_m_s : float or None
    """

    excluded: str = ""
    eye_push: Tap | None = None
    eye_heel: Tap | None = None
    club_speed_m_s: float | None = None


NO_NOTE = SwingNote()


@dataclass(frozen=True, slots=True)
class Visit:
    """One session of a player.

    Attributes
    ----------
    session_id : str
    started : datetime
        With the offset of the place.
    analysis : Analysis
        Its results, excluded swings included; ``analysis.sets`` is without them.
    notes : dict of int to SwingNote
        By the swing's place in ``analysis.swings``; most have none.
    questions : Questions or None
        None: not asked.
    shoe, footbed : str
        Worn at this visit.
    is_shoe_stiff : bool or None
    calibrations : tuple of str
        What tells the left and the right insole's calibration from another one.
    is_unchanged : bool
        The coach marked that nothing was changed in the player since the visit before.
    hold_taken_back : HoldTakenBack or None
        The last hold of it that was a slip.
    is_other_hand : bool
        It was recorded for the other hand than the player's: its swings were read with lead and
        trail foot exchanged, so that nothing is said by them.
    """

    session_id: str
    started: datetime
    analysis: Analysis
    notes: Mapping[int, SwingNote] = field(default_factory=dict)
    questions: Questions | None = None
    shoe: str = ""
    footbed: str = ""
    is_shoe_stiff: bool | None = None
    calibrations: tuple[str, ...] = ()
    is_unchanged: bool = False
    hold_taken_back: HoldTakenBack | None = None
    is_other_hand: bool = False

    def note(self, swing: int) -> SwingNote:
        """Return what was said of a swing, by its place."""
        return self.notes.get(swing, NO_NOTE)


@dataclass(frozen=True, slots=True)
class Decided:
    """What the coach decided on a topic.

    Attributes
    ----------
    topic : str
        ``"lead heel"``, ``"push"`` or ``"speed"``.
    answer : str
        ``"go"``, ``"not yet"`` or ``"not today"``.
    plan : str
        Of the lead heel ``"up"``, ``"down"`` or ``"either"``, of the push ``"deliberate"`` or
        ``"even"``; else empty.
    cue : str
        The coach's own words for the player.
    day : date
    """

    topic: str
    answer: str
    plan: str
    cue: str
    day: date


@dataclass(frozen=True, slots=True)
class Print:
    """A barefoot print's class by its area, where one was taken.

    Attributes
    ----------
    foot : str
        ``"left"`` or ``"right"``.
    name : str
        ``"high"``, ``"middle"``, ``"low"`` or ``"between"``.
    how : str
        How it was made, where it was measured.
    index : ArchIndex or None
        Where it was measured.
    """

    foot: str
    name: str
    how: str = ""
    index: ArchIndex | None = None


@dataclass(frozen=True, slots=True)
class Case:
    """All that is known of one player.

    Attributes
    ----------
    player_id : str
    name : str
        A name or a code; for the coach's and the player's own pages only.
    handedness : str
        ``"right"`` or ``"left"``; a right-handed player's lead foot is the left one.
    is_minor : bool
    visits : tuple of Visit
        The first one first; the last is the one that is decided by.
    findings : dict of str to str
        Hips, trunk, ankles, balance: ``"no limit"``, ``"limit"`` or ``"not looked"``.
    decisions : tuple of Decided
        The last of each topic.
    prints : tuple of Print
    usual_shoe : str
        As registered; not what was worn at a visit.
    mass_kg : float or None
        As registered.
    """

    player_id: str
    name: str
    handedness: str
    is_minor: bool = False
    visits: tuple[Visit, ...] = ()
    findings: Mapping[str, str] = field(default_factory=dict)
    decisions: tuple[Decided, ...] = ()
    prints: tuple[Print, ...] = ()
    usual_shoe: str = ""
    mass_kg: float | None = None


def not_theirs(session_id: str) -> str:
    """Return what is said where a session is asked for that is none of the player's visits."""
    return f"session {session_id}: is no visit of this player"
