"""Walking from standing to standing, as an inverted pendulum loads the ground.

The load on both feet together swings about body weight once a step: lowest as the body vaults over
the standing leg, high from the push-off of one leg to the loading of the next. In double support
it passes from the rear to the front foot. Together they give each foot its double hump, and the
mean over whole strides is body weight.
"""

from dataclasses import dataclass

import numpy as np

from plantigrade.block import Foot
from plantigrade.synth.motion import BODY_HZ, Body, Motion, Part, StanceNote, not_swing
from plantigrade.synth.plan import Walk
from plantigrade.synth.shapes import draw_shape, near
from plantigrade.synth.truth import NotSwingKind

_WALK_RATIO_M = 0.0065
"""Step length over cadence, m per step/min, adults (from memory)."""

_PHASE_LEAD = 0.03
"""The load's swing runs this part of a step ahead of mid double support: puts the peaks near 19 and
76 % of stance, as in 60 recorded curves (Pataky et al. 2008, J Biomech 41:1987)."""

_SECOND = 0.47
"""Second harmonic of the load's swing over the first: two humps and one valley."""

_UNSEEN = 1.17
"""Transfer of load from foot to foot over the double support that is seen above 5 % BW."""

_CLOSE_S = 1.6
"""Standing at the end of a walk, s."""


def cadence_hz(speed_m_s: float) -> float:
    """Return steps per second at a speed, from the walk ratio."""
    return float(np.sqrt(speed_m_s / (60.0 * _WALK_RATIO_M)))


def stance_share(speed_m_s: float) -> float:
    """Return stance as a fraction of the gait cycle.

    −3.5·v + 64.2 % (Kirtley, Whittle & Jefferson 1985, J Biomed Eng 7:282).
    """
    return (64.2 - 3.5 * speed_m_s) / 100.0


def load_swing(speed_m_s: float) -> float:
    """Return the amplitude of the whole load's first harmonic, × body weight.

    Grows with speed such that peak over valley is about 1.2, 1.5 and 3 at 1.0, 1.3 and 2.0 m/s
    (60 recorded curves, Pataky et al. 2008, J Biomech 41:1987; textbook 1.1 and 0.75 BW).
    """
    return max(0.03, 0.07 + 0.34 * (speed_m_s - 1.0))


@dataclass(frozen=True, slots=True)
class _Timing:
    """When feet strike and leave: strike k is by `foot(k)`; the other leaves `support_s[k]` on."""

    first: Foot
    lift_s: float
    strikes_s: list[float]
    support_s: list[float]
    step_s: float
    turning: list[bool]

    def foot(self, k: int) -> Foot:
        return self.first if k % 2 == 0 else self.first.other


def _timing(body: Body, segment: Walk, rng: np.random.Generator) -> _Timing:
    player = body.player
    own = player.walk_speed_m_s * rng.uniform(0.93, 1.07)
    speed = own if segment.speed_m_s is None else segment.speed_m_s
    step = 1.0 / cadence_hz(speed)
    support = 2.0 * step * (stance_share(speed) - 0.5) * _UNSEEN
    coin = Foot.LEFT if rng.random() < 0.5 else Foot.RIGHT
    first = coin if segment.first is None else segment.first
    lift = 0.5 + rng.uniform(0.45, 0.65) + rng.uniform(0.25, 0.35)
    swing = (step - support) * rng.uniform(0.95, 1.1)
    strikes, supports, turning = [lift + swing], [], []
    for k in range(segment.steps):
        after = segment.turn_after
        turns = after is not None and after <= k < after + 3
        supports.append(support * near(rng, 1.0, 0.05, 0.85, 1.15))
        turning.append(turns)
        foot = first if k % 2 == 0 else first.other
        sign = 0.5 if foot is Foot.LEFT else -0.5
        # The step after strike k ends with the other foot's strike.
        length = step * near(rng, 1.0, 0.018, 0.94, 1.06)
        length *= 1.0 - sign * player.asymmetry
        supports[k] *= 1.35 if turns else 1.0
        strikes.append(strikes[-1] + length * (1.2 if turns else 1.0))
    # The closing step is short and brings the feet together.
    strikes.pop()
    return _Timing(first, lift, strikes, supports, step, turning)


def walk(body: Body, segment: Walk, rng: np.random.Generator) -> Part:
    """Walk `segment.steps` strikes, from standing to standing.

    The start shifts load onto the foot that will swing first, and back onto the heels, before it
    goes to the standing foot (the anticipatory shift of gait initiation).
    """
    timing = _timing(body, segment, rng)
    motion = Motion(body, timing.strikes_s[-1] + _CLOSE_S + 0.6)
    _start(motion, timing, rng)
    _transfers(motion, timing, rng)
    _heave(motion, timing, segment, rng)
    stances = _stances(motion, timing)
    _settle(motion, timing, rng)
    return Part(motion, stances=stances, not_swings=[not_swing(NotSwingKind.WALK, motion)])


