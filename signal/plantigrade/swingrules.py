"""Which drives from the trail to the lead foot are a swing's, by their outline (design §5).

Pure functions of an outline; the limits stand in `swinglimits.py`.
"""

import numpy as np

from plantigrade.block import FloatArray
from plantigrade.limits import Setup
from plantigrade.swing import Outline
from plantigrade.swinglimits import (
    DRIVE_S,
    FAR_BACK,
    LEAST_BACK,
    LEAST_FALL,
    LEAST_LOADED,
    LEAST_OVER,
    LEAST_PACE,
    LEAST_RISE,
    LEAST_UNDER,
    LEVEL_OF_RISE,
    LEVEL_S,
    LOADING_S,
    PRESS_MOST,
    PRESS_OF_RANGE,
    REST_AT_TRAIL_S,
    TO_LEAD_SIDE,
    TRAIL_SIDE,
)


def is_drive(shape: Outline, setup: Setup) -> bool:
    """Whether a drive's outline is that of a swing (design §5)."""
    limits, rate_hz = setup.limits, setup.rate_hz
    address = shape.address
    loading = (shape.trail_peak - shape.start) / rate_hz
    drive = (shape.lead_peak - shape.shift) / rate_hz
    return (
        shape.highest - shape.lowest >= max(limits.swing_range, limits.swing_range_sd * address.sd)
        and address.level - shape.lowest >= max(LEAST_FALL, 2.0 * address.sd)
        and shape.press <= max(PRESS_MOST, PRESS_OF_RANGE * (shape.highest - shape.lowest))
        and not _returns_from_rest(shape)
        and _is_over(shape)
        and LOADING_S[0] <= loading <= LOADING_S[1]
        and shape.highest - shape.lowest >= LEAST_RISE
        and shape.pace * rate_hz >= LEAST_PACE
        and shape.trail_peak_rows < REST_AT_TRAIL_S * rate_hz
        and DRIVE_S[0] <= drive <= DRIVE_S[1]
    )


def _returns_from_rest(shape: Outline) -> bool:
    """Whether a drive may only come back to the middle from a rest on the trail side."""
    level = shape.address.level
    fall = level - shape.lowest
    return level < TRAIL_SIDE and fall < FAR_BACK and shape.highest < TO_LEAD_SIDE


def _is_over(shape: Outline) -> bool:
    """Whether a drive went over to the lead foot, by its share or else by its load."""
    over = shape.highest - shape.address.level
    return over >= LEAST_OVER or (
        over >= LEAST_UNDER
        and shape.loaded >= LEAST_LOADED
        and shape.address.level - shape.lowest >= LEAST_BACK
    )


def top_of(lead: FloatArray, setup: Setup) -> int:
    """Return the row of a rise's top: its maximum, or where it comes to a level that it keeps."""
    top = int(np.nanargmax(lead))
    with np.errstate(invalid="ignore"):
        level = lead >= lead[top] - LEVEL_OF_RISE * (lead[top] - lead[0])
    first = int(np.argmax(level))
    return first if level[first:].sum() >= setup.samples(LEVEL_S) else top
