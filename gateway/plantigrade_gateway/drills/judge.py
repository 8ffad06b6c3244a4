"""Whether one repetition of a drill counts: a verdict and its reason, from one event or from rows.

Pure. A fact that is known to fail decides; else a fact that is not known leaves it unclear.
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from plantigrade.block import Column, FloatArray, Foot, PairBlock
from plantigrade.events import HeelLift, HeelLiftState, Manner, Push, Roll, Step, Swing, Timing
from plantigrade.limits import Limits
from plantigrade.load import total_load
from plantigrade.predicates import all_of, back_by, begins_by, carries_heel, is_with_shift, rolls
from plantigrade.stat import less
from plantigrade_gateway import words
from plantigrade_gateway.drills.model import (
    BalanceTarget,
    Drill,
    HeelLiftTarget,
    PushTarget,
    StayTarget,
    Target,
    TrailHeelTarget,
    WalkTarget,
    When,
)
from plantigrade_gateway.formats import percent
from plantigrade_gateway.sound.cues import CueKind
from plantigrade_gateway.sound.pitch import CopSource

SETTLE_S = 1.0
"""An attempt at balance that ends before this was only passing through the window (ours)."""
GRACE_S = 0.25
"""Outside the window for less than this does not end an attempt (ours)."""
BOTH_BW, ONE_BW = 0.15, 0.60
"""What each of two standing feet, and one standing alone, carries at least, × BW (ours)."""
LEAVE, TAKE = 0.30, 0.70
"""Of the CoP's own travel, as in a push (`Limits.push_leave`, `push_take`)."""


class Verdict(StrEnum):
    """How a repetition came out."""

    GOOD = "good"
    MISSED = "missed"
    UNCLEAR = "unclear"
    """Nobody can say: it is no repetition, and no streak ends by it."""


@dataclass(frozen=True, slots=True)
class Rep:
    """One repetition.

    Attributes
    ----------
    t_s : float
        When it was decided, session time.
    verdict : Verdict
    words : str
        What was seen.
    """

    t_s: float
    verdict: Verdict
    words: str


def judge_swing(swing: Swing, drill: Drill, rate_hz: float | None) -> Rep | None:
    """Return the verdict on a swing; None where the drill judges no swings.

    Its words hold sampling errors where the rate, samples per second, is known.
    """
    target = drill.target
    found = by_push(swing.push, target, rate_hz)
    if found is not None:
        verdict, said = found
    elif isinstance(target, HeelLiftTarget):
        verdict, said = _heel_lift(swing, target, rate_hz)
    elif isinstance(target, StayTarget):
        verdict, said = _stay(swing.heel_lift, target)
    else:
        return None
    return Rep(swing.confirmed_s, verdict, said)


def by_push(push: Push, target: Target, rate_hz: float | None = None) -> tuple[Verdict, str] | None:
    """Judge what is known once the push is; None where the drill goes by something else."""
    if isinstance(target, PushTarget):
        return judge_push(push, target, rate_hz)
    return judge_trail_heel(push, target) if isinstance(target, TrailHeelTarget) else None


def judge_push(push: Push, target: PushTarget, rate_hz: float | None) -> tuple[Verdict, str]:
    """Judge a push by how the CoP travelled."""
    said = words.push(push)
    facts = [rolls(push)]
    if target.timing is When.WITH_SHIFT:
        facts.append(is_with_shift(push))
    if all_of(*facts) is False:
        return Verdict.MISSED, said
    low, high = target.transfer_s
    transfer = push.transfer_s
    if transfer is not None:
        said = f"{said}, in {words.transfer(push, rate_hz)}"
        if not low <= transfer <= high:
            return Verdict.MISSED, f"{said}: outside {low:g} to {high:g} s"
    travel = less(push.travel_to, push.travel_from)
    if travel is not None and travel < target.travel:
        return Verdict.MISSED, f"{said}: over {100 * travel:.0f} % of the foot"
    begun = begins_by(push, target.from_)
    if begun is False:
        return Verdict.MISSED, f"{said}: begun at {percent(push.travel_from)} of the foot"
    unclear = transfer is None or all_of(*facts, begun) is None
    return Verdict.UNCLEAR if unclear else Verdict.GOOD, said


