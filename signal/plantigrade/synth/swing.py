"""A golf swing as the body loads the ground.

Both styles of Ball & Best (2007, J Sports Sci 25): about even at address, to the trail foot in the
backswing, forward by early downswing; then on with the lead foot, or back towards the trail foot.
The body drops a little at the change and pushes up against the ground in the downswing, so the lead
foot's load may exceed body weight. Tempo is published (Grober & Cholewicki, "Towards a
Biomechanical Understanding of Tempo in the Golf Swing"); the trail share at the top, 70 to 85 %,
and the lead foot's peak, 1.1 to 1.6 body weights, are from memory; the rest is ours, as no values
are published for heel lift and push.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from plantigrade.block import Foot
from plantigrade.errors import SignalError
from plantigrade.events import Manner, Timing
from plantigrade.synth.motion import Body, Motion, Part, SwingNote
from plantigrade.synth.plan import Finish, Swing
from plantigrade.synth.player import Player, Style
from plantigrade.synth.posture import add_waggles
from plantigrade.synth.shapes import Shape, draw_shape, near, skewed, time_of
from plantigrade.synth.truth import HeelHabit, NotSwing, NotSwingKind

T = TypeVar("T")

ON_THE_WAY = 0.05
"""A move of load counts as begun when this part of its way is done."""

_LEAST_OVER = 0.08
"""The shift goes at least so far over the address share: less is hardly a swing's."""

_SHIFT_TAIL = 1.15
"""Length of the whole way back to the lead foot over the time to the lead peak."""


@dataclass(frozen=True, slots=True, eq=False)
class _Plan:
    """How the swing will be done: everything a `Swing` may leave open, drawn."""

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
    waggles: int
    press_s: float
    back_s: float
    down_s: float
    back_shape: Shape
    shift_shape: Shape


@dataclass(frozen=True, slots=True)
class _Clock:
    """When its parts come, s from the segment's beginning."""

    address: float
    """Come to address."""
    begin: float
    """First movement of the backswing."""
    back: float
    """Length of the whole way to the trail foot."""
    hold: float
    """Length of the stay there."""
    shift: float
    """First movement back to the lead foot."""
    begun: float
    """That move counts as begun."""
    peak: float
    """Lead peak, as planned."""
    done: float
    """The finish is reached."""
    relax: float
    """The player goes back to standing."""


def _pick(rng: np.random.Generator, options: Sequence[T], odds: Sequence[float] | None = None) -> T:
    return options[int(rng.choice(len(options), p=odds))]


def _tempo(rng: np.random.Generator, segment: Swing, player: Player) -> tuple[float, float]:
    """Return the lengths of backswing and downswing of the load, s."""
    usual = player.backswing_s
    back = segment.backswing_s or near(rng, usual, 0.05 * usual, 0.45, 1.4)
    usual = back / player.tempo
    down = segment.downswing_s or near(rng, usual, 0.06 * usual, 0.18, 0.45)
    if not (0.3 <= back <= 2.0 and 0.12 <= down <= 0.8):
        raise SignalError(
            f"synthetic swing: backswing {back} s and downswing {down} s, "
            "expected 0.3 to 2 s and 0.12 to 0.8 s"
        )
    return back, down


