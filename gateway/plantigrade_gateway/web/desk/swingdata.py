"""One swing as a chart: regional loads of both feet and the lead share about the shift."""

from collections.abc import Sequence
from typing import Any

from plantigrade.block import Foot
from plantigrade.events import Swing
from plantigrade.zones import REGIONS
from plantigrade_gateway.web.desk.chartdata import Data, columns, padded
from plantigrade_gateway.web.desk.swingframes import SwingFrames

_LEVELS = 3  # names of moments near each other stand on different lines


def aligned_at(swing: Swing) -> tuple[float, str]:
    """Return the time a swing's pictures count from, and what it is."""
    for t_s, name in (
        (swing.shift_s, "shift"),
        (swing.lead_peak_s, "lead peak"),
        (swing.start_s, "start"),
    ):
        if t_s is not None:
            return t_s, name
    return swing.address_s, "address"


def moments_of(swing: Swing) -> list[tuple[str, float]]:
    """Return the known moments of a swing, session time, in order of time."""
    found = {
        "start": swing.start_s,
        "trail peak": swing.trail_peak_s,
        "shift": swing.shift_s,
        "lead peak": swing.lead_peak_s,
        "finish": swing.finish_s,
    }
    return _in_time(found)


def push_moments_of(swing: Swing) -> list[tuple[str, float]]:
    """Return the known moments of a swing's push, session time."""
    return _in_time({"heel leave": swing.push.heel_leave_s, "fore take": swing.push.fore_take_s})


def swing_data(swing: Swing, frames: SwingFrames) -> Data:
    """Return what a swing fills into the chart."""
    at_s, _ = aligned_at(swing)
    t_s = frames.t_s - at_s
    lead = frames.settings.lead
    loads = {role: frames.regions_bw(foot) for role, foot in roles(lead)}
    load = padded(loads.values())
    heights = [load[1] - k * 0.13 * (load[1] - load[0]) for k in range(_LEVELS)]
    lift = swing.heel_lift
    has_lift = lift.lift_s is not None and lift.return_s is not None
    sources: dict[str, Any] = {
        role: columns(t=t_s, **dict(zip(REGIONS, values.T, strict=True)))
        for role, values in loads.items()
    }
    sources |= {
        "share": columns(t=t_s, y=frames.lead_share),
        "moments": _marks(moments_of(swing), at_s, heights),
        "push": _marks(push_moments_of(swing), at_s, heights),
        "lift": {
            "left": [(lift.lift_s or 0.0) - at_s] if has_lift else [],
            "right": [(lift.return_s or 0.0) - at_s] if has_lift else [],
        },
        "cursor": {"t": [0.0]},
    }
    return {"sources": sources, "ranges": {"time": [float(t_s[0]), float(t_s[-1])], "load": load}}


def roles(lead: Foot) -> tuple[tuple[str, Foot], tuple[str, Foot]]:
    """Return the feet with their parts in a swing."""
    return ("lead", lead), ("trail", lead.other)


def _in_time(found: dict[str, float | None]) -> list[tuple[str, float]]:
    known = [(name, t_s) for name, t_s in found.items() if t_s is not None]
    return sorted(known, key=lambda moment: moment[1])


def _marks(
    found: Sequence[tuple[str, float]], at_s: float, heights: Sequence[float]
) -> dict[str, list[Any]]:
    return {
        "t": [round(t_s - at_s, 4) for _, t_s in found],
        "at": [heights[k % len(heights)] for k in range(len(found))],
        "name": [name for name, _ in found],
    }
