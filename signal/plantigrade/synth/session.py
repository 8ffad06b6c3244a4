"""A performed session: the ideal pressure under both feet, and the truth about what was done."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from plantigrade.block import FloatArray, Foot
from plantigrade.errors import SignalError
from plantigrade.synth import plan as plans
from plantigrade.synth import posture
from plantigrade.synth.foot import HEEL, MIDFOOT
from plantigrade.synth.motion import BODY_HZ, Body, Part, Sway
from plantigrade.synth.player import Player
from plantigrade.synth.reader import Reader
from plantigrade.synth.swing import swing
from plantigrade.synth.truth import Truth
from plantigrade.synth.walk import walk
from plantigrade.zones import ZoneLayout, eighteen

_PERFORM: dict[type, Callable[[Body, Any, np.random.Generator], Part]] = {
    plans.Stand: posture.stand,
    plans.OneLeg: posture.one_leg,
    plans.Rock: posture.rock,
    plans.Walk: walk,
    plans.Swing: swing,
    plans.Waggle: posture.waggle,
    plans.HalfSwing: posture.half_swing,
    plans.TrailRest: posture.trail_rest,
    plans.SlowShift: posture.slow_shift,
    plans.Bend: posture.bend,
    plans.Shuffle: posture.shuffle,
}


@dataclass(frozen=True, slots=True, eq=False)
class Performance:
    """What both feet truly pressed, and what the body did.

    Attributes
    ----------
    player : Player
    layout : ZoneLayout
    rate_hz : float
    t_s : ndarray of float64, shape (n,)
        Sample times from 0, s.
    left, right : ndarray of float64, shape (n, n_zones)
        Ideal zone readings in the layout's unit; never NaN.
    left_n, right_n : ndarray of float64, shape (n, 4)
        Ideal load on heel, midfoot, forefoot and toes, N.
    truth : Truth
    segments_s : tuple of float
        When each segment of the plan begins, s.
    """

    player: Player
    layout: ZoneLayout
    rate_hz: float
    t_s: FloatArray
    left: FloatArray
    right: FloatArray
    left_n: FloatArray
    right_n: FloatArray
    truth: Truth
    segments_s: tuple[float, ...]


def perform(
    player: Player,
    plan: plans.SessionPlan,
    rate_hz: float = 100.0,
    seed: int = 0,
    layout: ZoneLayout | None = None,
) -> Performance:
    """Perform a plan.

    The body moves at 400 Hz whatever the sample rate: the same player, plan and seed do the same,
    with the same truth, at every rate and on every layout.

    Parameters
    ----------
    player : Player
    plan : SessionPlan
    rate_hz : float
        Sample rate, 1 to 400 Hz; rates that divide 400 take the body's own samples, others are
        interpolated.
    seed : int
    layout : ZoneLayout or None
        None: the built-in eighteen zones.

    Returns
    -------
    Performance

    Raises
    ------
    SignalError
        A rate outside its range.
    """
    if not 1.0 <= rate_hz <= BODY_HZ:
        raise SignalError(f"synthetic session: rate is {rate_hz} Hz, expected 1 to {BODY_HZ:g} Hz")
    layout = eighteen() if layout is None else layout
    body = Body.of(player)
    parts = [
        _PERFORM[type(segment)](body, segment, np.random.default_rng([seed, n]))
        for n, segment in enumerate(plan.segments)
    ]
    ends = np.cumsum([len(part.motion.t_s) for part in parts])
    n = int(ends[-1])
    begins = np.concatenate(([0.0], ends[:-1] / BODY_HZ))
    sway = Sway.draw(player, n, np.random.default_rng([seed, len(parts), 1]))
    load = {foot: _foot_load(body, parts, sway, foot) for foot in Foot}
    truth = Reader(player, load).read(parts)
    t_s = np.arange(int((n - 1) * rate_hz / BODY_HZ) + 1) / rate_hz
    at = {foot: _sampled(load[foot], t_s, rate_hz) for foot in Foot}
    lean = {
        foot: _sampled((_joined(parts, f"lean.{foot}") + sway.lean[foot])[:, None], t_s, rate_hz)
        for foot in Foot
    }
    pressed = {
        foot: body.sole(foot).zones(layout, at[foot], np.clip(lean[foot][:, 0], -1.0, 1.0))
        for foot in Foot
    }
    return Performance(
        player,
        layout,
        rate_hz,
        t_s,
        pressed[Foot.LEFT],
        pressed[Foot.RIGHT],
        at[Foot.LEFT],
        at[Foot.RIGHT],
        truth,
        tuple(begins.tolist()),
    )


def _joined(parts: list[Part], name: str) -> FloatArray:
    """Join one of the motions' tracks, such as ``"total"`` or ``"y.left"``."""
    track, _, foot = name.partition(".")
    pieces = []
    for part in parts:
        value = getattr(part.motion, track)
        value = value[Foot(foot)] if foot else value
        pieces.append(value if isinstance(value, np.ndarray) else value.values)
    return np.concatenate(pieces)


def _sampled(values: FloatArray, t_s: FloatArray, rate_hz: float) -> FloatArray:
    step = BODY_HZ / rate_hz
    if step == int(step):
        return np.ascontiguousarray(values[:: int(step)][: len(t_s)])
    at = np.arange(len(values)) / BODY_HZ
    return np.stack([np.interp(t_s, at, column) for column in values.T], axis=1)


def _foot_load(body: Body, parts: list[Part], sway: Sway, foot: Foot) -> FloatArray:
    """Load on one foot's regions at the body's rate, N, shape (n, 4)."""
    left = np.clip(_joined(parts, "left"), 0.0, 1.0)
    calm = _joined(parts, "calm")
    # Sway cannot load a foot that is off the ground: it fades as either foot empties.
    left = np.clip(left + sway.share * calm * 4.0 * left * (1.0 - left), 0.0, 1.0)
    share = left if foot is Foot.LEFT else 1.0 - left
    total = np.maximum(_joined(parts, "total") + sway.total, 0.0) * body.player.weight_n
    sole = body.sole(foot)
    shares = sole.placed(_joined(parts, f"y.{foot}") + sway.y[foot] * calm)
    rolling = _joined(parts, f"rolling.{foot}")
    on = np.flatnonzero(rolling)
    if len(on):
        phase = _joined(parts, f"phase.{foot}")[on]
        weight = rolling[on][:, None]
        shares[on] = (1.0 - weight) * shares[on] + weight * sole.rolled(phase)
    _lift_heel(shares, _joined(parts, f"heel.{foot}"))
    return shares * (share * total)[:, None]


def _lift_heel(shares: FloatArray, heel: FloatArray) -> None:
    """Where the heel is off the ground its load, and the midfoot's, goes to the ball and toes."""
    on = np.flatnonzero(heel < 1.0)
    keep = np.clip(heel[on], 0.0, 1.0)
    front = shares[on, MIDFOOT + 1 :]
    moved = (1.0 - keep) * (shares[on, HEEL] + shares[on, MIDFOOT])
    shares[on, HEEL] *= keep
    shares[on, MIDFOOT] *= keep
    ratio = front / np.maximum(front.sum(axis=1, keepdims=True), 1e-9)
    ratio[front.sum(axis=1) < 1e-6] = (1.0, 0.0)
    shares[on, MIDFOOT + 1 :] = front + moved[:, None] * ratio
