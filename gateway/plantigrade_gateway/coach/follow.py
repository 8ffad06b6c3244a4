"""The measures of a player that are followed from visit to visit, and their values on one visit.

A measure's key is what it is of and what is measured, as in the names of facts:
``full.load_tempo``, ``kept.push_good``, ``lead.stand``. The sets that count are those of the facts.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache

from plantigrade.block import Foot
from plantigrade.events import Roll, Step, Swing
from plantigrade_gateway.analysis.measures import SWING_MEASURES, Measure
from plantigrade_gateway.check import steps
from plantigrade_gateway.check.verdict import standing
from plantigrade_gateway.check.walk import judge_walk, straights_of
from plantigrade_gateway.coach.case import Case, Visit
from plantigrade_gateway.coach.feet import foot_of, stands_of, wearing
from plantigrade_gateway.coach.swings import (
    FULL,
    INTENTS,
    JUDGES,
    KEPT,
    Sets,
    counted,
    first_silent,
    sets_of_visit,
    silent_sets,
)
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.rules.model import FEET, RuleSet

KEPT_IS = (
    '"Kept" is of a visit\'s first silent full set, where no drill came before it on that visit: '
    "what stays without a reminder."
)
"""To be shown wherever measures of ``kept`` are."""
KEPT_ALIKE = f'{KEPT_IS} Where "full" is of that same set alone, it is not shown twice.'
_SHARES = {
    "heel_unloaded": "lead heel unloaded",
    "heel_back": "lead heel back in time, of the unloaded",
    "trail_heel": "trail heel loaded",
    "push_from_heel": "push begun at the heel",
    "push_good": "good push",
    "push_early": "push early",
    "push_skipped": "push skipped",
    "push_held": "push held",
    "returns": "load back to trail foot",
}


@dataclass(frozen=True, slots=True)
class Followed:
    """A measure that is followed.

    Attributes
    ----------
    key, title, unit : str
    digits : int
    scale : float
        What a value is multiplied by to be in `unit`.
    is_share : bool
        A proportion: counted, never averaged.
    """

    key: str
    title: str
    unit: str
    digits: int = 2
    scale: float = 1.0
    is_share: bool = False


@dataclass(frozen=True, slots=True)
class Unit:
    """What is repeated as one: a set, the stands of one wearing, a walk.

    Attributes
    ----------
    wearing : int
        Counts the times that the shoes were put on before it on this visit.
    values : tuple of float
        Of each swing, stand or step; 1 or 0 of a proportion.
    """

    wearing: int
    values: tuple[float, ...]


def of_swing(one: Measure[Swing], which: str = "") -> Followed:
    """Return a number of swings as a measure; of the sets that `which` names."""
    key, title = _swing_key(one), one.averaged_title or one.title
    if which:
        key, title = f"{which}.{key}", f"{which}: {title}"
    return Followed(key, title, one.unit, one.digits, one.scale)


def _swing_key(one: Measure[Swing]) -> str:
    """Return a number's key; a fact may have the same name, and counts by it."""
    return f"{one.key}_share" if one.key in JUDGES else one.key


def of_share(what: str, which: str = "") -> Followed:
    """Return what is counted of swings as a measure; of the sets that `which` names."""
    key, title = what, _SHARES[what]
    if which:
        key, title = f"{which}.{key}", f"{which}: {title}"
    return Followed(key, title, "%", 0, 100.0, is_share=True)


@cache
def followed() -> dict[str, Followed]:
    """Return the measures by key."""
    found = []
    for which in (*INTENTS, KEPT):
        found += [of_share(what, which) for what in JUDGES]
        found += [of_swing(one, which) for one in SWING_MEASURES]
    for foot in FEET:
        found.append(Followed(f"{foot}.stand", f"{foot} midfoot, standing", "%", 1, 100.0))
        found.append(Followed(f"{foot}.walk", f"{foot} midfoot, walking", "% of impulse", 1, 100.0))
        found.append(Followed(f"{foot}.stance", f"{foot} stance", "s", 3))
        found.append(
            Followed(f"{foot}.through", f"{foot} roll through", "%", 0, 100.0, is_share=True)
        )
    return {one.key: one for one in found}


