"""A performed session: the ideal pressure under both feet, and the truth about what was done."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from plantigrade.block import FloatArray, Foot
from plantigrade.errors import SignalError
from plantigrade.events import Roll
from plantigrade.synth import plan as plans
from plantigrade.synth import posture
from plantigrade.synth.foot import HEEL, MIDFOOT
from plantigrade.synth.motion import BODY_HZ, Body, Part, StanceNote, Sway, SwingNote
from plantigrade.synth.player import Player
from plantigrade.synth.swing import swing
from plantigrade.synth.truth import NotSwing, StanceTruth, StandTruth, SwingTruth, Truth
from plantigrade.synth.walk import walk
from plantigrade.zones import ZoneLayout, eighteen

_PERFORM: dict[type, Callable[[Body, Any, np.random.Generator], Part]] = {
    plans.Stand: posture.stand,
    plans.OneLeg: posture.one_leg,
    plans.Walk: walk,
    plans.Swing: swing,
    plans.Waggle: posture.waggle,
    plans.HalfSwing: posture.half_swing,
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
    n = sum(len(part.motion.t_s) for part in parts)
    sway = Sway.draw(player, n, np.random.default_rng([seed, len(parts), 1]))
    load = {foot: _foot_load(body, parts, sway, foot) for foot in Foot}
    truth = _Reader(player, load).read(parts)
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


class _Reader:
    """Reads the truths that only the ideal loads tell."""

    def __init__(self, player: Player, load: dict[Foot, FloatArray]) -> None:
        self.player = player
        self.load = load
        self.whole = {foot: load[foot].sum(axis=1) for foot in Foot}

    def read(self, parts: list[Part]) -> Truth:
        steps: list[StanceTruth] = []
        swings: list[SwingTruth] = []
        stands: list[StandTruth] = []
        others: list[NotSwing] = []
        first = 0
        for part in parts:
            at = first / BODY_HZ
            steps += [self._stance(note, at) for note in part.stances]
            swings += [self._swing(note, part, first) for note in part.swings]
            stands += [self._stand(stand, at) for stand in part.stands]
            others += [
                replace(o, start_s=float(o.start_s + at), end_s=float(o.end_s + at))
                for o in part.not_swings
            ]
            first += len(part.motion.t_s)
        return Truth(
            self.player.contact_n,
            self.player.weight_n,
            tuple(sorted(steps, key=lambda s: s.strike_s)),
            tuple(swings),
            tuple(stands),
            tuple(others),
        )

    def _stance(self, note: StanceNote, at: float) -> StanceTruth:
        load = self.whole[note.foot]
        begin = int((note.strike_s + at) * BODY_HZ) - 2
        end = int(np.ceil((note.off_s + at) * BODY_HZ)) + 2
        over = np.flatnonzero(load[begin:end] >= self.player.contact_n) + begin
        strike = _crossing(load, int(over[0]) - 1, self.player.contact_n)
        off = _crossing(load, int(over[-1]), self.player.contact_n)
        inside = self.load[note.foot][over[0] : over[-1] + 1]
        midfoot = float(inside[:, MIDFOOT].sum() / inside.sum())
        roll = Roll.UNCLEAR
        if midfoot >= 0.06:
            roll = Roll.THROUGH
        elif midfoot <= 0.02:
            roll = Roll.SKIPPED
        return StanceTruth(note.foot, strike, off, roll, midfoot, note.turning)

    def _stand(self, stand: StandTruth, at: float) -> StandTruth:
        begin, end = (round((t + at) * BODY_HZ) for t in (stand.start_s, stand.end_s))
        left, right = (self.load[foot][begin:end].mean(axis=0) for foot in (Foot.LEFT, Foot.RIGHT))
        return StandTruth(
            begin / BODY_HZ,
            end / BODY_HZ,
            stand.on,
            float(left.sum() / (left.sum() + right.sum())),
            float(left[MIDFOOT] / max(left.sum(), 1e-9)),
            float(right[MIDFOOT] / max(right.sum(), 1e-9)),
        )

    def _swing(self, note: SwingNote, part: Part, first: int) -> SwingTruth:
        values = dict(note.values)
        at = first / BODY_HZ
        for name in ("address_s", "finish_start_s", "end_s", "heel_leave_s", "fore_take_s"):
            values[name] = None if values[name] is None else float(values[name] + at)  # type: ignore[operator]
        lead = values["lead"]
        assert isinstance(lead, Foot)
        share = part.motion.left.values
        share = share if lead is Foot.LEFT else 1.0 - share
        timing = _deliberate(share, note, at)
        search = slice(
            first + round(note.shift_s * BODY_HZ), first + round((note.peak_s + 0.1) * BODY_HZ)
        )
        peak = int(np.argmax(self.whole[lead][search])) + search.start
        lifts = self._heel(lead, first, note) if values["heel_lifted"] else {}
        return SwingTruth(
            **{**values, **timing},  # type: ignore[arg-type]
            lead_peak_s=_vertex(self.whole[lead], peak),
            lead_peak_bw=float(self.whole[lead][peak] / self.player.weight_n),
            lift_s=lifts.get("lift_s"),
            return_s=lifts.get("return_s"),
            air_s=lifts.get("air_s"),
            ground_s=lifts.get("ground_s"),
        )

    def _heel(self, lead: Foot, first: int, note: SwingNote) -> dict[str, float]:
        heel = self.load[lead][:, HEEL]
        begin = first + round(note.begin_s * BODY_HZ)
        end = first + round((note.peak_s + 0.3) * BODY_HZ)
        lowest = begin + int(np.argmin(heel[begin:end]))
        found = {}
        for level, down, up in ((0.03, "lift_s", "return_s"), (0.001, "air_s", "ground_s")):
            limit = level * self.player.weight_n
            over = np.flatnonzero(heel[begin:end] >= limit) + begin
            found[down] = _crossing(heel, int(over[over < lowest][-1]), limit)
            found[up] = _crossing(heel, int(over[over > lowest][0]) - 1, limit)
        return found


def _deliberate(share: FloatArray, note: SwingNote, at: float) -> dict[str, float | bool]:
    """Read start, turn and shift off the deliberate lead share of one segment."""
    begin, shift, peak = (round(t * BODY_HZ) for t in (note.begin_s, note.shift_s, note.peak_s))
    address = share[begin - round(0.5 * BODY_HZ)]
    low_at = begin + int(np.argmin(share[begin : shift + 1]))
    low = share[low_at]
    start_level = address - 0.05 * (address - low)
    start = int(np.flatnonzero(share[begin - 200 : low_at] >= start_level)[-1]) + begin - 200
    high = share[shift : peak + 1].max()
    shift_level = low + 0.05 * (high - low)
    shift_at = int(np.flatnonzero(share[low_at:peak] <= shift_level)[-1]) + low_at
    near = np.flatnonzero(share[begin : peak + 1] <= low + 0.02)
    width = len(near) / BODY_HZ
    turn = low_at / BODY_HZ
    if note.hold_s:
        turn = note.shift_s - 0.5 * note.hold_s
    return {
        "start_s": at + _crossing(share, start, start_level),
        "trail_peak_s": float(at + turn),
        "trough_width_s": width,
        "trough_sharp": width <= 0.12,
        "shift_s": at + _crossing(share, shift_at, shift_level),
    }


def _crossing(values: FloatArray, k: int, level: float) -> float:
    """Time at which `values` crosses `level` between samples k and k + 1, s."""
    low, high = float(values[k]), float(values[k + 1])
    return float(k + (level - low) / (high - low)) / BODY_HZ


def _vertex(values: FloatArray, k: int) -> float:
    """Time of the maximum near sample k by a parabola, s."""
    a, b, c = (float(values[j]) for j in (k - 1, k, k + 1))
    bend = a - 2.0 * b + c
    return (k + (0.5 * (a - c) / bend if bend < 0.0 else 0.0)) / BODY_HZ
