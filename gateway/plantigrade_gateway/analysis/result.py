"""What is found in a recording, with how far it can be trusted: one `Analysis` for every source.

`zonecsv` makes it of a zone CSV, `record` of recorded bytes, at once or while they come.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade.baseline import BaselineState
from plantigrade.block import Foot
from plantigrade.events import (
    Event,
    Phase,
    Stand,
    Step,
    Swing,
)
from plantigrade.limits import G_M_S2, Limits, Setup
from plantigrade.predicates import is_good_push
from plantigrade.prompted import PromptedLift, PromptedStand
from plantigrade.zones import ZoneLayout, eighteen, parse_layout
from plantigrade_gateway import words
from plantigrade_gateway.analysis.quality import FootQuality, Quality
from plantigrade_gateway.drills.run import DrillResult
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.foreign import read_file
from plantigrade_gateway.formats import moment, printable
from plantigrade_gateway.record.settings import HANDED

WEIGHT_DIFFERS = 0.25
"""A mass given is not believed when the recording's load differs from it by more (ours)."""
MASS_RANGE_KG = (10.0, 300.0)


@dataclass(frozen=True, slots=True)
class Mark:
    """A note in the record, as ``set: smooth``, and its session time, s."""

    t_s: float
    text: str


@dataclass(frozen=True, slots=True)
class Exclusion:
    """Why a swing is left out of all numbers, who said so and when (UTC)."""

    reason: str
    by: str
    when: datetime

    @property
    def text(self) -> str:
        """It as people read it, in the time of their place."""
        return f"{self.reason} ({self.by}, {moment(self.when)})"


@dataclass(frozen=True, slots=True)
class SwingStrike:
    """A swing's strike, as a microphone, a mark or another instrument told it.

    Attributes
    ----------
    state : str
        ``"heard"``, ``"not_heard"`` or ``"unclear"``; a told one counts as heard.
    reason : str
        Why it is not heard or unclear; empty when heard.
    source : str
        ``"microphone"``, ``"mark"`` or ``"import"``.
    t_s, error_s : float or None
        When, and the half width of its 95 % interval, s.
    ball_s : float or None
        When the ball was heard on net, screen or wall.
    shift_s, fore_take_s, lead_peak_s : float or None
        The moment less the strike, s: negative is before it.
    moment_error_s : float or None
        Uncertainty of each of these.
    lead_share, lead_share_low, lead_share_high : float or None
        Lead share at the strike, and its bounds within the strike's uncertainty.
    """

    state: str
    reason: str
    source: str
    t_s: float | None
    error_s: float | None
    ball_s: float | None
    shift_s: float | None = None
    fore_take_s: float | None = None
    lead_peak_s: float | None = None
    moment_error_s: float | None = None
    lead_share: float | None = None
    lead_share_low: float | None = None
    lead_share_high: float | None = None


@dataclass(frozen=True, slots=True)
class Analysis:
    """What is in a recording.

    Attributes
    ----------
    source : str
        The file or session.
    rate_hz : float or None
        Rows per second of the time line; None for a record without samples.
    duration_s : float
        From the first sample (or entry) to the last.
    stands, steps, swings : tuple
        Each in the order in which they were confirmed.
    marks : tuple of Mark
    quality : Quality or None
        None for a stored session whose recording was cut off, until it is analysed again.
    drills : tuple of DrillResult
        Each run of a drill.
    trials : tuple of Trial
        Of guided checks, in order of time.
    spans : tuple of SetSpan
        Its sets without their swings, in order of time.
    excluded : dict of int to Exclusion
        By their place in `swings`, those that people left out; numbers are made of `counted` and of
        the swings of `sets`, which are without them.
    set_edits : dict of int to SetSpan
        By their place in `spans`, what people said of sets in place of what the record says.
    strikes : tuple of SwingStrike
        One for each of `swings`; empty where nothing listened and none was told.
    """

    source: str
    rate_hz: float | None
    duration_s: float
    stands: tuple[Stand, ...]
    steps: tuple[Step, ...]
    swings: tuple[Swing, ...]
    marks: tuple[Mark, ...]
    quality: Quality | None
    drills: tuple[DrillResult, ...] = ()
    trials: tuple["Trial", ...] = ()
    spans: tuple["SetSpan", ...] = ()
    excluded: Mapping[int, Exclusion] = field(default_factory=dict)
    set_edits: Mapping[int, "SetSpan"] = field(default_factory=dict)
    strikes: tuple[SwingStrike, ...] = ()

    @property
    def counted(self) -> tuple[Swing, ...]:
        """Return its swings without those that are left out: what all numbers are made of."""
        return tuple(swing for k, swing in enumerate(self.swings) if k not in self.excluded)

    @property
    def sets(self) -> tuple["MarkedSet", ...]:
        """Return its sets with the swings that count, in order of time."""
        return sets_of(self.counted, self._spans)

    @property
    def standing_sets(self) -> tuple["MarkedSet", ...]:
        """Return its sets without those that were withdrawn."""
        return tuple(run for run in self.sets if not run.is_withdrawn)

    @property
    def whole_sets(self) -> tuple["MarkedSet", ...]:
        """Return its sets with all their swings, for where a swing stands; no numbers of these."""
        return sets_of(self.swings, self._spans)

    @property
    def _spans(self) -> tuple["SetSpan", ...]:
        return tuple(self.set_edits.get(place, span) for place, span in enumerate(self.spans))


