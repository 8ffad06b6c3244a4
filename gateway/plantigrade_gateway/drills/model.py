"""Drills as data: what is practised, what counts, and what is heard.

`files.py` makes one from a table, `run.py` runs it. No published normal exists for any
target here: all defaults are ours, and the coach adjusts them.

How often a player is told: constant feedback helps while practising and may be leant on. Sigrist
et al. 2013 (Psychon Bull Rev 20:21–53, 10.3758/s13423-012-0333-8; read in part) review what
feedback helps when; in Dyer et al. 2017 (10.1007/s00426-016-0775-0) a group trained with sound did
better at once and no better a day later. Hence a mode that fades and one that is silent.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from plantigrade.limits import Limits
from plantigrade_gateway.converter import plain
from plantigrade_gateway.sound.motifs import Motif
from plantigrade_gateway.sound.pitch import CopSource

NONE = "none"
OUTCOME = "outcome"
NO_NORMAL = (
    "No published normal exists for these targets: they are starting points of ours, for the coach "
    "to adjust."
)


class Feedback(StrEnum):
    """How often the player is told."""

    EVERY = "every"
    """After every repetition, and while it happens."""
    OTHER = "other"
    """Every other repetition, the first one included."""
    ASK = "ask"
    """Only when asked for."""
    SILENT = "silent"
    """Never; the score is kept all the same."""


class DrillKind(StrEnum):
    """What kind of drill it is: by what a repetition is judged."""

    PUSH = "push"
    """The trail foot's push in a swing."""
    HEEL_LIFT = "heel_lift"
    """The lead heel unloaded in the backswing, and back in time."""
    STAY = "stay"
    """The lead heel kept loaded in a swing."""
    BALANCE = "balance"
    """Standing still with the CoP inside a window."""
    WALK_THROUGH = "walk_through"
    """Each walking step's roll."""
    TRAIL_HEEL = "trail_heel"
    """The trail heel loaded at the trail peak of a swing."""


class When(StrEnum):
    """What timing a push must have."""

    WITH_SHIFT = "with_shift"
    ANY = "any"


FORMER_CUES = {
    "good": "good_sound",
    "missed": "missed_sound",
    "ticks": "heel_clicks",
    "echo": "replay_push",
}
"""Names of cues in drill files of 0.1.0, and in every record: what they are called now."""

Span = tuple[float, float]
ANY_S: Span = (0.0, 2.0)
"""A transfer time that asks for nothing: a push takes less than a swing."""
_LIMITS = Limits()


@dataclass(frozen=True, slots=True)
class PushTarget:
    """A push counts when it rolled, in this timing and transfer time, from so far back.

    It is judged by how the CoP travels, never by midfoot load: a foot that does not bear on its
    midfoot can learn it too.

    Attributes
    ----------
    transfer_s : (low, high)
        Heel leave → fore take, s; any unless given: that it rolled is said by the shift's length.
    timing : When
    travel : float
        Least travel of the CoP, fraction of the foot's length.
    from_ : float
        The push begins at or behind this, fraction of the foot's length; in a file `from`.
    """

    transfer_s: Span = ANY_S
    timing: When = When.WITH_SHIFT
    travel: float = 0.15
    from_: float = _LIMITS.push_begins_by

    @classmethod
    def of(cls, limits: Limits) -> "PushTarget":
        """Return the target that an analysis with these limits calls a good push."""
        return cls(travel=limits.push_travel, from_=limits.push_begins_by)

    @property
    def counts(self) -> str:
        """What counts, in one sentence."""
        when = " with the shift" if self.timing is When.WITH_SHIFT else ""
        low, high = self.transfer_s
        time = "" if self.transfer_s == ANY_S else f", heel to toe in {low:g} to {high:g} s"
        return (
            f"The trail foot's push rolls{when}{time}, over at least {100 * self.travel:g} % of "
            f"the foot, begun in its rear {100 * self.from_:g} %."
        )


