"""Standing, and everything a golfer does on the spot that is neither a walk nor a swing."""

import numpy as np

from plantigrade.block import Foot
from plantigrade.synth.motion import Body, Motion, Part, not_swing
from plantigrade.synth.plan import (
    Bend,
    HalfSwing,
    OneLeg,
    Rock,
    Shuffle,
    SlowShift,
    Stand,
    TrailRest,
    Waggle,
)
from plantigrade.synth.shapes import draw_shape
from plantigrade.synth.truth import NotSwing, NotSwingKind, StandTruth


def stand(body: Body, segment: Stand, rng: np.random.Generator) -> Part:
    """Stand quietly; a long stand has now and then a slow change of posture."""
    motion = Motion(body, segment.duration_s)
    at = rng.uniform(8.0, 20.0)
    while at < segment.duration_s - 7.0 and segment.duration_s > 25.0:
        change = rng.uniform(-0.04, 0.04)
        duration = rng.uniform(1.5, 4.0)
        motion.left.to(at, duration, motion.left.level + change, draw_shape(rng))
        back = at + duration + rng.uniform(2.0, 6.0)
        if back > segment.duration_s - 4.0:
            back = segment.duration_s - 4.0
        motion.left.to(max(back, at + duration), 3.0, body.player.left_share, draw_shape(rng))
        at = back + rng.uniform(8.0, 20.0)
    return Part(motion, stands=[StandTruth(0.0, segment.duration_s, None, 0.0, 0.0, 0.0)])


def one_leg(body: Body, segment: OneLeg, rng: np.random.Generator) -> Part:
    """Shift onto one foot, lift the other, and come back."""
    shift, back = rng.uniform(0.7, 1.2), rng.uniform(0.6, 1.0)
    up = 0.8 + shift
    motion = Motion(body, up + segment.duration_s + back + 1.0)
    foot = segment.foot
    # The body first pushes off from the foot that will be lifted.
    motion.left.bump(0.4, 0.7, motion.share(foot, -0.06) - motion.share(foot, 0.0))
    motion.left.to(0.8, shift, motion.share(foot, 1.0), draw_shape(rng, soft=False))
    down = up + segment.duration_s
    motion.left.to(down, back, body.player.left_share, draw_shape(rng, soft=False))
    # The lifted foot leaves with its toes and comes back with them.
    lifted = foot.other
    front = rng.uniform(0.55, 0.75)
    motion.y[lifted].to(0.8, shift, front, draw_shape(rng))
    motion.y[lifted].to(down, back + 0.3, body.sole(lifted).neutral_y, draw_shape(rng))
    motion.total.bump(0.8, shift, rng.uniform(-0.05, 0.05))
    motion.calm.to(0.8, shift, rng.uniform(1.2, 1.8), draw_shape(rng))
    motion.calm.to(down, back, 1.0, draw_shape(rng))
    for n in range(segment.taps):  # none draws nothing: sessions without taps stay what they were
        at = up + (n + 0.5) * segment.duration_s / segment.taps
        size = motion.share(foot, rng.uniform(0.80, 0.88)) - motion.share(foot, 1.0)
        motion.left.bump(at, min(0.8, 0.8 * segment.duration_s / segment.taps), size)
    return Part(
        motion,
        stands=[StandTruth(up, down, foot, 0.0, 0.0, 0.0)],
        not_swings=[not_swing(NotSwingKind.ONE_LEG, motion)],
    )


def rock(body: Body, segment: Rock, rng: np.random.Generator) -> Part:
    """Rock on both feet together, heels to toes or edge to edge, and come back to standing."""
    half = float(rng.uniform(0.9, 1.2))  # from one end to the other, s
    motion = Motion(body, 0.8 + (2 * segment.times + 1) * half + 1.0)
    ends = (0.13, 0.80) if segment.along else (0.95, -0.95)
    at = 0.8
    for n in range(2 * segment.times):
        for foot in Foot:
            track = motion.y[foot] if segment.along else motion.lean[foot]
            slack = rng.uniform(-0.02, 0.02)
            track.to(at, half, ends[n % 2] + slack, draw_shape(rng))
        at += half
    for foot in Foot:
        motion.y[foot].to(at, half, body.sole(foot).neutral_y, draw_shape(rng))
        motion.lean[foot].to(at, half, 0.15, draw_shape(rng))
    return Part(motion, not_swings=[NotSwing(NotSwingKind.ROCK, 0.8, at + half)])


