"""A golf swing as the body loads the ground.

Both styles of Ball & Best (2007, J Sports Sci 25): about even at address, to the trail foot in the
backswing, forward by early downswing; then on with the lead foot, or back towards the trail foot.
The body drops a little at the change and pushes up against the ground in the downswing, so the lead
foot's load may exceed body weight. The numbers' ranges are those of reference list C3 where it has
any, and ours elsewhere; no published values exist for heel lift and push.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from plantigrade.block import Foot
from plantigrade.errors import SignalError
from plantigrade.events import Manner, Timing
from plantigrade.synth.motion import Body, Motion, Part, SwingNote
from plantigrade.synth.plan import Finish, Swing
from plantigrade.synth.player import Style
from plantigrade.synth.posture import add_waggles
from plantigrade.synth.shapes import Shape, draw_shape, near, skewed, time_of
from plantigrade.synth.truth import HeelHabit, NotSwing, NotSwingKind

T = TypeVar("T")

_ON_THE_WAY = 0.05
"""A move counts as begun when this part of its way is done (ours)."""


@dataclass(frozen=True, slots=True, eq=False)
class _Plan:
    """A swing with everything drawn; times in s from the segment's beginning."""

    lead: Foot
    style: Style
    finish: Finish
    heel: HeelHabit
    manner: Manner
    timing: Timing
    lead_peak_bw: float
    address_share: float
    low_share: float
    high_share: float
    address_s: float
    waggles: int
    still_s: float
    press_s: float
    back_s: float
    hold_s: float
    down_s: float
    back_shape: Shape
    shift_shape: Shape


def _choose(rng: np.random.Generator, segment: Swing, body: Body) -> _Plan:
    """Fill in what the segment leaves open."""
    player = body.player
    style = segment.style or player.style
    heel = segment.heel or _pick(rng, tuple(HeelHabit), (0.5, 0.3, 0.1, 0.1))
    back = segment.backswing_s or near(
        rng, player.backswing_s, 0.05 * player.backswing_s, 0.45, 1.4
    )
    down = segment.downswing_s or near(
        rng, back / player.tempo, 0.06 * back / player.tempo, 0.18, 0.45
    )
    if not (0.3 <= back <= 2.0 and 0.12 <= down <= 0.8):
        raise SignalError(
            f"synthetic swing: backswing {back} s and downswing {down} s, "
            "expected 0.3 to 2 s and 0.12 to 0.8 s"
        )
    hold = segment.hold_s
    if hold is None:
        hold = 0.0 if rng.random() < 0.6 else float(rng.uniform(0.03, 0.3))
    low = rng.uniform(0.09, 0.13) if heel is HeelHabit.LIGHT else rng.uniform(0.16, 0.30)
    high = rng.uniform(0.66, 0.8) if style is Style.REVERSE else rng.uniform(0.76, 0.93)
    # Quick swings push harder.
    push = 1.1 + 0.5 * np.clip((0.45 - down) / 0.27, 0.0, 1.0) * rng.uniform(0.3, 1.0)
    if style is Style.REVERSE:
        push = max(0.85, push - 0.25)
    waggles = int(rng.choice([0, 0, 1, 2, 3])) if segment.waggles is None else segment.waggles
    press = segment.press if segment.press is not None else bool(rng.random() < 0.3)
    return _Plan(
        lead=player.lead,
        style=style,
        finish=segment.finish or _pick(rng, tuple(Finish), (0.35, 0.25, 0.15, 0.15, 0.1)),
        heel=heel,
        manner=segment.manner or _pick(rng, (Manner.ROLLED, Manner.SKIPPED, Manner.HELD)),
        timing=segment.timing or _pick(rng, (Timing.EARLY, Timing.WITH_SHIFT), (0.35, 0.65)),
        lead_peak_bw=segment.lead_peak_bw or float(push),
        address_share=near(rng, 0.5, 0.03, 0.43, 0.58),
        low_share=float(low),
        high_share=float(high),
        address_s=float(rng.uniform(0.7, 1.2)),
        waggles=waggles,
        still_s=segment.address_s or float(rng.uniform(0.7, 2.5)),
        press_s=float(rng.uniform(0.25, 0.45)) if press else 0.0,
        back_s=back,
        hold_s=hold,
        down_s=down,
        back_shape=draw_shape(rng)
        if hold
        else skewed(rng.uniform(1.4, 3.0), rng.uniform(1.0, 1.8)),
        shift_shape=draw_shape(rng)
        if hold
        else skewed(rng.uniform(1.0, 1.8), rng.uniform(1.4, 2.6)),
    )


def _pick(rng: np.random.Generator, options: Sequence[T], odds: Sequence[float] | None = None) -> T:
    return options[int(rng.choice(len(options), p=odds))]


