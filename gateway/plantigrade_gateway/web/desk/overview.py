"""What a session's page begins with: both feet standing and walking, drills, and the roll-over.

The roll-over is each foot's CoP from heel to toes over its stances: mean, and a band of one SD to
either side, at 5, 10, 15 … 95 % of stance.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from plantigrade.block import FloatArray, Foot
from plantigrade.events import FootStand, Roll, Step
from plantigrade.stat import stat_of
from plantigrade.summary import FootWalk, Walk, summarise_walk
from plantigrade_gateway import words
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.check.stand import taken_stands
from plantigrade_gateway.check.walk import straight_steps

WIDE_PX, HIGH_PX = 230, 120
_LEAST = 3
"""A band of fewer stances says nothing (ours)."""


@dataclass(frozen=True, slots=True)
class Row:
    """A measure of both feet, for people; ``both`` where it is not of a foot."""

    title: str
    left: str = ""
    right: str = ""
    both: str = ""


@dataclass(frozen=True, slots=True)
class RollOver:
    """A foot's mean roll-over, px.

    Attributes
    ----------
    foot : str
    steps : int
    line, band : str
        Points of the mean, and of the outline of one SD to either side.
    sd : str
        The SD in words, smallest to largest: of even steps the band is narrow, and still there.
    """

    foot: str
    steps: int
    line: str
    band: str
    sd: str


@dataclass(frozen=True, slots=True)
class Overview:
    """The beginning of a session's page; empty parts are left out."""

    rows: tuple[Row, ...]
    rolls: tuple[RollOver, ...]
    source: str


def overview(found: Analysis) -> Overview:
    """Return both feet in numbers: of a guided check where there is one, else of the session."""
    prompted = [(one.left, one.right) for one in taken_stands(found)]
    stands = prompted or [(one.left, one.right) for one in found.stands]
    checked = straight_steps(found)
    steps = checked or found.steps
    walk = summarise_walk(steps)
    rows = [*_standing([a for a, _ in stands], [b for _, b in stands]), *_walking(walk)]
    parts = {"stands": bool(prompted), "steps": bool(checked)}
    of_check = [name for name, is_so in parts.items() if is_so]
    source = f"{' and '.join(of_check)} of the guided check" if of_check else ""
    rolls = [made for foot in Foot if (made := roll_over(foot, steps)) is not None]
    return Overview(tuple(rows), tuple(rolls), source)


def roll_over(foot: Foot, steps: Sequence[Step]) -> RollOver | None:
    """Return a foot's mean roll-over; None with too few stances that are known throughout."""
    known = [s.cop_y for s in steps if s.foot is foot and s.cop_y and None not in s.cop_y]
    if len(known) < _LEAST:
        return None
    table = np.array(known, dtype=np.float64)
    mean, sd = table.mean(0), table.std(0, ddof=1)
    x = np.linspace(0.0, WIDE_PX, len(mean))
    upper, lower = _points(x, mean + sd), _points(x, mean - sd)
    return RollOver(
        str(foot),
        len(known),
        " ".join(_points(x, mean)),
        " ".join([*upper, *reversed(lower)]),
        f"{100 * sd.min():.1f} to {100 * sd.max():.1f} % of the length",
    )


def _points(x: FloatArray, y: FloatArray) -> list[str]:
    high = HIGH_PX * (1.0 - np.clip(y, 0.0, 1.0))
    return [f"{a:.1f},{b:.1f}" for a, b in zip(x, high, strict=True)]


def _standing(left: list[FootStand | None], right: list[FootStand | None]) -> list[Row]:
    if not left:
        return []
    return [Row("standing: midfoot’s share, %", _share(left), _share(right))]


def _share(stands: list[FootStand | None]) -> str:
    known = [one for one in stands if one is not None and one.midfoot_share is not None]
    names = dict.fromkeys(str(one.bearing) for one in known)
    share = words.spread(stat_of(one.midfoot_share for one in known), 1, 100.0)
    return f"{' and '.join(names)}, {share}" if known else share


def _walking(walk: Walk) -> list[Row]:
    if not walk.steps:
        return []
    left, right = walk.left, walk.right

    def of_each(title: str, found: Callable[[FootWalk], str]) -> Row:
        return Row(title, found(left), found(right))

    return [
        of_each("walking: rolls through (95 %)", lambda f: words.proportion(f.rolls[Roll.THROUGH])),
        of_each(
            "midfoot’s share of the impulse, %",
            lambda f: words.spread(f.midfoot_impulse_share, 1, 100.0),
        ),
        of_each("stance, s", lambda f: words.spread(f.stance_s)),
        of_each("stance, % of the stride", lambda f: words.spread(f.stance_pct, 0)),
        Row("cadence, steps/min", both=words.spread(walk.cadence_per_min, 0)),
        Row("double support, % of the stride", both=words.spread(walk.double_support_pct, 0)),
        Row(
            "stance left against right, % (0: even)",
            both=words.spread(walk.stance_asymmetry_pct, 0),
        ),
    ]
