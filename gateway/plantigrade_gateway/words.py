"""Results in the words and numbers that people read."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from plantigrade.block import Foot
from plantigrade.calibrate import DEFAULT_NOTE, Calibration
from plantigrade.events import (
    HeelLift,
    HeelLiftState,
    Manner,
    PhaseKind,
    Push,
    Stand,
    Step,
    Swing,
    Timing,
)
from plantigrade.limits import G_M_S2, LIMITS, Limits
from plantigrade.sampling import least_transfer_s, tempo_error, time_error_s
from plantigrade_gateway.formats import NONE, number, percent

if TYPE_CHECKING:
    from plantigrade.halves import Halves
    from plantigrade.interval import Difference
    from plantigrade.reliability import Proportion
    from plantigrade.stat import Stat

NEVER_CALIBRATED = "never calibrated"
"""Said of an insole without a calibration, wherever its newtons or × BW are shown."""

TRAINING_AID = "A training aid, not a medical device or diagnosis."
DESCRIBES = (
    "These measures describe; the coach judges. No published normal exists for heel lift, push "
    "timing or foot type against swing."
)
CAUTIONS = (
    "A training aid, not a medical device or diagnosis. Stop on pain. With numbness, wounds, "
    "swelling, a hot or discoloured foot, sudden weakness, or diabetes with a foot complaint: no "
    "drill, see a licensed clinician.",
    "Clear the swing space. Keep the sound low: the program cannot know how loud it is at the ear. "
    "Never wear an insole while it charges.",
)

PRINT_CAUTIONS = (
    "Stand on a floor that does not slip, with something to hold on to.",
    "Water, or ink made for skin. No print with open wounds, or feet that feel numb.",
    "It describes a print and is no diagnosis.",
)
"""Said wherever somebody is about to make a footprint."""

_TIMING = {
    Timing.EARLY: "early",
    Timing.WITH_SHIFT: "with shift",
    Timing.UNCLEAR: "timing unclear",
}
_MANNER = {
    Manner.ROLLED: "rolled",
    Manner.SKIPPED: "skipped",
    Manner.HELD: "held",
    Manner.UNCLEAR: "unclear",
}

HEEL = {
    HeelLiftState.LIFTED: "unloaded",
    HeelLiftState.DOWN: "loaded",
    HeelLiftState.UNCLEAR: "unclear",
}
"""The lead heel over a swing: *loaded* never left its load, *unloaded* did. "Lifted" is for what an
eye has confirmed: a heel that lies on the ground without load reads the same to an insole."""

PHASES = {
    PhaseKind.BACKSWING: "backswing",
    PhaseKind.HEEL_LIFTED: "lead heel unloaded",
    PhaseKind.HEEL_RETURNED: "lead heel returned",
    PhaseKind.SHIFT: "shift",
}
"""What is said of a swing's provisional phases."""


def spread(stat: "Stat", digits: int = 2, scale: float = 1.0) -> str:
    """Return mean ± SD and the count in brackets: ``0.66 ± 0.02 (104)``."""
    if stat.mean is None:
        return NONE
    sd = "" if stat.sd is None else f" ± {scale * stat.sd:z.{digits}f}"
    return f"{scale * stat.mean:z.{digits}f}{sd} ({stat.count})"


def halves(found: "Halves", digits: int = 2, scale: float = 1.0) -> str:
    """Return how much more the second half is, ± half its 95 % interval: ``+0.12 ± 0.30``."""
    more = found.difference
    if more is None:
        return NONE
    half = "" if more.high is None else f" ± {scale * (more.high - more.value):z.{digits}f}"
    return f"{scale * more.value:+z.{digits}f}{half}"


def decision(answer: str, plan: str, day: str, cue: str) -> str:
    """Return what was decided, as the pages call it, its day, and the words for the player."""
    said = ", ".join(part for part in (answer, plan, day) if part)
    return f"{said}: {cue}" if cue else said


