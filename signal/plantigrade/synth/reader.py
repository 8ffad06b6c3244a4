"""Reads off a performed session the truths that only its ideal loads tell.

Times are interpolated at the body's rate; nothing here knows of samples or sensors.
"""

from dataclasses import replace

import numpy as np

from plantigrade.block import FloatArray, Foot
from plantigrade.events import Roll
from plantigrade.synth.foot import HEEL, MIDFOOT
from plantigrade.synth.motion import BODY_HZ, Part, StanceNote, SwingNote
from plantigrade.synth.player import Player
from plantigrade.synth.swing import ON_THE_WAY
from plantigrade.synth.truth import NotSwing, StanceTruth, StandTruth, SwingTruth, Truth

_ROLLS_FROM, _SKIPS_TO = 0.06, 0.02
"""Midfoot impulse shares from which a foot rolls through, and up to which it skips."""

_UNLOADED_BW, _AIR_BW = 0.03, 0.001
"""Heel loads, × body weight, that count as unloaded and as off the ground."""

_SHARP_S = 0.12
"""A turn at the trail side is sharp when it stays within .02 of the extreme no longer."""


class Reader:
    """Turns the notes of performed segments into truths.

    Parameters
    ----------
    player : Player
    load : dict of Foot to ndarray of float64, shape (n, 4)
        Ideal regional loads of the whole session at the body's rate, N.
    """

    def __init__(self, player: Player, load: dict[Foot, FloatArray]) -> None:
        self.player = player
        self.load = load
        self.whole = {foot: load[foot].sum(axis=1) for foot in Foot}

    def read(self, parts: list[Part]) -> Truth:
        """Return the whole session's truth."""
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
                replace(other, start_s=float(other.start_s + at), end_s=float(other.end_s + at))
                for other in part.not_swings
            ]
            first += len(part.motion.t_s)
        return Truth(
            self.player.contact_n,
            self.player.weight_n,
            tuple(sorted(steps, key=lambda step: step.strike_s)),
            tuple(swings),
            tuple(stands),
            tuple(others),
        )

    def _stance(self, note: StanceNote, at: float) -> StanceTruth:
        load = self.whole[note.foot]
        begin = int((note.strike_s + at) * BODY_HZ) - 2
        end = int(np.ceil((note.off_s + at) * BODY_HZ)) + 2
        over = np.flatnonzero(load[begin:end] >= self.player.contact_n) + begin
        inside = self.load[note.foot][over[0] : over[-1] + 1]
        midfoot = float(inside[:, MIDFOOT].sum() / inside.sum())
        roll = Roll.UNCLEAR
        if midfoot >= _ROLLS_FROM:
            roll = Roll.THROUGH
        elif midfoot <= _SKIPS_TO:
            roll = Roll.SKIPPED
        return StanceTruth(
            note.foot,
            crossing_s(load, int(over[0]) - 1, self.player.contact_n),
            crossing_s(load, int(over[-1]), self.player.contact_n),
            roll,
            midfoot,
            note.turning,
        )

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
        at = first / BODY_HZ
        share = part.motion.left.values
        share = share if note.lead is Foot.LEFT else 1.0 - share
        start, turn, shift, width = _turning(share, note)
        load = self.whole[note.lead]
        begin, end = (first + round(t * BODY_HZ) for t in (note.shift_s, note.peak_s + 0.1))
        peak = begin + int(np.argmax(load[begin:end]))
        lifted = note.heel.lifts
        lift, back = self._heel(note, first, _UNLOADED_BW) if lifted else (None, None)
        air, ground = self._heel(note, first, _AIR_BW) if lifted else (None, None)
        return SwingTruth(
            lead=note.lead,
            style=note.style,
            address_s=note.address_s + at,
            first_move_s=note.begin_s + at,
            start_s=start + at,
            trail_peak_s=turn + at,
            trough_width_s=width,
            trough_sharp=width <= _SHARP_S,
            shift_s=shift + at,
            lead_peak_s=_vertex_s(load, peak),
            lead_peak_bw=float(load[peak] / self.player.weight_n),
            finish_start_s=note.finish_start_s + at,
            end_s=note.end_s + at,
            heel_lifted=lifted,
            heel=note.heel,
            lift_s=lift,
            return_s=back,
            air_s=air,
            ground_s=ground,
            manner=note.manner,
            timing=note.timing,
            heel_leave_s=None if note.heel_leave_s is None else note.heel_leave_s + at,
            fore_take_s=None if note.fore_take_s is None else note.fore_take_s + at,
            travel=note.travel,
            stepped=note.stepped,
        )

    def _heel(self, note: SwingNote, first: int, level_bw: float) -> tuple[float, float]:
        """When the lead heel's load last falls below, and first rises above, a level."""
        heel = self.load[note.lead][:, HEEL]
        begin, end = (first + round(t * BODY_HZ) for t in (note.begin_s, note.peak_s + 0.3))
        lowest = begin + int(np.argmin(heel[begin:end]))
        limit = level_bw * self.player.weight_n
        over = np.flatnonzero(heel[begin:end] >= limit) + begin
        return (
            crossing_s(heel, int(over[over < lowest][-1]), limit),
            crossing_s(heel, int(over[over > lowest][0]) - 1, limit),
        )


def _turning(share: FloatArray, note: SwingNote) -> tuple[float, float, float, float]:
    """Start, turn, shift and width of the turn, s, from one segment's deliberate lead share."""
    begin, shift, peak = (round(t * BODY_HZ) for t in (note.begin_s, note.shift_s, note.peak_s))
    still = begin - round(0.5 * BODY_HZ)
    address = share[still]
    low_at = begin + int(np.argmin(share[begin : shift + 1]))
    low, high = share[low_at], share[shift : peak + 1].max()
    start_level = address - ON_THE_WAY * (address - low)
    start = still + int(np.flatnonzero(share[still:low_at] >= start_level)[-1])
    shift_level = low + ON_THE_WAY * (high - low)
    shift_at = low_at + int(np.flatnonzero(share[low_at:peak] <= shift_level)[-1])
    turn = note.shift_s - 0.5 * note.hold_s if note.hold_s else low_at / BODY_HZ
    width = int(np.count_nonzero(share[begin : peak + 1] <= low + 0.02)) / BODY_HZ
    return (
        crossing_s(share, start, start_level),
        turn,
        crossing_s(share, shift_at, shift_level),
        width,
    )


def crossing_s(values: FloatArray, k: int, level: float) -> float:
    """Return the time at which `values` crosses `level` between samples k and k + 1, s."""
    low, high = float(values[k]), float(values[k + 1])
    return (k + (float(level) - low) / (high - low)) / BODY_HZ


def _vertex_s(values: FloatArray, k: int) -> float:
    """Return the time of the maximum near sample k by a parabola, s."""
    a, b, c = (float(values[j]) for j in (k - 1, k, k + 1))
    bend = a - 2.0 * b + c
    return (k + (0.5 * (a - c) / bend if bend < 0.0 else 0.0)) / BODY_HZ
