"""Which limits a case is judged by: a session's own, else the rule file's; and their sources."""

import dataclasses
from dataclasses import dataclass

import numpy as np

from plantigrade.block import Foot
from plantigrade.errors import SignalError
from plantigrade.limits import LIMITS, Limits, Setup
from plantigrade_gateway.analysis.quality import Quality
from plantigrade_gateway.coach.reading import limit
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.rules.files import built_in
from plantigrade_gateway.rules.model import RuleSet
from plantigrade_gateway.words import fact

NAMES = {
    "bearing_none": "stand_none_below",
    "bearing_full": "stand_bearing_from",
    "bearing_broad": "stand_broad_from",
    "push_begins_by": "push_begins_by",
    "trail_heel_from": "trail_heel_from",
    "trail_heel_gain": "trail_heel_gain",
    "heel_back_by_s": "heel_back_by_s",
}
"""The rule file's names of limits of the analysis."""

SPANS = {NAMES[info.name]: info.span for info in LIMITS if info.name in NAMES} | {
    "feet_differ_from": (0.0, 1.0),
    "bed_adds_from": (0.0, 1.0),
    "least_swings": (1.0, 1000.0),
    "least_steps": (1.0, 1000.0),
    "missing_at_most": (0.0, 1.0),
    "travel_margin": (0.0, 1.0),
    "ai_high_at_most": (0.0, 1.0),
    "ai_low_from": (0.0, 1.0),
}
"""What each limit of a rule file may be, ends included: a fraction is no percentage."""

_IN_ORDER = (
    ("stand_none_below", "stand_bearing_from"),
    ("stand_bearing_from", "stand_broad_from"),
    ("ai_high_at_most", "ai_low_from"),
)
"""Limits of which the first is less than the second."""

SOURCES = {
    "stand_none_below": "midfoot share of the foot's load; ours, per layout and footbed",
    "stand_bearing_from": "ours; the published standing mean near .08 is from memory",
    "stand_broad_from": "ours, no source: the flat end",
    "feet_differ_from": "difference of the two feet's midfoot share; ours",
    "bed_adds_from": "in the shoe more than on the flat floor; ours",
    "trail_heel_from": "heel's share of the trail foot's load at the trail peak; common practice, "
    "no source",
    "trail_heel_gain": "so much more than that share at address; ours",
    "push_begins_by": "rearmost CoP of the push, of the foot's length; ours",
    "heel_back_by_s": "s after the lead share regains its address level; ours",
    "least_swings": "per set; ours",
    "least_steps": "a foot; Arts & Bus 2011, Clin Biomech 26:880-884 (abstract read)",
    "missing_at_most": "of a set's samples; ours",
    "travel_margin": "in shoe lengths: more travel than this matters; ours",
    "ai_high_at_most": "area of a barefoot print only: Cavanagh & Rodgers 1987, J Biomech "
    "20:547-551",
    "ai_low_from": "area of a barefoot print only: Cavanagh & Rodgers 1987, J Biomech 20:547-551",
}
"""Where the built-in rule file says that its limits come from."""

WORDS = {
    "stand_none_below": ("midfoot bears nothing under", 100.0, " % of the foot's load"),
    "stand_bearing_from": ("midfoot bears from", 100.0, " % of the foot's load"),
    "stand_broad_from": ("midfoot bears broadly from", 100.0, " % of the foot's load"),
    "feet_differ_from": ("the two feet differ from", 100.0, " points of midfoot share"),
    "bed_adds_from": ("the footbed adds from", 100.0, " points of midfoot share"),
    "trail_heel_from": ("the trail heel is loaded from", 100.0, " % of its foot's load"),
    "trail_heel_gain": ("and more than at address by", 100.0, " points of heel share"),
    "push_begins_by": ("the push begins at or behind", 100.0, " % of the foot's length"),
    "heel_back_by_s": ("the lead heel is back within", 1.0, " s"),
    "least_swings": ("at least", 1.0, " swings"),
    "least_steps": ("at least", 1.0, " steps"),
    "missing_at_most": ("missing at most", 100.0, " % of the samples"),
    "travel_margin": ("more travel matters from", 100.0, " % of the shoe's length"),
    "ai_high_at_most": ("arch index of a high arch, at most", 1.0, ""),
    "ai_low_from": ("arch index of a low arch, from", 1.0, ""),
}
"""How people read a limit: in words, what its value is multiplied by, and the unit behind it."""


@dataclass(frozen=True, slots=True)
class LimitShown:
    """A limit that a sheet was made by.

    Attributes
    ----------
    name : str
        As the rule file calls it.
    value : float
    source : str
        Where the number comes from.
    """

    name: str
    value: float
    source: str

    @property
    def text(self) -> str:
        """The limit in words, with its unit; one that only a rule file knows by its name."""
        said, scale, unit = WORDS.get(self.name, (fact(self.name), 1.0, ""))
        return f"{said} {scale * self.value:g}{unit}"


def check_limits(rules: RuleSet) -> None:
    """Refuse limits that no measure can be decided by.

    Raises
    ------
    InputError
        One is out of its range, or not less than the one that it stands before: one sentence.
    """
    for name, (low, high) in SPANS.items():
        value = limit(rules, name)
        if not low <= value <= high:  # NaN is outside too
            raise InputError(f"rules: limits.{name} is {value:g}, expected {low:g} to {high:g}")
    for lower, upper in _IN_ORDER:
        value, most = limit(rules, lower), limit(rules, upper)
        if not value < most:
            raise InputError(
                f"rules: limits.{lower} is {value:g}, expected less than {upper}, which is {most:g}"
            )


def limits_shown(rules: RuleSet, quality: Quality | None) -> tuple[LimitShown, ...]:
    """Return the limits that a sheet of this visit is made by, in the rule file's order."""
    here = {} if quality is None else quality.limits.changed()
    set_here = {there: here[name] for name, there in NAMES.items() if name in here}
    first = built_in().limits
    shown = []
    for name in {**first, **rules.limits}:
        if name in set_here:
            shown.append(LimitShown(name, set_here[name], "this session's settings"))
            continue
        value = limit(rules, name)
        own = value != first.get(name)
        shown.append(LimitShown(name, value, "set in the rule file" if own else SOURCES[name]))
    return tuple(shown)


def limits_of(rules: RuleSet, quality: Quality | None) -> Limits:
    """Return the limits that decide what a session's stands and swings are called.

    The rule file's are the defaults; those that the session was set to stand above them.

    Raises
    ------
    InputError
        They cannot be used together.
    """
    own = Limits() if quality is None else quality.limits
    set_here = own.changed()
    given = {name: limit(rules, there) for name, there in NAMES.items() if name not in set_here}
    try:
        return dataclasses.replace(own, **given)
    except SignalError as error:
        raise InputError(f"rules {rules.name} {rules.version}: {error}") from error


def setup_of(rules: RuleSet, quality: Quality) -> Setup:
    """Return the set-up that a session's stands are named by."""
    return Setup(
        rate_hz=100.0,  # neither rate nor size decides anything of a stand's name
        bw_n=quality.body_weight_n,
        lead=Foot(quality.lead),
        length_mm=1.0,
        width_mm=1.0,
        floor_n=np.array(quality.floor_n, dtype=np.float64),
        limits=limits_of(rules, quality),
    )