def _start(motion: Motion, timing: _Timing, rng: np.random.Generator) -> None:
    swinging, standing = timing.first, timing.first.other
    unload = rng.uniform(0.25, 0.35)
    before = timing.lift_s - unload
    up = motion.share(swinging, rng.uniform(0.58, 0.68))
    motion.left.to(0.4, before - 0.4, up, draw_shape(rng))
    motion.left.to(before, unload, motion.share(swinging, 0.0), draw_shape(rng, soft=False))
    for foot in Foot:
        neutral = motion.body.sole(foot).neutral_y
        motion.y[foot].to(0.4, before - 0.4, neutral - rng.uniform(0.06, 0.12), draw_shape(rng))
    motion.y[swinging].to(before - 0.05, unload + 0.05, 0.80, draw_shape(rng))
    leave = timing.strikes_s[0] + timing.support_s[0]
    motion.y[standing].to(before, leave - before, 0.80, draw_shape(rng))
    motion.calm.to(0.4, 1.0, 0.5, draw_shape(rng))


def _transfers(motion: Motion, timing: _Timing, rng: np.random.Generator) -> None:
    last = len(timing.strikes_s) - 1
    for k, strike in enumerate(timing.strikes_s[:last]):
        shape = draw_shape(rng, soft=False)
        motion.left.to(strike, timing.support_s[k], motion.share(timing.foot(k), 1.0), shape)
    home = motion.body.player.left_share
    shape = draw_shape(rng, soft=False)
    motion.left.to(timing.strikes_s[last], rng.uniform(0.35, 0.7), home, shape)


def _heave(motion: Motion, timing: _Timing, segment: Walk, rng: np.random.Generator) -> None:
    """Let the whole load swing once a step; heel strikes add a short thump that sums to nothing."""
    player = motion.body.player
    speed = player.walk_speed_m_s if segment.speed_m_s is None else segment.speed_m_s
    size = load_swing(speed) * rng.uniform(0.9, 1.1)
    middles = [s + 0.5 * d for s, d in zip(timing.strikes_s, timing.support_s, strict=True)]
    at = [middles[0] - timing.step_s, *middles, middles[-1] + timing.step_s]
    cycle = np.interp(motion.t_s, at, np.arange(len(at)) - 1.0) + _PHASE_LEAD
    angle = 2.0 * np.pi * cycle
    second = _SECOND * rng.uniform(0.85, 1.1)
    wave = np.cos(angle) - second * np.cos(2.0 * angle)
    wave += rng.uniform(-0.2, 0.2) * np.sin(angle)  # loading stronger than push-off, or weaker
    wobble = np.interp(motion.t_s, at, 1.0 + 0.06 * rng.standard_normal(len(at)))
    fade = np.interp(
        motion.t_s,
        [timing.lift_s, timing.strikes_s[0], timing.strikes_s[-1], timing.strikes_s[-1] + 0.8],
        [0.0, 1.0, 0.8, 0.0],
    )
    motion.total.values += size * wave * wobble * fade * fade * (3.0 - 2.0 * fade)
    thump = rng.uniform(0.0, 0.10) * min(1.0, speed / 1.3)
    for strike in timing.strikes_s[:-1]:
        motion.total.bump(strike + 0.01, 0.03, thump)
        motion.total.bump(strike + 0.04, 0.03, -thump)


def _stances(motion: Motion, timing: _Timing) -> list[StanceNote]:
    """Roll each foot over from its strike to its toe-off; note the stances that have both."""
    notes = []
    last = len(timing.strikes_s) - 1
    for k, strike in enumerate(timing.strikes_s):
        foot = timing.foot(k)
        whole = k + 1 < last
        leaves = k + 1 if k + 1 <= last else last
        off = timing.strikes_s[leaves] + timing.support_s[leaves]
        if k + 1 >= last:  # stays down: rolls on to flat and rests there
            off = strike + timing.step_s * 1.2
        first = int(np.ceil(strike * BODY_HZ))
        stop = int(np.ceil(off * BODY_HZ)) if whole else len(motion.t_s)
        phase = (motion.t_s[first:stop] - strike) / (off - strike)
        motion.phase[foot][first:stop] = np.clip(phase, 0.0, 1.0)
        if whole:
            motion.rolling[foot][first:stop] = 1.0
            notes.append(StanceNote(foot, strike, off, timing.turning[k] or timing.turning[k + 1]))
        else:
            rest = np.clip((phase - 0.1) / 0.35, 0.0, 1.0)
            motion.rolling[foot][first:stop] = 1.0 - rest * rest * (3.0 - 2.0 * rest)
    return notes


def _settle(motion: Motion, timing: _Timing, rng: np.random.Generator) -> None:
    """Bring both feet back to neutral standing by the end."""
    for foot in Foot:
        strikes = [s for k, s in enumerate(timing.strikes_s) if timing.foot(k) is foot]
        neutral = motion.body.sole(foot).neutral_y
        motion.y[foot].to(strikes[-1] - 0.25, 0.25, neutral, draw_shape(rng))  # in the air
    motion.calm.to(timing.strikes_s[-1], 1.2, 1.0, draw_shape(rng))