def judge_trail_heel(push: Push, target: TrailHeelTarget) -> tuple[Verdict, str]:
    """Judge how much of the trail foot's load its heel carries at the trail peak."""
    loaded = carries_heel(push, target.share, target.gain)
    at, before = push.heel_share_trail_peak, push.heel_share_address
    seen = percent(at) if at is None else _beside(at, target.share)
    said = f"trail heel {seen} of its foot's load, at address {percent(before)}"
    if loaded is None:
        return Verdict.UNCLEAR, said
    if loaded:
        return Verdict.GOOD, said
    short = []
    if at is not None and at < target.share:
        short.append(f"under {100 * target.share:g} %")
    if at is not None and before is not None and at < before + target.gain:
        gained, side = _beside(abs(at - before), target.gain), "more" if at >= before else "less"
        points = gained.removesuffix("%").strip()  # of the foot's load
        short.append(f"{points} points {side} than at address, not {100 * target.gain:g} more")
    return Verdict.MISSED, f"{said}: {' and '.join(short)}"


def _beside(share: float, limit: float) -> str:
    """Return a share as percent with as many digits as tell it from a limit that it is not at."""
    digits = (d for d in range(3) if percent(share, d) != percent(limit, d) or share == limit)
    return percent(share, next(digits, 3))


def missed_sound(push: Push, target: PushTarget) -> CueKind:
    """Return the sound of the way in which a push missed its target."""
    early = target.timing is When.WITH_SHIFT and push.timing is Timing.EARLY
    if push.manner is Manner.SKIPPED:
        return CueKind.SKIPPED_EARLY if early else CueKind.SKIPPED
    if push.manner is Manner.HELD:
        return CueKind.HELD
    if push.manner is Manner.ROLLED and early:
        return CueKind.EARLY
    return CueKind.MISSED  # rolled, but not as the target wants it; or early, in no known manner


def _heel_lift(swing: Swing, target: HeelLiftTarget, rate_hz: float | None) -> tuple[Verdict, str]:
    lift = swing.heel_lift
    said = f"lead heel {words.heel_lift(lift)}"
    if lift.state is HeelLiftState.UNCLEAR:
        return Verdict.UNCLEAR, said
    if lift.state is HeelLiftState.DOWN:
        return Verdict.MISSED, said
    after = lift.return_after_level_s
    is_back = back_by(lift, target.return_by_s, touches_gap=swing.touches_gap)
    if lift.duration_s is None or after is None:
        if is_back is False:
            return Verdict.MISSED, f"{said}, not back"
        return Verdict.UNCLEAR, f"{said}, return unclear"
    low, high = target.lifted_s
    if not low <= lift.duration_s <= high:
        return Verdict.MISSED, f"{said}: outside {low:g} to {high:g} s"
    side = "after" if after > 0 else "before"
    back = words.between(abs(after), rate_hz)
    said = f"{said}, back {back} {side} the address level"
    return (Verdict.GOOD if is_back else Verdict.MISSED), said


def _stay(lift: HeelLift, target: StayTarget) -> tuple[Verdict, str]:
    said = f"lead heel {words.heel_lift(lift)}"
    if lift.state is HeelLiftState.LIFTED:
        return Verdict.MISSED, said
    lowest = lift.lowest_load_bw
    if lowest is not None and lowest < target.heel_bw:
        return Verdict.MISSED, f"{said}, lowest load {100 * lowest:.0f} % of body weight"
    return (Verdict.GOOD if lift.state is HeelLiftState.DOWN else Verdict.UNCLEAR), said


def judge_step(step: Step, target: WalkTarget, bears: bool) -> Rep:
    """Judge a step: by its roll where the foot bears on its midfoot, else by its CoP alone."""
    if bears:
        verdict = {Roll.THROUGH: Verdict.GOOD, Roll.SKIPPED: Verdict.MISSED}.get(
            step.roll, Verdict.UNCLEAR
        )
        return Rep(step.confirmed_s, verdict, f"{step.foot} foot, roll {step.roll}")
    found = transfer_of(step.cop_y)
    if found is None:
        return Rep(step.confirmed_s, Verdict.UNCLEAR, f"{step.foot} foot, path unclear")
    travel, transfer_pct = found
    good = travel >= target.travel and transfer_pct >= target.transfer_pct
    said = (
        f"{step.foot} foot, path over {100 * travel:.0f} % of the foot, the middle of it in "
        f"{transfer_pct:.0f} % of stance"
    )
    return Rep(step.confirmed_s, Verdict.GOOD if good else Verdict.MISSED, said)