@dataclass(frozen=True, slots=True)
class HeelLiftTarget:
    """A swing counts when the lead heel was unloaded so long, and back in time.

    Attributes
    ----------
    lifted_s : (low, high)
        How long the heel is unloaded, s.
    return_by_s : float
        The heel is back this long after the lead share regains its address level; negative: before
        it.
    """

    lifted_s: Span = (_LIMITS.heel_lift_s, ANY_S[1])
    return_by_s: float = _LIMITS.heel_back_by_s

    @classmethod
    def of(cls, limits: Limits) -> "HeelLiftTarget":
        """Return the target that reads the limits of an analysis."""
        return cls((limits.heel_lift_s, ANY_S[1]), limits.heel_back_by_s)

    @property
    def counts(self) -> str:
        """What counts, in one sentence."""
        low, high = self.lifted_s
        by = "by the moment"
        if self.return_by_s:
            side = "after" if self.return_by_s > 0 else "before"
            by = f"at the latest {abs(self.return_by_s):g} s {side} the moment"
        return (
            f"The lead heel is unloaded in the backswing for {low:g} to {high:g} s and back {by} "
            "the lead share regains its address level."
        )


@dataclass(frozen=True, slots=True)
class StayTarget:
    """A swing counts when the lead heel stayed loaded.

    Attributes
    ----------
    heel_bw : float
        Least load of the lead heel between start and lead peak, × BW (about).
    """

    heel_bw: float = 0.0

    @property
    def counts(self) -> str:
        """What counts, in one sentence."""
        least = f", never under {100 * self.heel_bw:g} % of body weight" if self.heel_bw else ""
        return f"The lead heel stays loaded from the start to the lead peak{least}."


@dataclass(frozen=True, slots=True)
class BalanceTarget:
    """A stand counts when the CoP stayed inside the window so long.

    Attributes
    ----------
    stance : CopSource
        Both feet, or the lead or the trail foot alone.
    y, x : (low, high)
        The window on each foot that stands: fractions of its length (0 heel) and width (0 medial).
    hold_s : float
    """

    stance: CopSource = CopSource.BOTH
    y: Span = (0.25, 0.55)
    x: Span = (0.0, 1.0)
    hold_s: float = 10.0

    @property
    def counts(self) -> str:
        """What counts, in one sentence."""
        who = {
            CopSource.BOTH: "On both feet, each",
            CopSource.LEAD: "On the lead foot alone, its",
        }.get(self.stance, "On the trail foot alone, its")
        y, x = self.y, self.x
        across = f" and {100 * x[0]:g} to {100 * x[1]:g} % of its width" if x != (0.0, 1.0) else ""
        return (
            f"{who} centre of pressure stays at {100 * y[0]:g} to {100 * y[1]:g} % of the foot's "
            f"length{across} for {self.hold_s:g} s."
        )


@dataclass(frozen=True, slots=True)
class WalkTarget:
    """A step counts when its load rolled through.

    A foot that bears on its midfoot, by the session's last stand, by the step's roll; any other by
    its CoP alone, which needs no midfoot load.

    Attributes
    ----------
    transfer_pct : float
        Least time the CoP takes from 30 to 70 % of its own travel, % of stance.
    travel : float
        Least travel of the CoP, fraction of the foot's length.
    """

    transfer_pct: float = 15.0
    travel: float = 0.30

    @property
    def counts(self) -> str:
        """What counts, in one sentence."""
        return (
            "The step rolls through; a foot that does not bear on its midfoot: its centre of "
            f"pressure travels at least {100 * self.travel:g} % of the foot, the middle of it in "
            f"at least {self.transfer_pct:g} % of stance."
        )


