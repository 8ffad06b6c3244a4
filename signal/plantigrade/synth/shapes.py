"""How a quantity goes from one level to another: a varied family of smooth courses.

Human point-to-point movement is smooth, but no two people follow one formula, so every transition
of the synthetic player draws its own. A shape maps progress in time, 0…1, to progress in value.
"""

from collections.abc import Callable

import numpy as np
from scipy.special import betainc

from plantigrade.block import FloatArray

Shape = Callable[[FloatArray], FloatArray]

_GRID = np.linspace(0.0, 1.0, 2001)


def minimum_jerk(u: FloatArray) -> FloatArray:
    """Return the minimum-jerk course (Flash & Hogan 1985, J Neurosci 5:1688; from memory)."""
    return u * u * u * (10.0 + u * (6.0 * u - 15.0))


def half_cosine(u: FloatArray) -> FloatArray:
    """Return half a cosine wave from 0 to 1."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * u))


def logistic(steepness: float) -> Shape:
    """Return a logistic course cut and stretched to run from exactly 0 to exactly 1."""
    low = 1.0 / (1.0 + np.exp(0.5 * steepness))

    def shape(u: FloatArray) -> FloatArray:
        raw = 1.0 / (1.0 + np.exp(-steepness * (u - 0.5)))
        return np.asarray((raw - low) / (1.0 - 2.0 * low))

    return shape


def skewed(start: float, end: float) -> Shape:
    """Return a regularised beta course: exponents near 1 start or end briskly, near 3 softly."""

    def shape(u: FloatArray) -> FloatArray:
        return np.asarray(betainc(start, end, u))

    return shape


def _with_ripple(shape: Shape, size: float, cycles: float) -> Shape:
    """Add a secondary movement that is nil at both ends."""

    def rippled(u: FloatArray) -> FloatArray:
        return np.asarray(
            shape(u) + size * np.sin(2.0 * np.pi * cycles * u) * np.sin(np.pi * u) ** 2
        )

    return rippled


def near(rng: np.random.Generator, mean: float, sd: float, low: float, high: float) -> float:
    """Draw from a normal distribution, kept within low…high."""
    return float(np.clip(rng.normal(mean, sd), low, high))


def draw_shape(rng: np.random.Generator, soft: bool = True) -> Shape:
    """Draw a course at random.

    Parameters
    ----------
    rng : numpy.random.Generator
    soft : bool
        True draws from the soft-ended families too (minimum jerk, half cosine, logistic); False
        only from courses that start and end briskly, as contact with the ground does.

    Returns
    -------
    callable
        Array of progress in time within 0…1 → progress in value; 0 at 0 and 1 at 1.
    """
    if not soft:
        return skewed(rng.uniform(1.1, 1.6), rng.uniform(1.1, 1.6))
    family = rng.integers(4)
    shape: Shape
    if family == 0:
        shape = minimum_jerk
    elif family == 1:
        shape = half_cosine
    elif family == 2:
        shape = logistic(rng.uniform(5.0, 9.0))
    else:
        shape = skewed(rng.uniform(1.4, 3.0), rng.uniform(1.4, 3.0))
    if rng.random() < 0.4:
        shape = _with_ripple(shape, rng.uniform(0.005, 0.02), float(rng.integers(1, 4)))
    return shape


def time_of(shape: Shape, level: float) -> float:
    """Return the progress in time after which `shape` stays above `level`, 0…1."""
    below = np.flatnonzero(shape(_GRID) < level)
    return float(_GRID[below[-1]]) if len(below) else 0.0


class Track:
    """One quantity over a segment, built by adding transitions to a constant.

    Parameters
    ----------
    t_s : ndarray of float64, shape (n,)
        Times from the segment's beginning, s.
    value : float
        The level it starts at.
    """

    def __init__(self, t_s: FloatArray, value: float) -> None:
        self.t_s = t_s
        self.values = np.full(len(t_s), value)
        self.level = value

    def to(self, start_s: float, duration_s: float, value: float, shape: Shape) -> None:
        """Go to `value`; a transition that overlaps the one before it is added to it."""
        first, last = np.searchsorted(self.t_s, [start_s, start_s + duration_s])
        u = (self.t_s[first:last] - start_s) / duration_s
        self.values[first:last] += (value - self.level) * shape(u)
        self.values[last:] += value - self.level
        self.level = value

    def bump(self, start_s: float, duration_s: float, height: float, lean: float = 0.5) -> None:
        """Rise by `height` and come back, the top at the fraction `lean` of the duration."""
        first, last = np.searchsorted(self.t_s, [start_s, start_s + duration_s])
        u = (self.t_s[first:last] - start_s) / duration_s
        phase = np.where(u < lean, u / (2.0 * lean), 0.5 + (u - lean) / (2.0 * (1.0 - lean)))
        self.values[first:last] += height * (0.5 - 0.5 * np.cos(2.0 * np.pi * phase))
