"""Facts of the feet: how each stands, walks and prints, what the footbed does, whether they differ.

Lead and trail follow from handedness. Shares are of the foot's own load.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

from plantigrade.block import Foot
from plantigrade.change import RepeatError, spread_within
from plantigrade.events import Bearing, FootStand, Roll
from plantigrade.interval import Difference, difference_of_half_width, t95
from plantigrade.reliability import proportion
from plantigrade.stand import bearing_of, bearing_over_stands, mean_half
from plantigrade.stat import stat_of
from plantigrade_gateway.check import steps
from plantigrade_gateway.check.stand import taken_stands
from plantigrade_gateway.check.verdict import standing
from plantigrade_gateway.check.walk import straight_steps
from plantigrade_gateway.coach.case import Case, Visit
from plantigrade_gateway.coach.limits import setup_of
from plantigrade_gateway.coach.reading import (
    MIXED,
    Reading,
    alike,
    in_percent,
    limit,
    too_few,
    yes_no,
)
from plantigrade_gateway.formats import plural
from plantigrade_gateway.record.settings import HANDED
from plantigrade_gateway.rules.model import RuleSet

CLEAR = ("bears", "heel_and_ball", "broad")
"""Names of a foot that say what it does."""
SHOES_OFF = (steps.LIFT, steps.FLAT)
"""Trials before which a shoe was off: a lift is asked for whenever one was (the check's table)."""
BETWEEN = "between"
_LEAST_STANDS = 3  # of a foot: with fewer, the feet are not compared


def foot_of(case: Case, role: str) -> Foot:
    """Return which foot is the lead, or the trail, one."""
    lead = HANDED[case.handedness]
    return lead if role == "lead" else lead.other


# ---- what was prompted ----


def shares(visit: Visit, step: str, foot: Foot) -> list[float | None]:
    """Return the midfoot's share in each taken stand of a step of the guided check."""
    return [stand.midfoot_share for _, stand in stands_of(visit, step, foot)]


def stands_of(visit: Visit, step: str, foot: Foot) -> list[tuple[float, FootStand]]:
    """Return when a foot stood, and how, in each taken stand of a step that tells its share."""
    found = []
    for taken in taken_stands(visit.analysis, step):
        stand = taken.left if foot is Foot.LEFT else taken.right
        if stand is not None and stand.midfoot_share is not None:
            found.append((taken.start_s, stand))
    return found


def _counted(visit: Visit, taken: int) -> str:
    """Return how many stands were taken, of how many where some were not, and in how many wearings.

    Three are asked for each time the shoes are put on.
    """
    tries = list(standing(visit.analysis, steps.STAND))
    worn = len({wearing(visit, one.start_s) for one in tries})
    said = (
        plural(taken, "stand") if taken == len(tries) else f"{taken} of {len(tries)} stands taken"
    )
    return said if worn < 2 else f"{said}, shoes put on {worn} times"


def _has(step: str) -> Callable[[Visit], bool]:
    """Return whether a visit has trials of a step, taken or not."""
    return lambda visit: any(trial.step == step for trial in visit.analysis.trials)


def _last(case: Case, has: Callable[[Visit], object]) -> Visit | None:
    """Return the last visit, in the last one's shoe and footbed, that has something."""
    return next((visit for visit in alike(case) if has(visit)), None)


def wearing(visit: Visit, t_s: float) -> int:
    """Return how often a shoe was off on a visit before a time."""
    return sum(t.step in SHOES_OFF and t.start_s < t_s for t in visit.analysis.trials)


# ---- stand ----


def spread_of_stands(case: Case) -> RepeatError | None:
    """Return the spread of one stand's midfoot share about its foot's mean of the visit.

    Over both feet and every visit in the last one's shoe and footbed.
    """
    return spread_within(list(_rows(case, steps.STAND)))


def stand(case: Case, rules: RuleSet, role: str, least: int) -> Reading:
    """Return how a foot stands in the shoe.

    A class only where every stand is in it, and with the interval of their mean too.
    """
    visit = _last(case, _has(steps.STAND))
    if visit is None or visit.analysis.quality is None:
        return Reading(None, "no prompted stand in this shoe and footbed", visit=visit)
    stands = [s for _, s in stands_of(visit, steps.STAND, foot_of(case, role))]
    error = spread_of_stands(case)
    n = len(stands)
    if n < max(least, 2) or error is None:
        return Reading(None, too_few(n, max(least, 2), "quiet stand"), n=n, visit=visit)
    setup = setup_of(rules, visit.analysis.quality)
    own = {bearing_of((s.midfoot_share or 0.0) * s.load_n, s.load_n, setup) for s in stands}
    name = bearing_over_stands(stands, setup, error)
    is_clear = own == {name} and name is not Bearing.UNCLEAR
    mean = stat_of(s.midfoot_share for s in stands).mean or 0.0
    half = mean_half(error, n)
    return Reading(
        str(name) if is_clear else BETWEEN,
        f"{100 * mean:.1f} % ({in_percent(max(mean - half, 0.0), mean + half, 1)}; "
        f"{_counted(visit, n)}, df {error.degrees})",
        n=n,
        measured=mean,
        interval=(mean - half, mean + half),
        degrees=error.degrees,
        visit=visit,
    )


def _mean_difference(
    a: list[float | None], b: list[float | None], error: RepeatError | None
) -> Difference | None:
    """Return mean of b − mean of a by the spread of stands pooled; None where either is empty."""
    stat_a, stat_b = stat_of(a), stat_of(b)
    if stat_a.mean is None or stat_b.mean is None or error is None:
        return None
    half = t95(error.degrees) * error.sem * math.hypot(stat_a.count**-0.5, stat_b.count**-0.5)
    return difference_of_half_width(stat_b.mean - stat_a.mean, half, error.degrees)


# ---- walk ----


def walk(case: Case, role: str, least: int) -> Reading:
    """Return how load travels over a foot in a prompted walk; unclear steps stay in the count."""
    visit = _last(case, _has(steps.WALK))
    if visit is None:
        return Reading(None, "no prompted walk in this shoe and footbed")
    foot = foot_of(case, role)
    rolls = [step.roll for step in straight_steps(visit.analysis) if step.foot is foot]
    n = len(rolls)
    if n < max(least, 1):
        return Reading(None, too_few(n, least, "straight step"), n=n, visit=visit)
    through, skipped = (proportion(rolls.count(r), n) for r in (Roll.THROUGH, Roll.SKIPPED))
    value = MIXED
    for name, part in (("through", through), ("skipped", skipped)):
        if part.beside_half == 1:
            value = name
    shown = skipped if value == "skipped" else through
    assert shown.low is not None and shown.high is not None
    unclear = rolls.count(Roll.UNCLEAR)
    return Reading(
        value,
        f"{shown.count} of {n} {'skipped' if shown is skipped else 'through'} "
        f"({in_percent(shown.low, shown.high)})" + (f"; {unclear} unclear" if unclear else ""),
        shown.count,
        n,
        0,
        shown.share,
        (shown.low, shown.high),
        visit=visit,
    )


# ---- print and footbed ----


def footprint(case: Case, role: str) -> Reading:
    """Return the class of a foot's barefoot print."""
    found = [one for one in case.prints if one.foot == foot_of(case, role).value]
    if not found:
        return Reading(None, "no barefoot print")
    last = found[-1]
    if last.index is None:
        return Reading(last.name, f"the print's area is {last.name}", n=len(found))
    return Reading(
        last.name,
        f"arch index {last.index.index:.2f} by area ({last.index.low:.2f} to "
        f"{last.index.high:.2f}; {plural(last.index.n, f'{last.how} print')}); no load share is "
        "to be compared with it",
        n=last.index.n,
    )


def bed(case: Case, rules: RuleSet, role: str, least: int) -> Reading:
    """Return what the shoe does to a foot's midfoot: its share there less that on the flat floor.

    It adds or takes from `bed_adds_from` on, where the difference's interval is off 0; not known
    where that much is seen and the interval holds 0.
    """
    worn = _last(case, _has(steps.STAND))
    bare = _last(case, _has(steps.FLAT))
    if worn is None or bare is None:
        return Reading(None, "no stands on the flat floor in socks beside those in the shoe")
    foot = foot_of(case, role)
    in_shoe = shares(worn, steps.STAND, foot)
    flat = shares(bare, steps.FLAT, foot)
    fewest = min(len(in_shoe), len(flat))
    if fewest < max(least, 1):
        return Reading(None, too_few(fewest, least, "quiet stand"), n=fewest, visit=worn)
    error = spread_within([*_rows(case, steps.STAND), *_rows(case, steps.FLAT)])
    found = _mean_difference(flat, in_shoe, error)
    if found is None or found.low is None or found.high is None:
        return Reading(None, "one stand has no spread", n=fewest, visit=worn)
    text = (
        f"{100 * found.value:+z.1f} % in the shoe ({100 * found.low:+z.1f} to "
        f"{100 * found.high:+z.1f} %; {len(in_shoe)} and {len(flat)} stands)"
    )
    least_share = limit(rules, "bed_adds_from")
    value: str | None = "same"
    if abs(found.value) >= least_share:
        value = None if found.holds_zero else "adds" if found.value > 0 else "takes"
        text += "; not told apart" if value is None else ""
    return Reading(
        value,
        text,
        n=fewest,
        measured=found.value,
        interval=(found.low, found.high),
        degrees=found.degrees,
        visit=worn,
    )


def _rows(case: Case, step: str) -> Iterator[list[float | None]]:
    for visit in alike(case):
        for foot in Foot:
            yield shares(visit, step, foot)


# ---- both feet ----


def differ(case: Case, rules: RuleSet, names: dict[str, str | None]) -> Reading:
    """Return whether the feet differ: by their names, or by how much their midfeet carry.

    Parameters
    ----------
    case : Case
    rules : RuleSet
    names : dict of str to str or None
        What the lead and the trail foot are called.
    """
    lead, trail = names["lead"], names["trail"]
    by_name = None
    if lead is not None and trail is not None:
        by_name = lead in CLEAR and trail in CLEAR and lead != trail
    by_share, reading = _shares_differ(case, rules)
    if by_name:
        return replace(yes_no(True, f"lead foot {lead}, trail foot {trail}"), visit=reading.visit)
    truth = by_share if by_share else None if by_name is None or by_share is None else False
    return replace(reading, value=yes_no(truth, "").value)


def _shares_differ(case: Case, rules: RuleSet) -> tuple[bool | None, Reading]:
    visit = _last(case, _has(steps.STAND))
    if visit is None:
        return None, Reading(None, "no prompted stand in this shoe and footbed")
    lead, trail = (shares(visit, steps.STAND, foot_of(case, role)) for role in ("lead", "trail"))
    fewest = min(len(lead), len(trail))
    found = _mean_difference(trail, lead, spread_of_stands(case))
    if fewest < _LEAST_STANDS or found is None or found.low is None or found.high is None:
        return None, Reading(
            None, too_few(fewest, _LEAST_STANDS, "quiet stand"), n=fewest, visit=visit
        )
    is_apart = abs(found.value) >= limit(rules, "feet_differ_from") and not found.holds_zero
    text = (
        f"lead less trail {100 * found.value:+z.1f} % ({100 * found.low:+z.1f} to "
        f"{100 * found.high:+z.1f} %; df {found.degrees:.0f})"
    )
    return is_apart, Reading(
        None,
        text,
        n=fewest,
        measured=found.value,
        interval=(found.low, found.high),
        degrees=found.degrees,
        visit=visit,
    )