def add_waggles(
    motion: Motion, start_s: float, count: int, lead: Foot, rng: np.random.Generator
) -> float:
    """Add waggles of the club from `start_s` on; return when they end."""
    at, end = start_s, start_s
    sign = motion.share(lead, 1.0) - motion.share(lead, 0.0)
    for _ in range(count):
        length = rng.uniform(0.5, 1.1)
        size = rng.uniform(0.02, 0.09) * rng.choice([-1.0, 1.0])
        motion.left.bump(at, length, sign * size, rng.uniform(0.35, 0.65))
        for foot in Foot:
            motion.y[foot].bump(at, length, rng.uniform(-0.04, 0.04))
        end = at + length
        at += length * rng.uniform(0.6, 1.0)
    return float(end)


def waggle(body: Body, segment: Waggle, rng: np.random.Generator) -> Part:
    """Waggle at address without a swing."""
    if segment.large:
        return _large_waggle(body, rng)
    count = int(rng.integers(1, 5)) if segment.count is None else segment.count
    motion = Motion(body, 1.6 + 1.1 * count + 1.5)
    end = add_waggles(motion, 1.2, count, body.player.lead, rng)
    return Part(motion, not_swings=[NotSwing(NotSwingKind.WAGGLE, 1.2, end)])


def _large_waggle(body: Body, rng: np.random.Generator) -> Part:
    """Waggle widely: to the lead side, back over the trail side, and to the lead side again."""
    motion = Motion(body, 6.5)
    lead, home = body.player.lead, body.player.left_share
    sign = motion.share(lead, 1.0) - motion.share(lead, 0.0)
    at = 2.0
    for size in (
        rng.uniform(0.14, 0.25),
        -rng.uniform(0.07, 0.14),
        rng.uniform(0.10, 0.22),
        0.0,
    ):
        length = float(rng.uniform(0.3, 0.55))
        motion.left.to(at, length, home + sign * size, draw_shape(rng))
        at += length
    return Part(motion, not_swings=[NotSwing(NotSwingKind.WAGGLE, 2.0, at)])


def trail_rest(body: Body, segment: TrailRest, rng: np.random.Generator) -> Part:
    """Rest on the trail foot, go a little further there at times, and come back to the middle."""
    out, rest = rng.uniform(0.6, 1.5), rng.uniform(1.0, 3.0)
    motion = Motion(body, 1.0 + out + rest + 3.0)
    lead, home = body.player.lead, body.player.left_share
    level = float(rng.uniform(0.26, 0.36))
    motion.left.to(1.0, out, motion.share(lead, level), draw_shape(rng))
    at = 1.0 + out + rest
    further, taken = rng.choice([0.0, rng.uniform(0.05, 0.10)]), rng.uniform(0.3, 0.6)
    motion.left.to(at, taken, motion.share(lead, level - further), draw_shape(rng))
    back = float(rng.uniform(0.25, 0.6))
    motion.left.to(at + taken, back, home, draw_shape(rng))
    motion.total.bump(at + taken, 0.8 * back, rng.uniform(-0.04, 0.08))
    return Part(motion, not_swings=[NotSwing(NotSwingKind.TRAIL_REST, 1.0, at + taken + back)])


def half_swing(body: Body, segment: HalfSwing, rng: np.random.Generator) -> Part:
    """Take the club back, perhaps wait, and return to address without going to the lead foot."""
    back = rng.uniform(0.6, 1.4) if segment.backswing_s is None else segment.backswing_s
    wait = rng.choice([0.0, rng.uniform(0.2, 1.5)])
    home = rng.uniform(0.45, 1.5)
    start = rng.uniform(1.5, 2.5)
    motion = Motion(body, start + back + wait + home + 1.5)
    lead, trail = body.player.lead, body.player.lead.other
    away = motion.share(lead, rng.uniform(0.18, 0.40))
    motion.left.to(start, back, away, draw_shape(rng))
    turn = start + back + wait
    over = float(rng.choice([0.0, 0.04])) if segment.over is None else segment.over
    over = body.player.left_share + motion.share(lead, over) - motion.share(lead, 0.0)
    motion.left.to(turn, home, over, draw_shape(rng))
    motion.left.to(turn + 0.9 * home, 0.6, body.player.left_share, draw_shape(rng))
    motion.y[trail].to(start, back, rng.uniform(0.22, 0.33), draw_shape(rng))
    motion.y[lead].to(start, back, rng.uniform(0.4, 0.6), draw_shape(rng))
    for foot in Foot:
        neutral = body.sole(foot).neutral_y
        motion.y[foot].to(turn, home * 1.1, neutral, draw_shape(rng))
    motion.total.bump(start, back, rng.uniform(-0.04, 0.06))
    end = turn + 0.9 * home + 0.6
    return Part(motion, not_swings=[NotSwing(NotSwingKind.HALF_SWING, start, end)])