def read_layout(path: str | Path | None) -> ZoneLayout:
    """Return the layout of a file, or the built-in one for None or "eighteen".

    Raises
    ------
    InputError
        The file cannot be read.
    LayoutError
        It is no layout.
    """
    if path is None or str(path) == "eighteen":
        return eighteen()
    return parse_layout(read_file(Path(path), f"layout {path}"), str(path))


class EventCollector:
    """Gathers the results of either way."""

    def __init__(self) -> None:
        self.stands: list[Stand] = []
        self.steps: list[Step] = []
        self.swings: list[Swing] = []

    def take(self, events: Iterable[Event]) -> None:
        """Take events in the order of their confirmation."""
        for event in events:
            if isinstance(event, Step):
                self.steps.append(event)
            elif isinstance(event, Swing):
                self.swings.append(event)
            elif isinstance(event, Stand):
                self.stands.append(event)
            else:
                assert isinstance(event, Phase)  # provisional: drives sound, is no result


def check_mass(mass_kg: float | None) -> None:
    """Refuse a mass that nobody has.

    Raises
    ------
    InputError
        Outside `MASS_RANGE_KG`, or not a number.
    """
    low, high = MASS_RANGE_KG
    if mass_kg is not None and not low <= mass_kg <= high:
        raise InputError(f"mass is {mass_kg:g} kg, expected {low:g} to {high:g}")


def other_mass(quality: Quality | None, mass_kg: float | None, name: str) -> str:
    """Say where calibrated insoles carried far more or less than a player weighs; else nothing.

    Parameters
    ----------
    quality : Quality or None
        Of the recording. Newtons of insoles that nobody calibrated say nothing of a body.
    mass_kg : float or None
        As registered.
    name : str
        The player's, for people.
    """
    carried_n = None if quality is None else quality.recording_weight_n
    if quality is None or carried_n is None or mass_kg is None:
        return ""
    said = [quality.foot(foot).calibration for foot in Foot]
    if None in said or words.NEVER_CALIBRATED in said:
        return ""
    weight_n = mass_kg * G_M_S2
    if abs(carried_n - weight_n) <= WEIGHT_DIFFERS * weight_n:
        return ""
    return words.other_mass(carried_n, mass_kg, name)


def age_s(baseline: BaselineState, end_s: float) -> float | None:
    """Return how long ago a baseline last moved, s; None where it never did."""
    return None if baseline.set_s is None else max(0.0, end_s - baseline.set_s)


def quality_of(
    setup: Setup,
    layout: ZoneLayout,
    mass_kg: float | None,
    weight_from: str,
    own_n: float | None,
    feet: dict[Foot, FootQuality],
    notes: tuple[str, ...],
) -> Quality:
    """Put together what is said beside a result."""
    handed = next(name for name, lead in HANDED.items() if lead is setup.lead)
    return Quality(
        analysis_version=ANALYSIS_VERSION,
        layout=layout.name,
        zones=layout.n_zones,
        handed=handed,
        lead=setup.lead.value,
        mass_kg=mass_kg,
        body_weight_n=setup.bw_n,
        body_weight_from=weight_from,
        recording_weight_n=own_n,
        contact_n=setup.contact_n,
        heel_lift_n=setup.heel_lift_n,
        floor_n=tuple(float(f) for f in setup.floor_n),
        limits=setup.limits,
        left=feet[Foot.LEFT],
        right=feet[Foot.RIGHT],
        notes=notes,
    )