def find_followed(name: str) -> Followed:
    """Return a measure by its title, with or without its unit, or by its key.

    Capitals and what stands between words do not matter: ``Full load tempo`` is "full: load tempo".

    Raises
    ------
    InputError
        There is none such, or there are several: says which are near.
    """
    known: dict[str, dict[str, Followed]] = {}
    for one in followed().values():
        for said in (one.key, one.title, _with_unit(one)):
            known.setdefault(_plain(said), {})[one.key] = one
    found = known.get(_plain(name))
    if found is not None and len(found) == 1:
        return next(iter(found.values()))
    if found is not None:
        raise InputError(f"measure {name!r}: is {_either(map(_with_unit, found.values()))}")
    near = [
        one for said in get_close_matches(_plain(name), known, 3) for one in known[said].values()
    ]
    near = near or [followed()[key] for key in ("full.load_tempo", "full.push_good", "lead.stand")]
    raise InputError(
        f"measure {name!r}: is not known, did you mean {_either(one.title for one in near)}?"
    )


def _with_unit(one: Followed) -> str:
    return f"{one.title}, {one.unit}"


def _plain(name: str) -> str:
    return " ".join(_BETWEEN.split(name.casefold())).strip()


def _either(names: Iterable[str]) -> str:
    return " or ".join(f'"{name}"' for name in dict.fromkeys(names))


_BETWEEN = re.compile(r"[\s._:,]+")


def units_of(case: Case, rules: RuleSet, visit: Visit, key: str) -> list[Unit]:
    """Return a measure's values on a visit; what has none is left out."""
    which, _, what = key.partition(".")
    if which in FEET:
        found = _of_foot(visit, foot_of(case, which), what)
    elif what in JUDGES:
        found = _of_sets(visit, rules, which, lambda sets: counted(sets, what, rules))
    else:
        measure = _SWING_BY_KEY[what]
        found = _of_sets(visit, rules, which, lambda sets: measure.averaged_of(sets.swings))
    return [unit for unit in found if unit.values]


_SWING_BY_KEY: dict[str, Measure[Swing]] = {_swing_key(one): one for one in SWING_MEASURES}


def _of_sets(
    visit: Visit, rules: RuleSet, which: str, read: Callable[[Sets], Sequence[float | None]]
) -> Iterator[Unit]:
    """Give each set's values; *kept* is the first full set, where no drill came before it."""
    if which == KEPT:
        first = first_silent(visit, rules, FULL)
        drills = visit.analysis.drills
        is_kept = first is not None and all(run.start_s >= first.start_s for run in drills)
        sets = [first] if is_kept and first is not None else []
    else:
        sets = list(silent_sets(visit, rules, which).sets)
    for one in sets:
        values = read(sets_of_visit(visit, [one]))
        yield Unit(wearing(visit, one.start_s), tuple(float(v) for v in values if v is not None))


def _of_foot(visit: Visit, foot: Foot, what: str) -> Iterator[Unit]:
    if what == "stand":
        yield from _stands(visit, foot)
        return
    read = _STEPS[what]
    for trial in standing(visit.analysis, steps.WALK):
        if judge_walk(trial, visit.analysis).is_taken:
            straights = straights_of(trial, visit.analysis.steps)
            values = (read(step) for run in straights for step in run if step.foot is foot)
            yield Unit(wearing(visit, trial.start_s), tuple(v for v in values if v is not None))


def _through(step: Step) -> float:
    return 1.0 if step.roll is Roll.THROUGH else 0.0  # unclear ones stay in the count


_STEPS: dict[str, Callable[[Step], float | None]] = {
    "walk": lambda step: step.midfoot_impulse_share,
    "stance": lambda step: step.stance_s,
    "through": _through,
}


def _stands(visit: Visit, foot: Foot) -> Iterator[Unit]:
    """Give the taken stands of each wearing."""
    found: dict[int, list[float]] = {}
    for start_s, stand in stands_of(visit, steps.STAND, foot):
        assert stand.midfoot_share is not None
        found.setdefault(wearing(visit, start_s), []).append(stand.midfoot_share)
    for number, values in found.items():
        yield Unit(number, tuple(values))