def _draw(rng: np.random.Generator, segment: Swing, player: Player, hold: float) -> _Plan:
    """Fill in what the segment leaves open."""
    back, down = _tempo(rng, segment, player)
    style = segment.style or player.style
    reverse = style is Style.REVERSE
    heel = segment.heel or _pick(rng, tuple(HeelHabit), (0.5, 0.3, 0.1, 0.1))
    light = heel is HeelHabit.LIGHT
    # Quick swings push harder; the reverse style less.
    push = 1.1 + 0.5 * np.clip((0.45 - down) / 0.27, 0.0, 1.0) * rng.uniform(0.3, 1.0)
    push = max(0.85, push - 0.25) if reverse else push
    press = bool(rng.random() < 0.3) if segment.press is None else segment.press
    # Without a stay the load turns round sharply; with one it comes and goes softly.
    end, start = rng.uniform(1.0, 1.8, 2)
    soft_back, soft_shift = draw_shape(rng), draw_shape(rng)
    sharp_back, sharp_shift = (
        skewed(rng.uniform(1.4, 3.0), end),
        skewed(start, rng.uniform(1.4, 2.6)),
    )
    waggles = int(rng.choice([0, 0, 1, 2, 3]))
    plan = _Plan(
        lead=player.lead,
        style=style,
        finish=segment.finish or _pick(rng, tuple(Finish), (0.35, 0.25, 0.15, 0.15, 0.1)),
        heel=heel,
        manner=segment.manner or _pick(rng, (Manner.ROLLED, Manner.SKIPPED, Manner.HELD)),
        timing=segment.timing or _pick(rng, (Timing.EARLY, Timing.WITH_SHIFT), (0.35, 0.65)),
        lead_peak_bw=segment.lead_peak_bw or float(push),
        address_share=near(rng, 0.5, 0.03, 0.43, 0.58),
        low_share=float(rng.uniform(0.09, 0.13) if light else rng.uniform(0.16, 0.30)),
        high_share=float(rng.uniform(0.58, 0.8) if reverse else rng.uniform(0.76, 0.93)),
        waggles=waggles if segment.waggles is None else segment.waggles,
        press_s=float(rng.uniform(0.25, 0.45)) if press else 0.0,
        back_s=back,
        down_s=down,
        back_shape=soft_back if hold else sharp_back,
        shift_shape=soft_shift if hold else sharp_shift,
    )
    high = segment.high_share or max(plan.high_share, plan.address_share + _LEAST_OVER)
    return replace(plan, high_share=high)


def _schedule(rng: np.random.Generator, segment: Swing, plan: _Plan, hold: float) -> _Clock:
    address = 0.3 + rng.uniform(0.7, 1.2)
    still = segment.address_s or rng.uniform(0.8, 2.5)
    begin = address + 1.3 * plan.waggles + still + 0.6 * plan.press_s
    back = plan.back_s / (1.0 - time_of(plan.back_shape, ON_THE_WAY))
    shift = begin + back + hold
    begun = shift + _SHIFT_TAIL * plan.down_s * time_of(plan.shift_shape, ON_THE_WAY)
    peak = begun + plan.down_s
    done = peak + rng.uniform(0.7, 1.1)
    relax = done + rng.uniform(0.9, 1.8)
    return _Clock(address, begin, back, hold, shift, begun, peak, done, relax)


def swing(body: Body, segment: Swing, rng: np.random.Generator) -> Part:
    """Come to address, swing, finish, and stand again."""
    hold = 0.0 if rng.random() < 0.6 else float(rng.uniform(0.03, 0.3))
    hold = hold if segment.hold_s is None else segment.hold_s
    plan = _draw(rng, segment, body.player, hold)
    clock = _schedule(rng, segment, plan, hold)
    motion = Motion(body, clock.relax + 2.2)
    not_swings = _address(motion, plan, clock, rng)
    _share(motion, plan, clock, rng)
    _heave(motion, plan, clock, rng)
    _lead_foot(motion, plan, clock, rng)
    leave, take, travel = _trail_foot(motion, plan, clock, rng)
    for foot in Foot:
        motion.y[foot].to(clock.relax, 1.2, body.sole(foot).neutral_y, draw_shape(rng))
        motion.lean[foot].to(clock.relax, 1.0, 0.15, draw_shape(rng))
    motion.calm.to(clock.relax, 1.0, 1.0, draw_shape(rng))
    note = SwingNote(
        lead=plan.lead,
        style=plan.style,
        heel=plan.heel,
        manner=plan.manner,
        timing=None if plan.manner is Manner.HELD else plan.timing,
        stepped=plan.finish is Finish.STEPS,
        heel_leave_s=leave,
        fore_take_s=take,
        travel=travel,
        address_s=clock.address,
        begin_s=clock.begin,
        shift_s=clock.shift,
        peak_s=clock.peak,
        hold_s=clock.hold,
        finish_start_s=clock.done,
        end_s=clock.relax + 1.4,
    )
    return Part(motion, swings=[note], not_swings=not_swings)