SET, CHECK = "set:", "check:"
"""What a mark begins with that begins a set or a check (and ends the set before).

A set is begun by its entry in the record, of which a mark tells; in older records by the mark.
"""
SET_END = "end of set"
"""The mark that tells of a set's end."""
CHECK_END = "end of check"
"""The mark that tells of a trial's end."""
SET_AGAIN = f"{CHECK} set again"
"""The mark that withdraws the set begun last of those that stand: it is swung again."""


@dataclass(frozen=True, slots=True)
class SetSpan:
    """A set without its swings.

    Attributes
    ----------
    name : str
        As the mark says, without "set:".
    start_s : float
        Session time of the mark.
    end_s : float
        Session time of its end; infinite where nothing ended it.
    set_id : str
        Empty in older records, as the next two.
    intent : str
        ``"smooth"``, ``"full"`` or ``"fast"``; of an older record where its name is just that.
    club : str
        Empty where none was named, too.
    is_silent : bool or None
        Whether every cue was off from its start to its end, by the record; None: not known.
    missing_share : float or None
        Of the samples due from its start to its end, the foot's that lacks more; None: not known.
    is_withdrawn : bool
        Whether a guided check withdrew it, as one to be swung again: nothing is said by it.
    """

    name: str
    start_s: float
    end_s: float = math.inf
    set_id: str = ""
    intent: str = ""
    club: str = ""
    is_silent: bool | None = None
    missing_share: float | None = None
    is_withdrawn: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkedSet(SetSpan):
    """A set with its swings.

    Attributes
    ----------
    swings : tuple of Swing
    """

    swings: tuple[Swing, ...]


@dataclass(frozen=True, slots=True)
class Trial:
    """One try at a step of a guided check, as the record tells it; it may be refused.

    Attributes
    ----------
    step : str
        ``"lift"``, ``"stand"``, ``"flat"``, ``"walk"`` or ``"practice"``; sets are no trials.
    number : int
        From 1, of its step.
    start_s, end_s : float
        Session time of the spoken start and end.
    stand : PromptedStand or None
        Of a stand: its middle, where that could be measured.
    lift : PromptedLift or None
        Of a lift: each foot held in the air.
    """

    step: str
    number: int
    start_s: float
    end_s: float
    stand: PromptedStand | None = None
    lift: PromptedLift | None = None


def set_name(mark: Mark) -> str | None:
    """Return the name of the set that a mark begins; None where it begins none."""
    text = printable(mark.text).strip()
    return text[len(SET) :].strip() or "set" if text.lower().startswith(SET) else None


def check_name(mark: Mark) -> str | None:
    """Return what a mark begins a check of, guided or by hand; None where it begins none."""
    text = printable(mark.text).strip()
    return text[len(CHECK) :].strip() if text.lower().startswith(CHECK) else None


def ends_set(mark: Mark) -> bool:
    """Return whether a mark ends the set before it and begins no other."""
    return mark.text.strip().lower() == SET_END or check_name(mark) is not None


def sets_of(swings: Sequence[Swing], spans: Iterable[SetSpan]) -> tuple[MarkedSet, ...]:
    """Sort swings into sets, by when they began; swings that lie in none belong to none.

    Parameters
    ----------
    swings : sequence of Swing
    spans : iterable of SetSpan
        In order of time.

    Returns
    -------
    tuple of MarkedSet
        In order of time; a set without swings is there too.
    """
    return tuple(
        MarkedSet(
            **asdict(span),
            swings=tuple(s for s in swings if span.start_s <= swing_time(s) < span.end_s),
        )
        for span in spans
    )


def swing_time(swing: Swing) -> float:
    """Return when a swing began, as far as known, s."""
    return swing.address_s if swing.start_s is None else swing.start_s


def is_good(swing: Swing) -> bool:
    """Whether the push is known to be a good one (`plantigrade.predicates.is_good_push`).

    By the limits it was analysed with; by the defaults where an older version kept it.
    """
    return bool(good_push(swing))


def good_push(swing: Swing) -> bool | None:
    """Whether the push is a good one, as `is_good`; None where it cannot be told."""
    push = swing.push
    return is_good_push(push, Limits()) if push.is_good is None else push.is_good