def swing(body: Body, segment: Swing, rng: np.random.Generator) -> Part:
    """Come to address, swing, finish, and stand again."""
    plan = _choose(rng, segment, body)
    early = 0.3 + plan.address_s
    still = early + 1.2 * plan.waggles
    begin = still + plan.still_s + 0.6 * plan.press_s
    shift = begin + plan.back_s + plan.hold_s
    peak = shift + plan.down_s
    done = peak + rng.uniform(0.7, 1.1)
    relax = done + rng.uniform(0.6, 1.6)
    motion = Motion(body, relax + 2.2)
    not_swings = _address(motion, plan, early, begin, rng)
    _share(motion, plan, begin, shift, peak, done, relax, rng)
    _heave(motion, plan, begin, shift, peak, rng)
    _lead_foot(motion, plan, begin, shift, done, rng)
    push = _trail_foot(motion, plan, begin, shift, peak, done, rng)
    for foot in Foot:
        motion.y[foot].to(relax, 1.2, body.sole(foot).neutral_y, draw_shape(rng))
        motion.lean[foot].to(relax, 1.0, 0.15, draw_shape(rng))
    values: dict[str, object] = {
        "lead": plan.lead,
        "style": plan.style,
        "address_s": early,
        "finish_start_s": done,
        "end_s": relax + 1.4,
        "heel_lifted": plan.heel is not HeelHabit.DOWN,
        "heel": plan.heel,
        "manner": plan.manner,
        "timing": None if plan.manner is Manner.HELD else plan.timing,
        "stepped": plan.finish is Finish.STEPS,
        **push,
    }
    note = SwingNote(values, begin, shift, peak, plan.hold_s)
    return Part(motion, swings=[note], not_swings=not_swings)


def _address(
    motion: Motion, plan: _Plan, early: float, begin: float, rng: np.random.Generator
) -> list[NotSwing]:
    """Settle into address, waggle, stand still, and perhaps press forward."""
    motion.left.to(
        0.3, plan.address_s, motion.share(plan.lead, plan.address_share), draw_shape(rng)
    )
    for foot in Foot:
        y = motion.body.sole(foot).neutral_y + rng.uniform(0.0, 0.10)
        motion.y[foot].to(0.3, plan.address_s, y, draw_shape(rng))
    motion.calm.to(0.3, plan.address_s, 0.6, draw_shape(rng))
    if plan.press_s:
        size = motion.share(plan.lead, rng.uniform(0.03, 0.08)) - motion.share(plan.lead, 0.0)
        motion.left.bump(begin - 0.6 * plan.press_s, plan.press_s, size, rng.uniform(0.4, 0.6))
    if not plan.waggles:
        return []
    end = add_waggles(motion, early + 0.1, plan.waggles, plan.lead, rng)
    return [NotSwing(NotSwingKind.WAGGLE, early + 0.1, end)]


def _share(
    motion: Motion,
    plan: _Plan,
    begin: float,
    shift: float,
    peak: float,
    done: float,
    relax: float,
    rng: np.random.Generator,
) -> None:
    """Move the load between the feet."""

    def on_lead(value: float) -> float:
        return motion.share(plan.lead, value)

    left = motion.left
    left.to(begin, plan.back_s, on_lead(plan.low_share), plan.back_shape)
    left.to(shift, 1.15 * plan.down_s, on_lead(plan.high_share), plan.shift_shape)
    end_share = {
        Finish.SETTLED: rng.uniform(0.86, 0.95),
        Finish.TOE: rng.uniform(0.75, 0.86),
        Finish.HALF: rng.uniform(0.55, 0.72),
        Finish.FLAT: rng.uniform(0.45, 0.6),
        Finish.STEPS: 1.0,
    }[plan.finish]
    at = peak + 0.2 * plan.down_s
    if plan.style is Style.REVERSE:
        left.to(at, rng.uniform(0.14, 0.25), on_lead(rng.uniform(0.35, 0.58)), draw_shape(rng))
        at += rng.uniform(0.3, 0.4)
    soft = plan.finish is not Finish.STEPS
    left.to(at, done - at, on_lead(end_share), draw_shape(rng, soft=soft))
    if not soft:
        # The trail foot swings through and lands ahead.
        landing = done + rng.uniform(0.3, 0.45)
        left.to(landing, 0.4, on_lead(rng.uniform(0.4, 0.6)), draw_shape(rng, soft=False))
        relax = max(relax, landing + 0.5)
    left.to(relax, 1.2, motion.body.player.left_share, draw_shape(rng))


def _heave(
    motion: Motion, plan: _Plan, begin: float, shift: float, peak: float, rng: np.random.Generator
) -> None:
    """Drop at the change of direction, push up into the lead peak, land and come to rest."""
    total = motion.total
    total.bump(begin, plan.back_s, rng.uniform(-0.03, 0.05), rng.uniform(0.3, 0.7))
    dip = rng.uniform(0.03, 0.15) * min(1.0, 0.3 / plan.down_s)
    middle = shift + rng.uniform(-0.15, 0.15) * plan.down_s
    total.bump(middle - 0.5 * plan.down_s, plan.down_s, -dip)
    rise = rng.uniform(0.6, 0.85) * plan.down_s
    fall = rng.uniform(0.7, 1.1) * max(0.16, plan.down_s)
    share = float(np.interp(peak, motion.t_s, motion.left.values))
    lead_share = motion.share(plan.lead, share)
    top = plan.lead_peak_bw / lead_share
    total.to(peak - rise, rise, top, draw_shape(rng))
    total.to(peak, fall, rng.uniform(0.78, 0.95), draw_shape(rng))
    total.to(peak + fall, rng.uniform(0.2, 0.4), 1.0, draw_shape(rng))


