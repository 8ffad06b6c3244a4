"""What a real insole makes of ideal pressure: noise, hysteresis, drift, dead zone, losses."""

from dataclasses import dataclass

import numpy as np

from plantigrade.block import FloatArray, Foot
from plantigrade.errors import SignalError
from plantigrade.synth.session import Performance

_OPERATORS = np.array([0.4, 0.8, 1.2, 1.6])
"""Relative widths of the play operators that together make a smooth loop."""

_ROWS = 4096


@dataclass(frozen=True, slots=True)
class StuckZone:
    """A zone that from a moment on gives one value whatever presses it."""

    foot: Foot
    zone: int
    """Index, id − 1."""
    value: float
    """In the layout's unit."""
    from_s: float = 0.0


@dataclass(frozen=True, slots=True)
class SensorModel:
    """A pressure insole's faults; the sizes are simulation settings, ours unless said otherwise.

    Attributes
    ----------
    gain_left, gain_right : float
        Measured over true load of the whole foot: zones do not cover all of it.
    gain_spread : float
        SD of the single zone's gain, relative.
    hysteresis : float
        Greatest difference between unloading and loading in a loop from nothing to a pressure and
        back, over that pressure. 0.1 to 0.2 for resistive sensors (from memory).
    drift_n : float
        The most a foot's sum moves over the session, N; each foot draws its own size up to it and
        its sign.
    lacing_n : float
        What a laced shoe presses on a foot's sensors all the time, N.
    noise_kpa : float
        SD of each zone's noise.
    dead_kpa : float
        Below it a zone reads 0.
    saturation_kpa : float
    step_kpa : float
        Quantisation; 0 for none.
    loss : float
        Probability that a packet is lost.
    packet_frames : int
        Samples in a packet.
    stuck : tuple of StuckZone
    """

    gain_left: float = 1.0
    gain_right: float = 1.0
    gain_spread: float = 0.0
    hysteresis: float = 0.10
    drift_n: float = 5.0
    lacing_n: float = 0.0
    noise_kpa: float = 0.5
    dead_kpa: float = 2.0
    saturation_kpa: float = 800.0
    step_kpa: float = 0.2
    loss: float = 0.0
    packet_frames: int = 2
    stuck: tuple[StuckZone, ...] = ()

    def __post_init__(self) -> None:
        if not 0.0 <= self.hysteresis <= 0.5:
            raise SignalError(f"sensor model: hysteresis is {self.hysteresis}, expected 0 to 0.5")
        if not 0.0 <= self.loss < 1.0:
            raise SignalError(f"sensor model: loss is {self.loss}, expected 0 to below 1")
        if self.packet_frames < 1:
            raise SignalError(
                f"sensor model: {self.packet_frames} frames in a packet, expected 1 or more"
            )

    @classmethod
    def clean(cls) -> "SensorModel":
        """Return a sensor without any fault, not even quantisation."""
        return cls(
            hysteresis=0.0,
            drift_n=0.0,
            noise_kpa=0.0,
            dead_kpa=0.0,
            saturation_kpa=np.inf,
            step_kpa=0.0,
        )

    def read(self, performance: Performance, seed: int = 0) -> tuple[FloatArray, FloatArray]:
        """Measure a performance.

        Parameters
        ----------
        performance : Performance
        seed : int

        Returns
        -------
        left, right : ndarray of float64, shape (n, n_zones)
            In the layout's unit; rows of lost packets are NaN.
        """
        layout = performance.layout
        to_kpa = 1000.0 * layout.newtons_per_unit / layout.area_mm2
        rngs = [np.random.default_rng([seed, foot]) for foot in range(2)]
        felt = [
            ideal * (to_kpa * gain * rng.normal(1.0, self.gain_spread, layout.n_zones).clip(0.1))
            for ideal, gain, rng in (
                (performance.left, self.gain_left, rngs[0]),
                (performance.right, self.gain_right, rngs[1]),
            )
        ]
        if self.hysteresis:  # of both feet at once: it goes row by row
            felt = np.hsplit(play(np.hstack(felt), self.hysteresis), 2)
        left, right = felt
        return (
            self._read(performance, Foot.LEFT, left, rngs[0]),
            self._read(performance, Foot.RIGHT, right, rngs[1]),
        )

    def _read(
        self, performance: Performance, foot: Foot, kpa: FloatArray, rng: np.random.Generator
    ) -> FloatArray:
        layout = performance.layout
        to_kpa = 1000.0 * layout.newtons_per_unit / layout.area_mm2
        n = len(kpa)
        offset_n = self.lacing_n + self._drift(n, rng)
        weight = layout.area_mm2 * rng.uniform(0.5, 1.5, layout.n_zones)
        kpa += offset_n[:, None] * (1000.0 * weight / weight.sum() / layout.area_mm2)
        if self.noise_kpa:
            kpa += self.noise_kpa * rng.standard_normal(kpa.shape)
        kpa[kpa < self.dead_kpa] = 0.0
        np.clip(kpa, 0.0, self.saturation_kpa, out=kpa)
        if self.step_kpa:
            kpa = np.round(kpa / self.step_kpa) * self.step_kpa
        reading: FloatArray = kpa / to_kpa
        for fault in self.stuck:
            if fault.foot is foot:
                reading[performance.t_s >= fault.from_s, fault.zone] = fault.value
        reading[self._lost(n, rng)] = np.nan
        return reading

    def _drift(self, n: int, rng: np.random.Generator) -> FloatArray:
        """Slow course from 0, within ± `drift_n`, N."""
        t = np.linspace(0.0, 1.0, n)
        bend = rng.uniform(0.8, 1.6)
        course = t**bend + 0.15 * np.sin(2.0 * np.pi * rng.uniform(1.0, 3.0) * t) * t
        size = self.drift_n * rng.uniform(0.5, 1.0) * rng.choice([-1.0, 1.0])
        return np.asarray(size * course / np.abs(course).max()) if n else t

    def _lost(self, n: int, rng: np.random.Generator) -> np.ndarray:
        packets = -(-n // self.packet_frames)
        lost = rng.random(packets) < self.loss
        return np.repeat(lost, self.packet_frames)[:n]


def play(pressure: FloatArray, hysteresis: float) -> FloatArray:
    """Give pressure a rate-independent memory.

    The mean of generalised play operators, each of which holds its value while it lies between
    ``(1 − h)·p`` and ``(1 + h)·p`` (Visintin, Differential Models of Hysteresis, 1994, ch. III;
    from memory). So unloading reads more than loading and the loop closes at zero. It depends on
    the order of pressures alone, not on how fast they come.

    Parameters
    ----------
    pressure : ndarray of float64, shape (n, n_zones)
        Not negative, without NaN.
    hysteresis : float
        Greatest width of a loop from zero, over the greatest pressure.

    Returns
    -------
    ndarray of float64, shape (n, n_zones)
    """
    half = _half_widths(hysteresis)
    out = np.empty_like(pressure)
    state = np.zeros((len(half), pressure.shape[1]))
    for first in range(0, len(pressure), _ROWS):  # pieces keep the operators' states small
        rows = pressure[first : first + _ROWS, None, :]
        high, low = rows * (1.0 + half[:, None]), rows * (1.0 - half[:, None])
        states = np.empty_like(high)
        for upper, lower, held in zip(high, low, states, strict=True):
            np.minimum(state, upper, out=upper)
            state = np.maximum(upper, lower, out=held)
        out[first : first + _ROWS] = states.mean(axis=1)
    return out


def _half_widths(hysteresis: float) -> FloatArray:
    """Half widths of the operators whose joint loop has the asked width, by bisection."""
    p = np.linspace(0.0, 1.0, 501)[:, None]
    low, high = 0.0, 0.6
    for _ in range(40):
        middle = 0.5 * (low + high)
        half = middle * _OPERATORS
        gap = np.minimum(1.0 - half, (1.0 + half) * p) - (1.0 - half) * p
        if gap.mean(axis=1).max() < hysteresis:
            low = middle
        else:
            high = middle
    return np.asarray(middle * _OPERATORS)


def random_sensor(rng: np.random.Generator, loss: float = 0.01) -> SensorModel:
    """Draw an insole with hysteresis of 10 to 20 %, drift up to 10 N and a laced shoe."""
    return SensorModel(
        gain_left=float(rng.uniform(0.75, 1.0)),
        gain_right=float(rng.uniform(0.75, 1.0)),
        gain_spread=0.03,
        hysteresis=float(rng.uniform(0.10, 0.20)),
        drift_n=float(rng.uniform(0.0, 10.0)),
        lacing_n=float(rng.uniform(0.0, 20.0)),
        noise_kpa=float(rng.uniform(0.2, 0.8)),
        dead_kpa=float(rng.uniform(0.5, 3.0)),
        loss=loss,
    )