@dataclass(frozen=True, slots=True)
class TrailHeelTarget:
    """A swing counts when the trail heel was loaded at the trail peak.

    Attributes
    ----------
    share : float
        Least share of the trail foot's own load that its heel carries there.
    gain : float
        Least by which that is over its share at address.
    """

    share: float = _LIMITS.trail_heel_from
    gain: float = _LIMITS.trail_heel_gain

    @classmethod
    def of(cls, limits: Limits) -> "TrailHeelTarget":
        """Return the target that reads the limits of an analysis."""
        return cls(limits.trail_heel_from, limits.trail_heel_gain)

    @property
    def counts(self) -> str:
        """What counts, in one sentence."""
        more = f", {100 * self.gain:g} points more than at address" if self.gain > 0.0 else ""
        return (
            f"When the trail foot carries most, its heel carries at least {100 * self.share:g} % "
            f"of that foot's load{more}."
        )


Target = PushTarget | HeelLiftTarget | StayTarget | BalanceTarget | WalkTarget | TrailHeelTarget


@dataclass(frozen=True, slots=True)
class Cues:
    """What is heard.

    Attributes
    ----------
    good_sound, missed_sound : str
        The sound of a repetition that counts, and of one that does not: a `Motif`'s name, or
        `NONE`; `missed_sound` of a push may be `OUTCOME`: the sound of the way it failed.
    tone : CopSource
        Whose CoP's travel is heard as a continuous pitch while it makes sense.
    heel_clicks : bool
        Whether the lead heel's unloading and returning is heard as it happens.
    replay_push : bool
        Whether the push is played back as a glide before its outcome.
    """

    good_sound: str = Motif.GOOD.value
    missed_sound: str = Motif.MISSED.value
    tone: CopSource = CopSource.NONE
    heel_clicks: bool = False
    replay_push: bool = False


@dataclass(frozen=True, slots=True)
class Say:
    """What the player reads from three metres, in the player's own words.

    Attributes
    ----------
    good, missed, unclear : str
        Of a repetition that counts, of one that does not, and of one that nobody can judge.
    skipped, early, skipped_early, held : str
        Of a push that missed in this way; empty: as `missed`.
    """

    good: str = "Like that"
    missed: str = "Not yet"
    unclear: str = "Unclear"
    skipped: str = ""
    early: str = ""
    skipped_early: str = ""
    held: str = ""


@dataclass(frozen=True, slots=True)
class Drill:
    """One drill.

    Attributes
    ----------
    name : str
        Short, for commands; lower case.
    title : str
    goal : str
        One sentence for the player.
    kind : DrillKind
    target : Target
        Of that kind.
    cues : Cues
    feedback : Feedback
        Unless another is chosen.
    cautions : tuple of str
        Shown when it is chosen.
    say : Say
    """

    name: str
    title: str
    goal: str
    kind: DrillKind
    target: Target
    cues: Cues
    feedback: Feedback = Feedback.EVERY
    cautions: tuple[str, ...] = ()
    say: Say = field(default_factory=Say)

    @property
    def counts(self) -> str:
        """What counts as a good repetition, in one sentence."""
        return self.target.counts

    def table(self) -> dict[str, Any]:
        """Return the table that `files.drill_of` reads, by the names that records and JSON keep."""
        former = {name: old for old, name in FORMER_CUES.items()}
        return {
            "name": self.name,
            "title": self.title,
            "goal": self.goal,
            "judge": str(self.kind),
            "feedback": str(self.feedback),
            "cautions": list(self.cautions),
            "target": {k.rstrip("_"): v for k, v in plain(self.target).items()},
            "cues": {former.get(k, k): v for k, v in plain(self.cues).items()},
            "say": {k: v for k, v in plain(self.say).items() if v},
        }


@dataclass(frozen=True, slots=True)
class Choice:
    """A drill chosen at an instant.

    Attributes
    ----------
    drill : Drill or None
        None: no drill from here on.
    feedback : Feedback
    goes_on : bool
        Of the drill that is under way only the feedback changes: its run and its score go on.
    """

    drill: Drill | None
    feedback: Feedback
    goes_on: bool = False
