"""When a movement begins, and other readings of a short curve that has been seen whole."""

import numpy as np

from plantigrade.block import FloatArray

FITTED = 0.40
"""The part of a movement's height that its beginning is read from."""


def hann_weights(half: int) -> FloatArray:
    """Return the 2·half + 1 weights of a symmetric Hann window, summing to 1."""
    k = np.arange(-half, half + 1)
    w = 0.5 + 0.5 * np.cos(np.pi * k / (half + 1))
    weights: FloatArray = w / w.sum()
    return weights


def smooth(x: FloatArray, half: int) -> FloatArray:
    """Smooth with a symmetric Hann window of 2·half + 1 samples; ends keep their first and last.

    Parameters
    ----------
    x : ndarray of float64, shape (n,) or (n, columns)
    half : int
        Samples on either side; 0 returns a copy.

    Returns
    -------
    ndarray
        Same shape; NaN spreads by `half` samples. Symmetric, so a monotone curve's crossings do
        not move to first order.
    """
    padded = np.concatenate((np.repeat(x[:1], half, 0), x, np.repeat(x[-1:], half, 0)))
    out = np.zeros_like(x)
    for k, w in enumerate(hann_weights(half)):  # in this order: elementwise, so never cut-dependent
        out += w * padded[k : k + len(x)]
    return out


def onset(y: FloatArray, first: int, height: float, rest: int) -> float:
    """Find where a curve leaves its resting level, as a fractional index.

    Fits y = b for k ≤ k0 and y = b + c·(k − k0)^p after it, p being 1 (a ramp), 1.5 or 2 (a
    constant acceleration), over `rest` samples before `first` up
    to the first sample that reaches `FITTED` of the height, for each start k0 and shape p, and
    takes the best by least squares. A threshold alone is late by a part of the movement that
    depends on its shape, and a resting level taken from elsewhere is off by slow sway; the fit
    suffers from neither. (Broken-power onset by least squares: chosen by us.)

    Parameters
    ----------
    y : ndarray of float64, shape (n,)
        Movement away from the resting level, positive in its direction, without NaN.
    first : int
        No start before this index is looked for.
    height : float
        Full height of the movement, > 0.
    rest : int
        Samples before `first` that show the resting level.

    Returns
    -------
    float
        Index of the start, between `first` and the first sample at half of `FITTED`;
        `first` where the curve never rises.
    """
    tall = np.flatnonzero(y[first:] >= FITTED * height)
    if len(tall) == 0:
        return float(first)
    begin = max(first - rest, 0)
    stop = first + int(tall[0]) + 1
    latest = first + int(np.flatnonzero(y[first:] >= 0.5 * FITTED * height)[0])
    k = np.arange(begin, stop, dtype=np.float64)
    target = y[begin:stop] - y[begin:stop].mean()
    coarse = _best_start(k, target, np.arange(float(first), latest + 0.25, 2.0))
    fine = np.arange(max(coarse - 1.5, first), min(coarse + 1.5, latest) + 0.25, 0.5)
    return _best_start(k, target, fine)


def _best_start(k: FloatArray, target: FloatArray, starts: FloatArray) -> float:
    """Return the start that fits best, of all shapes."""
    best, found = 0.0, float(starts[0])
    reach = np.maximum(k[None, :] - starts[:, None], 0.0)
    for shape in (reach, reach * np.sqrt(reach), reach * reach):
        shape -= shape.mean(1)[:, None]
        along = np.einsum("ij,j->i", shape, target)
        size = np.einsum("ij,ij->i", shape, shape)
        # least squares: what a shape takes off the target's own square
        taken = np.where(along > 0.0, along, 0.0) ** 2 / np.maximum(size, 1e-300)
        at = int(np.argmax(taken))
        if taken[at] > best:
            best, found = float(taken[at]), float(starts[at])
    return found


def upward_crossing(y: FloatArray, level: float, last: int) -> float | None:
    """Return the last upward crossing of a level at or before index `last`, fractional, or None."""
    up = np.flatnonzero((y[:last] < level) & (y[1 : last + 1] >= level))
    if len(up) == 0:
        return None
    k = int(up[-1])
    return float(k + (level - y[k]) / (y[k + 1] - y[k]))


def peak_at(y: FloatArray, k: int) -> float:
    """Refine a maximum at index k by the parabola through its neighbours; a fractional index."""
    if not 0 < k < len(y) - 1:
        return float(k)
    below, here, above = float(y[k - 1]), float(y[k]), float(y[k + 1])
    bend = below - 2.0 * here + above
    if not bend < 0.0:
        return float(k)
    return k + min(max(0.5 * (below - above) / bend, -0.5), 0.5)