def proportion(part: "Proportion") -> str:
    """Return a count with its interval: ``7 of 11 (35–85)``, %."""
    if part.low is None or part.high is None:
        return NONE
    return f"{part.count} of {part.n} ({100 * part.low:.0f}–{100 * part.high:.0f})"


def difference(found: "Difference | None", digits: int = 2, scale: float = 1.0) -> str:
    """Return a difference with its 95 % interval: ``+0.05 (-0.01 to +0.11)``."""
    if found is None:
        return NONE

    def signed(value: float) -> str:
        return f"{scale * value:+z.{digits}f}"

    if found.low is None or found.high is None:
        return signed(found.value)
    return f"{signed(found.value)} ({signed(found.low)} to {signed(found.high)})"


def fact(text: str) -> str:
    """Return a text with facts in people's words: ``full.push_good`` is "good push at full"."""
    return _FACT.sub(_said_of, text).replace("_", " ")


def _said_of(name: re.Match[str]) -> str:
    which, what = name[1], name[2]
    if name[0] in _FACTS:
        return _FACTS[name[0]]
    if what == "travel" and which.count("_") == 1:
        return f"front-to-back travel, {which.replace('_', ' to ')}"
    if which in _WHEN and what in _COUNTED:
        return f"{_COUNTED[what]} {_WHEN[which]}"
    return f"{which} {what}"


def single(
    value: float | None,
    error: float | None,
    digits: int = 2,
    unit: str = "",
    least: float | None = None,
) -> str:
    """Return one measured number with its sampling error: ``0.09 ± 0.01 s``.

    Up to `least` only that bound is known: ``≤ 0.02 s``. An error is never shown as 0.
    """
    if value is not None and least is not None and value <= least:
        return f"≤ {least:z.{digits}f}{unit}"
    if value is None or error is None:
        return number(value, digits, unit)
    return f"{value:z.{digits}f} ± {max(error, 10.0**-digits):z.{digits}f}{unit}"


def between(seconds: float | None, rate_hz: float | None, least_s: float | None = None) -> str:
    """Return a time between two moments of one swing, with its sampling error as `single` does."""
    error = None if rate_hz is None else time_error_s(rate_hz)
    return single(seconds, error, 2, " s", least_s)


def transfer(push: Push, rate_hz: float | None) -> str:
    """Return a push's transfer with its sampling error, or the bound that sampling sets it."""
    least_s = None if rate_hz is None else least_transfer_s(rate_hz)
    return between(push.transfer_s, rate_hz, least_s)


def load_tempo(swing: Swing, rate_hz: float | None) -> str:
    """Return a swing's load tempo with its sampling error."""
    error = None if rate_hz is None else tempo_error(swing, rate_hz)
    return single(swing.load_tempo, error, 1)


def count_of(part: "Proportion") -> str:
    """Return a count: ``7 of 11``."""
    return f"{part.count} of {part.n}"


def push(push: Push) -> str:
    """Return a push's two facts in words."""
    if push.manner is Manner.UNCLEAR and push.timing is Timing.UNCLEAR:
        return "unclear"
    if push.manner is Manner.HELD and push.timing is Timing.UNCLEAR:
        return "held"  # what has not travelled has no time at which it arrives
    return f"{_MANNER[push.manner]}, {_TIMING[push.timing]}"


def heel_lift(lift: HeelLift) -> str:
    """Return what the lead heel did, as an insole sees it: load, not height."""
    said = HEEL[lift.state]
    lifted = lift.state is HeelLiftState.LIFTED and lift.duration_s is not None
    return f"{said} {lift.duration_s:.1f} s" if lifted else said


