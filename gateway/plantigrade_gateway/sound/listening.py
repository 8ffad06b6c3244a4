"""What a microphone's blocks come to: transients with their host time. No sound leaves this module.

Takes blocks of samples with their arrival, gives `Heard`. The sample count is a clock like an
insole's, and its host time is found the same way (`plantigrade.clock`): from the arrivals that came
with the least delay. The steady part of the delay stays in it; stamped heels tell it.
"""

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from plantigrade.clock import ClockModel, ClockState
from plantigrade.transients import SOUND_RATE_HZ, Transient, TransientDetector, TransientKind

_KEPT_S = 2.0  # of the map from samples to host time: a transient is decided within 0.2 s
_WINDOW = 2 * SOUND_RATE_HZ
_LOST_S = 0.004  # a machine may delay all blocks of two seconds by less
_LEAST_BLOCK = 240  # samples: smaller blocks wait for the next one


@dataclass(frozen=True, slots=True)
class Heard:
    """A transient and when it was heard.

    Attributes
    ----------
    host_ns : int
        Monotonic host time, later than the sound by the device's steady delay, ns.
    transient : Transient
        Its `t_s` counts samples from the first block.
    """

    host_ns: int
    transient: Transient


class Listener:
    """Finds transients in blocks as they arrive.

    Parameters
    ----------
    origin_ns : int
        A monotonic host time not after the first arrival, ns.

    Attributes
    ----------
    stamping : bool
        Thumps are looked for too: only while heels are stamped, since much else thumps.
    losses : int
        How often samples were lost between device and program.
    """

    def __init__(self, origin_ns: int) -> None:
        self.stamping = False
        self.losses = 0
        self._origin_ns = origin_ns
        self._clock = ClockModel(origin_ns)
        self._detectors = {kind: TransientDetector(kind) for kind in TransientKind}
        self._at = 0  # samples so far
        self._waiting: list[NDArray[np.float32]] = []
        self._knots: deque[tuple[int, float]] = deque()  # sample, host time s since the origin
        self._window = 0
        self._least_s = self._least_before_s = (
            np.inf
        )  # delay within this window, and the one before

    @property
    def clock(self) -> ClockState:
        """How well the sound's clock is known."""
        return self._clock.state

    def push(self, arrival_ns: int, samples: NDArray[np.float32]) -> list[Heard]:
        """Take the next block; return what was decided with it, in order of time.

        Parameters
        ----------
        arrival_ns : int
            Monotonic host time at which the block came, ns; never falls.
        samples : ndarray of float32, shape (n,)
            Mono at 48 kHz, full scale ±1, finite.
        """
        self._waiting.append(samples)
        n = sum(len(block) for block in self._waiting)
        if n < _LEAST_BLOCK:
            return []
        sound = np.concatenate(self._waiting)
        self._waiting.clear()
        self._map(arrival_ns, n)
        found = []
        for kind, detector in self._detectors.items():
            if kind is TransientKind.CLICK or self.stamping:
                found += self._timed(detector.push(sound))
            else:
                detector.push(sound)  # it has to have heard what came before
        return sorted(found, key=lambda heard: heard.host_ns)

    def _map(self, arrival_ns: int, n: int) -> None:
        first, last = self._at, self._at + n - 1
        self._look_for_losses(arrival_ns, last)
        clock_us = [sample * 1_000_000 // SOUND_RATE_HZ for sample in (first, last)]
        ends_s = self._clock.map_frames(
            np.array([arrival_ns]), np.array([clock_us[0]]), clock_us[1] - clock_us[0], 2
        )
        self._knots += [(first, float(ends_s[0])), (last, float(ends_s[1]))]
        self._at += n
        while self._knots[0][0] < self._at - round(_KEPT_S * SOUND_RATE_HZ):
            self._knots.popleft()

    def _look_for_losses(self, arrival_ns: int, last: int) -> None:
        """Begin the clock again where blocks were lost: all later ones seem to be late.

        One that came without delay is in every window, but where samples are missing.
        """
        if last // _WINDOW != self._window:
            self._window = last // _WINDOW
            if self._least_s - self._least_before_s > _LOST_S:
                self._clock.restart()
                self.losses += 1
            self._least_before_s, self._least_s = self._least_s, np.inf
        delay_s = 1e-9 * (arrival_ns - self._origin_ns) - last / SOUND_RATE_HZ
        self._least_s = min(self._least_s, delay_s)

    def _timed(self, found: list[Transient]) -> list[Heard]:
        if not found:
            return []
        samples, times_s = zip(*self._knots, strict=True)
        at = [one.t_s * SOUND_RATE_HZ for one in found]
        host_s = np.interp(at, samples, times_s).tolist()
        return [
            Heard(self._origin_ns + round(1e9 * t_s), one)
            for t_s, one in zip(host_s, found, strict=True)
        ]
