"""Sway of a centre of pressure in a quiet stand: range, RMS, path, speed, ellipse, frequency.

Takes a whole stand (it is measured when it is over), gives one `Sway`. It knows nothing of feet,
body weight or quietness: `plantigrade.stand` decides what is a stand. One insole's sway is not
balance ability, and the norms of plates are not to be shown beside it.
"""

import math
from dataclasses import dataclass
from functools import cache

import numpy as np

from plantigrade.block import FloatArray
from plantigrade.errors import SampleError

LOWPASS_HZ = 10.0
"""Cutoff for a foot's CoP before its sway is measured, Hz (design §5, Stand)."""

_OUTSIDE = 0.05
# Two passes of a second-order Butterworth filter have half power where one pass has 1/√2 of it;
# the warped cutoff is divided by (√2 − 1)^(1/4) so that `cutoff_hz` is where the result is −3 dB.
_TWO_PASS = (math.sqrt(2.0) - 1.0) ** 0.25


@dataclass(frozen=True, slots=True)
class Sway:
    """Sway of one CoP path. A field is None where the path is too short to have it.

    Attributes
    ----------
    n : int
        Samples measured.
    duration_s : float
        n / rate, s.
    range_x_mm, range_y_mm : float or None
        Largest − smallest, mm; from 2 samples on.
    rms_x_mm, rms_y_mm : float or None
        Root mean square about the mean (÷ n), mm; from 2 samples on.
    path_mm : float or None
        Σ √(Δx² + Δy²), mm; from 2 samples on.
    speed_mm_s : float or None
        path / (n / rate), mm/s, the rule of Santos & Duarte 2016 (PeerJ 4:e2648); from 2 on.
    ellipse_mm2 : float or None
        Area of the 95 % prediction ellipse, mm² (`prediction_ellipse_area`); from 3 samples on.
    """

    n: int
    duration_s: float
    range_x_mm: float | None
    range_y_mm: float | None
    rms_x_mm: float | None
    rms_y_mm: float | None
    path_mm: float | None
    speed_mm_s: float | None
    ellipse_mm2: float | None


def sway(cop_mm: FloatArray, rate_hz: float) -> Sway:
    """Measure the sway of a CoP path as it is given, without filtering.

    Parameters
    ----------
    cop_mm : ndarray of float64, shape (n, 2)
        CoP x and y at a regular rate, mm; the mean is removed here. n may be 0.
    rate_hz : float
        Samples per second.

    Returns
    -------
    Sway

    Raises
    ------
    SampleError
        Wrong shape, a NaN or infinite value (a gap must be bridged or cut off before), or a rate
        that is not a positive number.
    """
    x, y = _axes(cop_mm)
    _check_rate(rate_hz)
    n = len(x)
    if n < 2:
        return Sway(n, n / rate_hz, None, None, None, None, None, None, None)
    path_mm = float(np.sum(np.hypot(np.diff(x), np.diff(y))))
    return Sway(
        n=n,
        duration_s=n / rate_hz,
        range_x_mm=float(x.max() - x.min()),
        range_y_mm=float(y.max() - y.min()),
        rms_x_mm=math.sqrt(_mean_product(x, x)),
        rms_y_mm=math.sqrt(_mean_product(y, y)),
        path_mm=path_mm,
        speed_mm_s=path_mm / (n / rate_hz),
        ellipse_mm2=prediction_ellipse_area(cop_mm),
    )