def decided_by(limits: Limits, heel_n: float) -> dict[str, str]:
    """Return what each class is decided by, for people.

    Parameters
    ----------
    limits : Limits
    heel_n : float
        The load under which the lead heel is unloaded (`plantigrade.limits.Setup.heel_lift_n`), N.

    Returns
    -------
    dict of str to str
        By what is decided: "bearing", "roll", "lead heel" and "push"; "set" where a limit is not
        its default.
    """
    said = {
        "bearing": (
            f"by the midfoot's share of the foot's load: none under {_of(limits.bearing_none)}, "
            f"slight under {_of(limits.bearing_full)}, bearing under {_of(limits.bearing_broad)}, "
            "else broad; unclear where twice the midfoot's floor more is another class; moved: CoP "
            f"sways by over {limits.stand_quiet_mm:g} mm RMS"
        ),
        "roll": (
            f"through: midfoot impulse {_of(limits.roll_through)} or more and centres in order; "
            f"skipped: under {_of(limits.roll_skipped)}"
        ),
        "lead heel": (
            f"unloaded: under {heel_n:.0f} N ({_of(limits.heel_lift_bw)} of body weight or twice "
            f"its floor) for {1000 * limits.heel_lift_s:g} ms, while the foot carries "
            f"{_of(limits.heel_lift_foot_bw)} of body weight, {_of(limits.heel_lift_front)} of it "
            f"on forefoot and toes; back in time: by {limits.heel_back_by_s:g} s after the lead "
            "share regains its address level"
        ),
        "push": (
            f"rolled: transfer {limits.push_rolled:g} or more of shift to lead peak, else skipped; "
            f"held: CoP travels under {limits.push_travel:g} of the foot's length; good: rolled "
            f"with the shift, begun at or behind {limits.push_begins_by:g}; trail heel loaded: "
            f"{_of(limits.trail_heel_from)} of its foot's load at the trail peak, and "
            f"{100 * limits.trail_heel_gain:.4g} points more than at address"
        ),
    }
    changed = limits.changed()
    defaults = {limit.name: f"{limit.default:g} {limit.unit}" for limit in LIMITS}
    if changed:
        said["set"] = "; ".join(
            f"{name} {value:g} in place of {defaults[name]}" for name, value in changed.items()
        )
    return said


def _of(share: float) -> str:
    return f"{100 * share:.4g} %"


def step(event: Step) -> str:
    """Return a step in words."""
    flag = ", touches a gap" if event.touches_gap else ""
    stance = number(event.stance_s, 2, " s")
    return f"{event.foot} foot, stance {stance}, roll {event.roll}{flag}"


def calibration(used: Calibration) -> str:
    """Return when and how well an insole was calibrated."""
    return NEVER_CALIBRATED if used.note == DEFAULT_NOTE else used.note


@dataclass(frozen=True, slots=True)
class CalibrationDays:
    """What is said of an insole's calibration, as days (UTC).

    Attributes
    ----------
    calibrated, checked : date or None
    has_passed : bool
        The last check found nothing to warn of.
    """

    calibrated: date | None = None
    checked: date | None = None
    has_passed: bool = False


_FACT = re.compile(r"\b([a-z_]+)\.([a-z_]+)")
_FACTS = {
    "flag.red": "red flag",
    "flag.pain_today": "pain today",
    "player.minor": "the player is a minor",
    "coach.body_limit": "limit in hips, trunk, ankles or balance",
    "coach.eye_heel": "lead heel by the coach's eye",
    "shoe.stiff": "stiff shoe",
    "data.good": "measurement good enough",
    "lead.stand": "lead foot when standing",
    "trail.stand": "trail foot when standing",
    "lead.walk": "lead foot when walking",
    "trail.walk": "trail foot when walking",
    "lead.print": "print of the lead foot",
    "trail.print": "print of the trail foot",
    "lead.bed": "footbed under the lead foot",
    "trail.bed": "footbed under the trail foot",
    "feet.differ": "the two feet differ",
    "plan.lead_heel": "lead heel as decided",
}
"""A fact of a rule file in a coach's words; what is counted in swings is put together of two."""
_COUNTED = {
    "heel_unloaded": "lead heel unloaded",
    "heel_back": "lead heel back in time",
    "trail_heel": "trail heel loaded",
    "push_from_heel": "push from the heel",
    "push_good": "good push",
    "push_early": "push early",
    "push_skipped": "push skipped",
    "push_held": "push held",
    "returns": "return to the trail foot",
}
_WHEN = {
    "smooth": "at smooth",
    "full": "at full",
    "fast": "at fast",
    "again": "at the visit's end",
    "kept": "on another day",
}
_CALIBRATED = re.compile(r"calibrated (\d{4}-\d\d-\d\d)")
_CHECKED = re.compile(r"check of (\d{4}-\d\d-\d\d) (passed|warned)")