def _lead_foot(
    motion: Motion,
    plan: _Plan,
    begin: float,
    shift: float,
    done: float,
    rng: np.random.Generator,
) -> None:
    """Go to the ball of the lead foot in the backswing, perhaps lift its heel, and post on it."""
    y, heel = motion.y[plan.lead], motion.heel[plan.lead]
    lifted = plan.heel is not HeelHabit.DOWN
    y.to(
        begin,
        plan.back_s,
        rng.uniform(0.55, 0.66) if lifted else rng.uniform(0.30, 0.46),
        draw_shape(rng),
    )
    if lifted:
        late = plan.heel is HeelHabit.LATE
        start = begin + plan.back_s * (rng.uniform(0.6, 0.72) if late else rng.uniform(0.2, 0.45))
        taken = plan.back_s * (rng.uniform(0.15, 0.22) if late else rng.uniform(0.2, 0.35))
        heel.to(start, taken, 0.0, draw_shape(rng, soft=False))
        back = shift + plan.down_s * rng.uniform(0.0, 0.45)
        heel.to(back, plan.down_s * rng.uniform(0.25, 0.45), 1.0, draw_shape(rng, soft=False))
    y.to(shift, plan.down_s, rng.uniform(0.28, 0.45), draw_shape(rng))
    y.to(shift + 1.5 * plan.down_s, 0.5, rng.uniform(0.25, 0.5), draw_shape(rng))
    motion.lean[plan.lead].to(begin, plan.back_s, -0.3, draw_shape(rng))
    motion.lean[plan.lead].to(shift, plan.down_s * 1.5, rng.uniform(0.2, 0.7), draw_shape(rng))


def _transfer_s(plan: _Plan, rng: np.random.Generator) -> float:
    """Draw how long the middle of the push takes.

    A roll takes a good part of the shift; a jump is as quick as a stiff foot tips.
    """
    if plan.manner is Manner.ROLLED:
        return float(plan.down_s * rng.uniform(0.30, 0.65))
    return float(min(rng.uniform(0.008, 0.022), 0.1 * plan.down_s))


def _trail_foot(
    motion: Motion,
    plan: _Plan,
    begin: float,
    shift: float,
    peak: float,
    done: float,
    rng: np.random.Generator,
) -> dict[str, object]:
    """Load the trail heel, then push heel to toe in the planned manner; say when it did."""
    trail = plan.lead.other
    y = motion.y[trail]
    rear, front = rng.uniform(0.20, 0.32), rng.uniform(0.60, 0.72)
    if plan.manner is Manner.HELD:
        y.to(begin, 0.85 * plan.back_s, rear, draw_shape(rng))
        y.to(shift, plan.down_s, rear + rng.uniform(-0.03, 0.05), draw_shape(rng))
        start, duration, leave, take = peak + rng.uniform(0.1, 0.2), 0.35, None, None
        shape = draw_shape(rng)
    else:
        transfer = _transfer_s(plan, rng)
        begun = shift + 1.15 * plan.down_s * time_of(plan.shift_shape, _ON_THE_WAY)
        take = begun + plan.down_s * rng.uniform(0.35, 0.85)
        if plan.timing is Timing.EARLY:
            take = begun - rng.uniform(0.05, min(0.2, 0.25 * plan.back_s))
        even = rng.uniform(1.0, 1.4)
        shape = skewed(even, even * rng.uniform(0.85, 1.15))
        first, last = time_of(shape, 0.3), time_of(shape, 0.7)
        duration = transfer / (last - first)
        start = take - last * duration
        leave = take - transfer
        y.to(begin, float(np.clip(start - begin, 0.15, 0.85 * plan.back_s)), rear, draw_shape(rng))
    y.to(start, duration, front, shape)
    rest = {Finish.HALF: rng.uniform(0.5, 0.65), Finish.FLAT: rng.uniform(0.35, 0.45)}
    end_y = rest.get(plan.finish, front + rng.uniform(0.0, 0.03))
    y.to(max(start + duration + 0.05, peak + 0.25), 0.4, end_y, draw_shape(rng))
    motion.lean[trail].to(begin, plan.back_s, rng.uniform(0.2, 0.6), draw_shape(rng))
    motion.lean[trail].to(shift, plan.down_s, rng.uniform(-0.7, -0.2), draw_shape(rng))
    travel = 0.0 if leave is None else front - rear
    return {"heel_leave_s": leave, "fore_take_s": take, "travel": float(travel)}