def prediction_ellipse_area(cop_mm: FloatArray) -> float | None:
    """Return the area of the ellipse that holds a further sample with probability 95 %, mm².

    π · 2(n−1)(n+1) / (n(n−2)) · F₀.₉₅(2, n−2) · √det S, with S the sample covariance (÷ n−1):
    Chew 1966 (J Am Stat Assoc 61:605–617), recommended for sway by Schubert & Kirchner 2014 (Gait
    Posture 39:518–522). It is the prediction ellipse, not the confidence ellipse of the mean.

    Parameters
    ----------
    cop_mm : ndarray of float64, shape (n, 2)
        CoP x and y, mm.

    Returns
    -------
    float or None
        None for fewer than 3 samples; 0 for a path on a line.

    Raises
    ------
    SampleError
        Wrong shape, or a NaN or infinite value.
    """
    x, y = _axes(cop_mm)
    n = len(x)
    if n < 3:
        return None
    unbiased = n / (n - 1)
    determinant = (_mean_product(x, x) * _mean_product(y, y) - _mean_product(x, y) ** 2) * (
        unbiased**2
    )
    # F with two numerator degrees has a closed quantile: F = m/2 · (0.05^(−2/m) − 1), m = n − 2;
    # expm1 keeps its digits for long stands.
    scale = (n - 1) * (n + 1) / n * math.expm1(-2.0 / (n - 2) * math.log(_OUTSIDE))
    return math.pi * scale * math.sqrt(max(determinant, 0.0))