def slow_shift(body: Body, segment: SlowShift, rng: np.random.Generator) -> Part:
    """Move weight to the trail foot and over to the lead foot, too slowly for any swing."""
    times = rng.uniform(1.8, 3.5, 3)
    motion = Motion(body, 1.0 + float(times.sum()) + 1.0)
    lead = body.player.lead
    size = rng.uniform(0.08, 0.25)
    at = 1.0
    for duration, level in zip(times, (0.5 - size, 0.5 + size, None), strict=True):
        target = body.player.left_share if level is None else motion.share(lead, level)
        motion.left.to(at, duration, target, draw_shape(rng))
        at += duration
    return Part(motion, not_swings=[NotSwing(NotSwingKind.SLOW_SHIFT, 1.0, float(at))])


def bend(body: Body, segment: Bend, rng: np.random.Generator) -> Part:
    """Bend for the ball: load to the front and to the lead foot, dropping and rising body."""
    behind = rng.random() < 0.4 if segment.one_leg is None else segment.one_leg
    down, wait, up = rng.uniform(0.8, 1.4), rng.uniform(0.4, 1.5), rng.uniform(0.8, 1.4)
    motion = Motion(body, 0.6 + down + wait + up + 1.2)
    lead = body.player.lead
    share = 1.0 if behind else rng.uniform(0.5, 0.75)
    motion.left.to(0.6, down, motion.share(lead, share), draw_shape(rng, soft=not behind))
    rise = 0.6 + down + wait
    home = body.player.left_share
    motion.left.to(rise, up, home, draw_shape(rng, soft=not behind))
    for foot in Foot:
        motion.y[foot].to(0.6, down, rng.uniform(0.5, 0.68), draw_shape(rng))
        motion.y[foot].to(rise, up, body.sole(foot).neutral_y, draw_shape(rng))
    # Going down is falling, then braking; coming up is pushing, then coming to rest.
    size = rng.uniform(0.05, 0.15)
    for start, sign in ((0.6, -1.0), (0.6 + 0.5 * down, 1.0), (rise, 1.0), (rise + 0.5 * up, -1.0)):
        motion.total.bump(start, 0.55 * down, sign * size)
    return Part(motion, not_swings=[NotSwing(NotSwingKind.BEND, 0.6, rise + up)])


def shuffle(body: Body, segment: Shuffle, rng: np.random.Generator) -> Part:
    """Lift one foot after the other for a moment and put it down again close by."""
    lifts = int(rng.integers(1, 5)) if segment.lifts is None else segment.lifts
    plans = [
        (
            rng.uniform(0.25, 0.5),
            rng.uniform(0.15, 0.4),
            rng.uniform(0.2, 0.4),
            rng.uniform(0.1, 0.6),
        )
        for _ in range(lifts)
    ]
    motion = Motion(body, 1.0 + sum(sum(plan) for plan in plans) + 1.5)
    foot = Foot.LEFT if rng.random() < 0.5 else Foot.RIGHT
    home = body.player.left_share
    at = 1.0
    for off, air, on, pause in plans:
        motion.left.to(at, off, motion.share(foot, 0.0), draw_shape(rng, soft=False))
        motion.left.to(at + off + air, on, home, draw_shape(rng, soft=False))
        motion.y[foot].to(at, off, rng.uniform(0.3, 0.7), draw_shape(rng))
        motion.y[foot].to(at + off + air, on + pause, body.sole(foot).neutral_y, draw_shape(rng))
        motion.total.bump(at, off + air, rng.uniform(-0.06, 0.06))
        at += off + air + on + pause
        foot = foot.other
    return Part(motion, not_swings=[NotSwing(NotSwingKind.SHUFFLE, 1.0, float(at))])