def transfer_of(cop_y: tuple[float | None, ...]) -> tuple[float, float] | None:
    """Return how far a step's CoP travels, and how long the middle of the travel takes.

    Parameters
    ----------
    cop_y : tuple of float or None
        At 5, 10 … 95 % of stance (`plantigrade.events.Step.cop_y`).

    Returns
    -------
    (travel, transfer_pct) or None
        Fraction of the foot's length, and % of stance between 30 and 70 % of the travel, taken for
        good; None where a point is not known between the travel's ends.
    """
    pct = np.arange(5.0, 100.0, 5.0)
    y = np.array([np.nan if v is None else v for v in cop_y])
    known = ~np.isnan(y)
    if np.count_nonzero(known) < 4:
        return None
    first, last = np.flatnonzero(known)[[0, -1]]
    y, pct = y[first : last + 1], pct[first : last + 1]
    if np.isnan(y).any():
        return None
    front = int(np.argmax(y - np.minimum.accumulate(y)))
    rear = int(np.argmin(y[: front + 1]))
    travel = float(y[front] - y[rear])
    if travel <= 0.0:
        return 0.0, 0.0
    take = _last_crossing(pct, y, y[rear] + TAKE * travel, front)
    leave = _last_crossing(pct, y, y[rear] + LEAVE * travel, front, take)
    return travel, take - leave


def _last_crossing(
    pct: FloatArray, y: FloatArray, level: float, front: int, before: float = np.inf
) -> float:
    """Return where y last rises through a level by its front, interpolated."""
    below = np.flatnonzero((y[:front] < level) & (pct[:front] < before))
    k = int(below[-1])
    return float(pct[k] + (level - y[k]) / (y[k + 1] - y[k]) * (pct[k + 1] - pct[k]))


class Balance:
    """Watches rows for attempts at balance: a function of the rows alone, however cut.

    Parameters
    ----------
    target : BalanceTarget

    Attributes
    ----------
    holding : bool
        An attempt is under way.
    """

    def __init__(self, target: BalanceTarget) -> None:
        self._target = target
        self._since: float | None = None
        self._last_in = 0.0
        self._gap = False
        self._done = False

    @property
    def holding(self) -> bool:
        """Whether an attempt is under way, or was held and goes on."""
        return self._since is not None

    def row(self, t_s: float, inside: bool | None) -> Rep | None:
        """Take the next row: whether it lies in the window, None where samples are missing."""
        if inside:
            if self._since is None:
                self._since, self._done = t_s, False
            self._last_in, self._gap = t_s, False
            if not self._done and t_s - self._since >= self._target.hold_s:
                self._done = True
                return Rep(t_s, Verdict.GOOD, f"held {self._target.hold_s:g} s")
            return None
        if self._since is None:
            return None
        self._gap |= inside is None
        if t_s - self._last_in <= GRACE_S:
            return None
        held_s, done = self._last_in - self._since, self._done
        self._since = None
        if done or held_s < SETTLE_S:
            return None
        said = f"held {held_s:.1f} of {self._target.hold_s:g} s"
        if self._gap:
            return Rep(t_s, Verdict.UNCLEAR, f"{said}, then samples are missing")
        return Rep(t_s, Verdict.MISSED, said)


def in_window(
    block: PairBlock, target: BalanceTarget, lead: Foot, bw_n: float, limits: Limits
) -> list[bool | None]:
    """Return for each row whether the standing feet's CoP lies in the window; None: missing."""
    of = {CopSource.LEAD: (lead,), CopSource.TRAIL: (lead.other,)}.get(
        target.stance, (lead, lead.other)
    )
    inside = np.ones(len(block), dtype=bool)
    missing = np.zeros(len(block), dtype=bool)
    for foot in Foot:
        values = block.foot(foot)
        load = total_load(values)
        missing |= np.isnan(load)
        with np.errstate(invalid="ignore", divide="ignore"):
            if foot not in of:
                inside &= load < max(limits.contact_n, limits.contact_bw * bw_n)
                continue
            inside &= load >= (BOTH_BW if len(of) == 2 else ONE_BW) * bw_n
            for column, (low, high) in (
                (Column.MOMENT_Y, target.y),
                (Column.MOMENT_X, target.x),
            ):
                at = np.clip(values[:, column] / load, 0.0, 1.0)
                inside &= (at >= low) & (at <= high)
    return [None if gone else bool(good) for gone, good in zip(missing, inside, strict=True)]