def mean_frequency(cop_mm: FloatArray, rate_hz: float) -> float | None:
    """Return the mean power frequency of a CoP path, Hz.

    Each axis: Welch's spectrum with a Hann window over half the path, half overlapping, the mean
    taken off each segment; mean frequency = ∫ f·P df / ∫ P df by trapezoids. The axes are weighted
    by their summed power. (The rule that gives the mean frequencies Santos & Duarte 2016 publish
    with their data, PeerJ 4:e2648; found by trying: they print the numbers, not the rule.)

    Parameters
    ----------
    cop_mm : ndarray of float64, shape (n, 2)
        CoP x and y at a regular rate, mm.
    rate_hz : float
        Samples per second.

    Returns
    -------
    float or None
        None for fewer than 8 samples and for a path without power.

    Raises
    ------
    SampleError
        Wrong shape, a NaN or infinite value, or a rate that is not a positive number.
    """
    _check_rate(rate_hz)
    axes = np.vstack(_axes(cop_mm))
    n = axes.shape[1]
    if n < 8:
        return None
    from scipy.signal import welch  # most of a second to import, and no program measures this live

    f_hz, power = welch(axes, rate_hz, window="hann", nperseg=n // 2)
    weight = power.sum(axis=1)
    # Rounding leaves a trace of power in a path that stands still: compare with its size.
    tiny = np.finfo(np.float64).eps * float(np.abs(cop_mm).max())
    if weight.sum() * f_hz[1] <= tiny**2:
        return None
    moving = weight > 0
    power, weight = power[moving], weight[moving]
    mean_hz = np.trapezoid(f_hz * power, f_hz, axis=1) / np.trapezoid(power, f_hz, axis=1)
    return float(np.sum(mean_hz * weight) / np.sum(weight))


def lowpass(cop_mm: FloatArray, rate_hz: float, cutoff_hz: float = LOWPASS_HZ) -> FloatArray:
    """Smooth a whole CoP path without delay: Butterworth, second order, forwards and backwards.

    Parameters
    ----------
    cop_mm : ndarray of float64, shape (n, 2)
        CoP x and y at a regular rate, mm.
    rate_hz : float
        Samples per second, more than twice the cutoff.
    cutoff_hz : float
        Where the amplitude has fallen to 1/√2 after both passes, Hz.

    Returns
    -------
    ndarray of float64, shape (n, 2)
        A new array; paths of fewer than 2 samples come back as they are.

    Raises
    ------
    SampleError
        Wrong shape, a NaN or infinite value, or a cutoff not between 0 and half the rate.
    """
    _check_rate(rate_hz)
    _axes(cop_mm)
    if not 0.0 < cutoff_hz < rate_hz / 2:
        raise SampleError(
            f"CoP at {rate_hz:g} Hz: low-pass at {cutoff_hz:g} Hz, expected above 0 and below "
            f"{rate_hz / 2:g} Hz"
        )
    if len(cop_mm) < 2:
        return np.array(cop_mm, dtype=np.float64)
    section = _section(cutoff_hz / rate_hz)
    # The path is continued about its ends for four periods of the cutoff, so that the filter has
    # settled (to 1e-6) before it reaches the samples that count.
    n = min(len(cop_mm) - 1, math.ceil(4 * rate_hz / cutoff_hz))
    path = np.asarray(cop_mm, dtype=np.float64)
    before = 2.0 * path[0] - path[n:0:-1]
    after = 2.0 * path[-1] - path[-2 : -n - 2 : -1]
    longer = np.concatenate((before, path, after))
    there_and_back = [_passed(section, _passed(section, x)[::-1])[::-1] for x in longer.T.tolist()]
    smooth: FloatArray = np.array(there_and_back).T[n : n + len(path)]
    return np.ascontiguousarray(smooth)


# A stand is at most minutes of samples: plain loops take milliseconds for it, where importing
# scipy.signal takes most of a second at each start of a program that analyses.


@dataclass(frozen=True, slots=True)
class _Section:
    """A low-pass of second order: y = b·(1 + 2z⁻¹ + z⁻²) / (1 + a1·z⁻¹ + a2·z⁻²).

    `settled` is what it holds after a steady input of 1.
    """

    b: float
    a1: float
    a2: float
    settled: tuple[float, float]


@cache
def _section(cutoff: float) -> _Section:
    """Return the filter for a cutoff as a fraction of the rate.

    The poles of the second-order Butterworth low-pass lie at ±135° on the circle of the warped
    cutoff; s = 4·(z − 1)/(z + 1), at a rate of 2, brings them into the unit circle.
    """
    own = math.atan(math.tan(math.pi * cutoff) / _TWO_PASS)
    warped = 4.0 * np.tan(own)
    pole = -warped * np.exp(1j * math.pi * np.array([-1.0, 1.0]) / 4.0)
    z = ((4.0 + pole) / (4.0 - pole))[1]
    b = float(warped**2 * (1.0 / np.prod(4.0 - pole)).real)
    a1, a2 = float(-2.0 * z.real), float((z * z.conjugate()).real)
    held = np.linalg.solve([[1.0 + a1, -1.0], [a2, 1.0]], [2.0 * b - a1 * b, b - a2 * b])
    return _Section(b, a1, a2, (float(held[0]), float(held[1])))


def _passed(section: _Section, samples: list[float]) -> list[float]:
    """Return samples after one pass that had settled at the first of them."""
    b, twice, a1, a2 = section.b, 2.0 * section.b, section.a1, section.a2
    first, second = (held * samples[0] for held in section.settled)
    result = []
    for x in samples:
        y = b * x + first
        first = twice * x - a1 * y + second
        second = b * x - a2 * y
        result.append(y)
    return result


def _axes(cop_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return x and y about their means, or say what is wrong with them."""
    if cop_mm.ndim != 2 or cop_mm.shape[1] != 2:
        raise SampleError(f"CoP of shape {cop_mm.shape}, expected (samples, 2)")
    bad = np.flatnonzero(~np.isfinite(cop_mm).all(axis=1))
    if len(bad):
        raise SampleError(
            f"CoP sample {bad[0]} is {cop_mm[bad[0]].tolist()}, expected two finite numbers "
            "(bridge or cut off gaps before)"
        )
    if not len(cop_mm):
        return np.empty(0), np.empty(0)
    x, y = (np.ascontiguousarray(cop_mm[:, k], dtype=np.float64) for k in (0, 1))
    return x - x.mean(), y - y.mean()


def _mean_product(a: FloatArray, b: FloatArray) -> float:
    return float(np.mean(a * b))


def _check_rate(rate_hz: float) -> None:
    if not (math.isfinite(rate_hz) and rate_hz > 0):
        raise SampleError(f"CoP rate is {rate_hz} Hz, expected a positive number")
