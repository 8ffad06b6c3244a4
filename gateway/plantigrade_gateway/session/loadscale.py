"""The scale of the pages' load colours: one for a session, the same on every device."""

import numpy as np

from plantigrade.zones import ZoneLayout

STEPS = (50, 100, 150, 200, 300, 400, 600, 800, 1200, 1600, 2500, 4000)
"""Round ends of a scale, in the layout's unit (ours)."""
ZONE_BW = 0.25
"""What one zone carries at the scale's end, × BW, before it is rounded up (ours)."""


def top_of(layout: ZoneLayout, body_weight_n: float) -> int:
    """Return the reading at the scale's end, in the layout's unit.

    It depends on nothing that comes while the session goes on, so that a colour means the same
    from the first swing to the last, on every page. What is higher has the end's colour.
    """
    reading = ZONE_BW * body_weight_n / float(np.median(layout.newtons_per_unit))
    return next((step for step in STEPS if step >= reading), STEPS[-1])