def _address(
    motion: Motion, plan: _Plan, clock: _Clock, rng: np.random.Generator
) -> list[NotSwing]:
    """Settle into address, waggle, stand still, and perhaps press forward."""
    taken = clock.address - 0.3
    motion.left.to(0.3, taken, motion.share(plan.lead, plan.address_share), draw_shape(rng))
    for foot in Foot:
        y = motion.body.sole(foot).neutral_y + rng.uniform(0.0, 0.10)
        motion.y[foot].to(0.3, taken, y, draw_shape(rng))
    motion.calm.to(0.3, taken, 0.6, draw_shape(rng))
    if plan.press_s:
        size = motion.share(plan.lead, rng.uniform(0.03, 0.08)) - motion.share(plan.lead, 0.0)
        before = clock.begin - 0.6 * plan.press_s
        motion.left.bump(before, plan.press_s, size, rng.uniform(0.4, 0.6))
    if not plan.waggles:
        return []
    start = clock.address + 0.1
    end = add_waggles(motion, start, plan.waggles, plan.lead, rng)
    return [NotSwing(NotSwingKind.WAGGLE, start, end)]


def _share(motion: Motion, plan: _Plan, clock: _Clock, rng: np.random.Generator) -> None:
    """Move the load between the feet."""

    def go(start: float, duration: float, lead_share: float, shape: Shape) -> None:
        motion.left.to(start, duration, motion.share(plan.lead, lead_share), shape)

    go(clock.begin, clock.back, plan.low_share, plan.back_shape)
    go(clock.shift, _SHIFT_TAIL * plan.down_s, plan.high_share, plan.shift_shape)
    at = clock.peak + 0.2 * plan.down_s
    if plan.style is Style.REVERSE:
        go(at, rng.uniform(0.14, 0.25), rng.uniform(0.35, 0.58), draw_shape(rng))
        at += rng.uniform(0.3, 0.4)
    if plan.finish is Finish.STEPS:
        # The trail foot leaves, swings through and lands ahead, long before the player relaxes.
        go(at, clock.done - at, 1.0, draw_shape(rng, soft=False))
        landing = clock.done + rng.uniform(0.25, 0.4)
        go(landing, 0.4, rng.uniform(0.4, 0.6), draw_shape(rng, soft=False))
    else:
        low, high = {
            Finish.SETTLED: (0.86, 0.95),
            Finish.TOE: (0.75, 0.86),
            Finish.HALF: (0.55, 0.72),
            Finish.FLAT: (0.45, 0.6),
        }[plan.finish]
        go(at, clock.done - at, rng.uniform(low, high), draw_shape(rng))
    motion.left.to(clock.relax, 1.2, motion.body.player.left_share, draw_shape(rng))


def _heave(motion: Motion, plan: _Plan, clock: _Clock, rng: np.random.Generator) -> None:
    """Drop at the change of direction, push up into the lead peak, land and come to rest."""
    total, down = motion.total, plan.down_s
    total.bump(clock.begin, clock.back, rng.uniform(-0.03, 0.05), rng.uniform(0.3, 0.7))
    dip = rng.uniform(0.03, 0.15) * min(1.0, 0.3 / down)
    total.bump(clock.begun - rng.uniform(0.4, 0.7) * down, down, -dip)
    rise = rng.uniform(0.6, 0.85) * down
    fall = rng.uniform(0.7, 1.1) * max(0.16, down)
    left_share = float(np.interp(clock.peak, motion.t_s, motion.left.values))
    top = plan.lead_peak_bw / motion.share(plan.lead, left_share)
    total.to(clock.peak - rise, rise, top, draw_shape(rng))
    total.to(clock.peak, fall, rng.uniform(0.78, 0.95), draw_shape(rng))
    total.to(clock.peak + fall, rng.uniform(0.2, 0.4), 1.0, draw_shape(rng))


