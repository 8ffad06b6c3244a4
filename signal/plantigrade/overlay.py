"""Curves of several repetitions laid over each other at one moment, with their mean and spread."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from plantigrade.block import FloatArray
from plantigrade.errors import SampleError

LEAST_CURVES = 3
"""A mean and a spread are given where at least so many curves have a value."""


@dataclass(frozen=True, slots=True, eq=False)
class Overlay:
    """Several curves on one time line, and what they have in common.

    The band about the mean is the spread of single repetitions at each instant (mean ± SD). It is
    pointwise: it holds no statement on a whole curve, and it is no interval of the mean.

    Attributes
    ----------
    t_s : ndarray of float64, shape (n,)
        Time from the moment the curves are aligned at, s.
    curves : ndarray of float64, shape (curves, n)
        NaN where a curve has no value.
    count : ndarray of int64, shape (n,)
        How many curves have a value.
    mean, sd : ndarray of float64, shape (n,)
        Mean and sample standard deviation (÷ count − 1); NaN under `LEAST_CURVES`.
    """

    t_s: FloatArray
    curves: FloatArray
    count: np.typing.NDArray[np.int64]
    mean: FloatArray
    sd: FloatArray


def overlay(
    curves: Sequence[tuple[FloatArray, FloatArray]], before_s: float, after_s: float, rate_hz: float
) -> Overlay:
    """Lay curves over each other.

    Parameters
    ----------
    curves : sequence of (t_s, y)
        Each with rising times, 0 being the moment to align at; NaN in y where missing.
    before_s, after_s : float
        How far the common time line reaches before and after that moment, s.
    rate_hz : float
        Points per second of the common time line; the moment itself is one of them.

    Returns
    -------
    Overlay
        Values lie on a straight line between two samples, and nowhere else: not across a missing
        sample, nor before a curve's first or after its last one.

    Raises
    ------
    SampleError
        A curve's times do not rise, or it has another number of values than of times.
    """
    first, last = -math.floor(before_s * rate_hz), math.floor(after_s * rate_hz)
    t_s = np.arange(first, last + 1) / rate_hz
    table = np.full((len(curves), len(t_s)), np.nan)
    for k, (times, values) in enumerate(curves):
        if len(times) != len(values) or np.any(np.diff(times) <= 0.0):
            raise SampleError(
                f"curve {k + 1}: {len(times)} times for {len(values)} values, expected one rising "
                "time for each"
            )
        if len(times):  # np.interp gives NaN between a NaN and its neighbours
            table[k] = np.interp(t_s, times, values, left=np.nan, right=np.nan)
    there = ~np.isnan(table)
    count = there.sum(axis=0)
    enough = count >= LEAST_CURVES
    mean, sd = np.full(len(t_s), np.nan), np.full(len(t_s), np.nan)
    mean[enough] = np.nanmean(table[:, enough], axis=0)
    sd[enough] = np.nanstd(table[:, enough], axis=0, ddof=1)
    return Overlay(t_s, table, count, mean, sd)
