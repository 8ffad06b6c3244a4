"""What fills a chart: columns of its sources and ends of its ranges, as JSON values."""

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from plantigrade.block import FloatArray

Data = dict[str, dict[str, Any]]
"""``{"sources": {name: {column: values}}, "ranges": {name: [from, to]}}``."""


def padded(values: Iterable[FloatArray]) -> list[float]:
    """Return a range of y that holds all values and 0, with some room."""
    there = np.concatenate([np.zeros(1), *(v[np.isfinite(v)].ravel() for v in values)])
    low, high = float(there.min()), float(there.max())
    room = max(high - low, 0.05)
    return [low - 0.02 * room, high + 0.12 * room]


def plain(values: FloatArray, digits: int = 5) -> list[float | None]:
    """Return numbers as JSON values; null for NaN."""
    return [None if v != v else v for v in np.round(values, digits).tolist()]


def columns(**values: FloatArray) -> dict[str, list[float | None]]:
    """Return a source's columns as JSON values."""
    return {name: plain(column) for name, column in values.items()}


def merged(parts: Iterable[Mapping[str, Mapping[str, Any]]]) -> Data:
    """Return several parts of a chart's data as one."""
    whole: Data = {"sources": {}, "ranges": {}}
    for part in parts:
        for kind, values in part.items():
            whole[kind].update(values)
    return whole