def _lead_foot(motion: Motion, plan: _Plan, clock: _Clock, rng: np.random.Generator) -> None:
    """Go to the ball of the lead foot in the backswing, perhaps lift its heel, and post on it."""
    y, heel, lean = motion.y[plan.lead], motion.heel[plan.lead], motion.lean[plan.lead]
    lifted = plan.heel.lifts
    forward = rng.uniform(0.55, 0.66) if lifted else rng.uniform(0.30, 0.46)
    y.to(clock.begin, clock.back, forward, draw_shape(rng))
    if lifted:
        late = plan.heel is HeelHabit.LATE
        start = rng.uniform(0.62, 0.74) if late else rng.uniform(0.25, 0.48)
        taken = rng.uniform(0.15, 0.22) if late else rng.uniform(0.2, 0.35)
        heel.to(
            clock.begin + start * clock.back, taken * clock.back, 0.0, draw_shape(rng, soft=False)
        )
        back = clock.begun + rng.uniform(0.0, 0.4) * plan.down_s
        heel.to(back, plan.down_s * rng.uniform(0.25, 0.45), 1.0, draw_shape(rng, soft=False))
    y.to(clock.shift, plan.down_s, rng.uniform(0.28, 0.45), draw_shape(rng))
    y.to(clock.peak + 0.3 * plan.down_s, 0.5, rng.uniform(0.25, 0.5), draw_shape(rng))
    lean.to(clock.begin, clock.back, -0.3, draw_shape(rng))
    lean.to(clock.shift, plan.down_s * 1.5, rng.uniform(0.2, 0.7), draw_shape(rng))


def _transfer_s(plan: _Plan, rng: np.random.Generator) -> float:
    """Draw how long the middle of the push takes.

    A roll takes a good part of the shift; a jump is as quick as a stiff foot tips.
    """
    if plan.manner is Manner.ROLLED:
        return float(plan.down_s * rng.uniform(0.30, 0.65))
    return float(min(rng.uniform(0.008, 0.022), 0.1 * plan.down_s))


def _trail_foot(
    motion: Motion, plan: _Plan, clock: _Clock, rng: np.random.Generator
) -> tuple[float | None, float | None, float]:
    """Load the trail heel, then push heel to toe as planned; return when 30 and 70 % were done."""
    trail = plan.lead.other
    y, lean = motion.y[trail], motion.lean[trail]
    rear, front = rng.uniform(0.20, 0.32), rng.uniform(0.60, 0.72)
    leave: float | None = None
    take: float | None = None
    if plan.manner is Manner.HELD:
        y.to(clock.begin, 0.85 * clock.back, rear, draw_shape(rng))
        y.to(clock.shift, plan.down_s, rear + rng.uniform(-0.03, 0.05), draw_shape(rng))
        start, duration, shape = clock.peak + rng.uniform(0.1, 0.2), 0.35, draw_shape(rng)
    else:
        transfer = _transfer_s(plan, rng)
        take = clock.begun + plan.down_s * rng.uniform(0.35, 0.85)
        if plan.timing is Timing.EARLY:
            take = clock.begun - rng.uniform(0.05, min(0.2, 0.25 * plan.back_s))
        leave = take - transfer
        even = rng.uniform(1.0, 1.4)
        shape = skewed(even, even * rng.uniform(0.85, 1.15))
        first, last = time_of(shape, 0.3), time_of(shape, 0.7)
        duration = transfer / (last - first)
        start = take - last * duration
        settled = float(np.clip(start - clock.begin, 0.15, 0.85 * clock.back))
        y.to(clock.begin, settled, rear, draw_shape(rng))
    y.to(start, duration, front, shape)
    at_rest = {Finish.HALF: rng.uniform(0.5, 0.65), Finish.FLAT: rng.uniform(0.35, 0.45)}
    end_y = at_rest.get(plan.finish, front + rng.uniform(0.0, 0.03))
    y.to(max(start + duration + 0.05, clock.peak + 0.25), 0.4, end_y, draw_shape(rng))
    lean.to(clock.begin, clock.back, rng.uniform(0.2, 0.6), draw_shape(rng))
    lean.to(clock.shift, plan.down_s, rng.uniform(-0.7, -0.2), draw_shape(rng))
    return leave, take, 0.0 if leave is None else float(front - rear)