def calibration_days(said: str) -> CalibrationDays:
    """Read the days in what is said of a calibration (`plantigrade_gateway.store.calibrations`)."""
    made, check = _CALIBRATED.match(said), _CHECKED.search(said)
    return CalibrationDays(
        None if made is None else date.fromisoformat(made[1]),
        None if check is None else date.fromisoformat(check[1]),
        check is not None and check[2] == "passed",
    )


def uncalibrated(said: Mapping[Foot, str | None]) -> str:
    """Return which feet were never calibrated, of what is said of each; none: an empty text."""
    feet = [str(foot) for foot in Foot if said.get(foot) == NEVER_CALIBRATED]
    if len(feet) == len(Foot):
        return NEVER_CALIBRATED
    return f"{feet[0]} {NEVER_CALIBRATED}" if feet else ""


def stand(event: Stand) -> str:
    """Return a stand in words."""
    return (
        f"{event.end_s - event.start_s:.0f} s, left {percent(event.left_share)} of load; "
        f"midfoot share left {percent(event.left.midfoot_share)} ({event.left.bearing}), "
        f"right {percent(event.right.midfoot_share)} ({event.right.bearing})"
    )


def swing(event: Swing, rate_hz: float | None = None) -> str:
    """Return a swing in words; with sampling errors where the rate is known."""
    parts = [
        push(event.push),
        f"lead heel {heel_lift(event.heel_lift)}",
        f"load tempo {load_tempo(event, rate_hz)}",
    ]
    if event.touches_gap:
        parts.append("touches a gap")
    return "; ".join(parts)


def wrong_hand(recorded: str, registered: str, name: str) -> str:
    """Say that a recording was made for the other hand than its player's; empty where it was not.

    Which foot leads follows from the hand: swings are read by the recording's, feet named by the
    player's. So nothing is said of the player by such swings (`coach.case.Visit.is_other_hand`).
    """
    if recorded == registered:
        return ""
    return (
        f"The recording is of a {recorded}-handed player, {name} is registered as "
        f"{registered}-handed: the recording keeps its own lead foot, and its swings count on no "
        "sheet, comparison or page of the player."
    )


def other_mass(carried_n: float, mass_kg: float, name: str) -> str:
    """Say that a recording's load is not that of its player."""
    return (
        f"The insoles carried about {carried_n:.0f} N, and {name} is registered with {mass_kg:g} "
        f"kg, {mass_kg * G_M_S2:.0f} N: see whether the recording is another player's, or the "
        "mass is to be put right."
    )


def hand_changed(recorded: str, registered: str) -> str:
    """Say that a player's hand was put right while a session goes on by the one of before."""
    return (
        f"The player is registered as {registered}-handed now, and this session goes on as of a "
        f"{recorded}-handed one: its swings count on no sheet, comparison or page of the player. "
        "End it and begin a new one: Stop, then Record."
    )


def decided_elsewhere(topics: Sequence[str]) -> str:
    """Say of which topics the decision was made on another player's visit; empty without any."""
    if not topics:
        return ""
    return (
        f"Decided on the sheet of a visit that is another player's now: {', '.join(topics)}. "
        "Look at this player's own sheet, and decide again or take it back."
    )
