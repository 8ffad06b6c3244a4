"""One stored swing: its page, its curves and frames, and both feet with the paths of the CoP.

The soles and zones themselves are drawn by `static/sole.js`, as on the live page. Right foot as
seen from above: medial on the left of the picture; the left foot is its mirror.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from plantigrade.block import FloatArray, Foot
from plantigrade.events import Swing
from plantigrade.zones import REGIONS, ZoneLayout
from plantigrade_gateway import formats, words
from plantigrade_gateway.analysis.measures import SWING_MEASURES
from plantigrade_gateway.coach.case import NO_NOTE
from plantigrade_gateway.coach.speedfile import UNITS
from plantigrade_gateway.people.said import anchor_ns
from plantigrade_gateway.report.measures import NOTE as STRIKE_NOTE
from plantigrade_gateway.report.measures import SWING_NOTES, sampling_notes, strike_lines
from plantigrade_gateway.report.swingframes import SwingFrames
from plantigrade_gateway.web.desk.curves import Data, columns, padded, plain
from plantigrade_gateway.web.desk.judging import judged, said_of
from plantigrade_gateway.web.desk.reads import DeskStore, Opened
from plantigrade_gateway.web.desk.why import why_heel, why_push

MARGIN_MM = 6.0
"""Room about an insole, mm."""


@dataclass(frozen=True, slots=True)
class FootPicture:
    """One foot.

    Attributes
    ----------
    foot : str
    role : str
        "lead" or "trail".
    width, height : float
        Of the picture, mm.
    path : str
        The CoP's path as SVG path data; a gap lifts the pen.
    """

    foot: str
    role: str
    width: float
    height: float
    path: str


def picture(layout: ZoneLayout, foot: Foot, lead: Foot, cop: FloatArray) -> FootPicture:
    """Draw one foot.

    Parameters
    ----------
    layout : ZoneLayout
    foot, lead : Foot
    cop : ndarray of float64, shape (n, 2)
        The path: fractions of width and length, NaN where undefined.
    """
    return FootPicture(
        str(foot),
        "lead" if foot is lead else "trail",
        layout.width_mm + 2 * MARGIN_MM,
        layout.length_mm + 2 * MARGIN_MM,
        _path(places(layout, foot, cop)),
    )


def places(layout: ZoneLayout, foot: Foot, points: FloatArray) -> FloatArray:
    """Return places in the picture, mm, of fractions of width and length, shape (n, 2)."""
    across = points[:, 0] if foot is Foot.RIGHT else 1.0 - points[:, 0]
    x = MARGIN_MM + across * layout.width_mm
    y = MARGIN_MM + (1.0 - points[:, 1]) * layout.length_mm
    placed: FloatArray = np.column_stack((x, y))
    return placed


def _path(points: FloatArray) -> str:
    parts, pen_up = [], True
    for x, y in points.tolist():
        if x != x or y != y:
            pen_up = True
            continue
        parts.append(f"{'M' if pen_up else 'L'}{x:.1f} {y:.1f}")
        pen_up = False
    return "".join(parts)


_LEVELS = 4  # lines of names: of five moments only the first and the last share one


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
    sources |= _limits_of(swing, frames, at_s)
    return {"sources": sources, "ranges": {"time": [float(t_s[0]), float(t_s[-1])], "load": load}}


def _limits_of(swing: Swing, frames: SwingFrames, at_s: float) -> dict[str, Any]:
    """Return what the push and the heel were decided by, to be drawn: places, levels, times."""
    push, limits = swing.push, frames.settings.limits
    levels = {"begins at or behind": limits.push_begins_by}
    if push.travel_from is not None:
        levels["held up to here"] = push.travel_from + limits.push_travel
    least: list[float] = []
    if push.heel_leave_s is not None and None not in (swing.shift_s, swing.lead_peak_s):
        shift_s = (swing.lead_peak_s or 0.0) - (swing.shift_s or 0.0)
        least = [push.heel_leave_s - at_s, push.heel_leave_s - at_s + limits.push_rolled * shift_s]
    return {
        "place": columns(t=frames.t_s - at_s, y=frames.cop(swing.lead.other)[:, 1]),
        "way": columns(t=np.array(push.path_t_s) - at_s, y=np.array(push.path_y)),
        "levels": {
            "y": list(levels.values()),
            "name": list(levels),
            "at": [y + (0.01 if y == max(levels.values()) else -0.10) for y in levels.values()],
            "t": [float(frames.t_s[0]) - at_s] * len(levels),
        },
        "least": {"left": least[:1], "right": least[1:]},
        "heel_limit": {"y": [swing.heel_lift.limit_n / frames.settings.body_weight_n]},
    }


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


_USUAL_HZ = 100.0
_PATH_FROM_S = 0.3
"""The CoP's path is drawn from so long before the start, s (ours)."""


@dataclass(frozen=True, slots=True)
class MomentRow:
    """One moment of a swing in numbers.

    Attributes
    ----------
    name : str
    after : str
        Time from the moment the pictures count from, s.
    share : str
        Lead share, %.
    feet : tuple of tuple of str
        For lead and trail: load (about × BW), then each region's (about × BW).
    """

    name: str
    after: str
    share: str
    feet: tuple[tuple[str, ...], tuple[str, ...]]


def swing_view(
    reads: DeskStore, opened: Opened, number: int, *, eye: bool, unit: str
) -> tuple[str, dict[str, Any]]:
    """Return the template of a swing's page and what it shows.

    Parameters
    ----------
    reads : DeskStore
    opened : Opened
    number : int
        Of the swing, from 1.
    eye : bool
        The coach judges by eye: nothing of the program's answer before it may be shown.
    unit : str
        In which club speed is typed.
    """
    swing = opened.swing(number)
    said = said_of(reads, opened)
    found = judged(opened, said, number)
    m_s = said.swings.get(number - 1, NO_NOTE).club_speed_m_s
    unit = unit if unit in UNITS else next(iter(UNITS))
    beside = {
        "eye": eye,
        "of": anchor_ns(swing),
        "judged": found,
        "units": UNITS,
        "speed_unit": unit,
        "speed": "" if m_s is None else f"{m_s / UNITS[unit]:.1f}",
    }
    if eye and not found.is_shown:
        shown = {"opened": opened, "number": number, "swing": swing}
        shown["set_name"] = opened.set_names.get(swing.first_index, "")
        return "swing_eye.html", {**shown, **beside}
    return "swing.html", {**swing_page(reads, opened, number), **beside}


def swing_page(reads: DeskStore, opened: Opened, number: int) -> dict[str, Any]:
    """Return what the page of a swing shows."""
    swing = opened.swing(number)
    frames = reads.rows_of(opened, swing)
    lead = swing.lead
    _, aligned = aligned_at(swing)
    whole = enumerate(opened.found.whole_sets, 1)
    sets = [(k, run.swings) for k, run in whole if swing in run.swings]
    set_number, together = sets[0] if sets else (0, ())
    rate_hz, strikes = opened.found.rate_hz, opened.found.strikes
    return {
        "opened": opened,
        "number": number,
        "swing": swing,
        "aligned": aligned,
        "set_number": set_number,
        "in_set": f"{together.index(swing) + 1} of {len(together)}" if together else "",
        "left_out": opened.left_out.get(swing.first_index, ""),
        "set_name": opened.set_names.get(swing.first_index, ""),
        "measures": [(m.title, m.unit, m.single_text(swing, rate_hz)) for m in SWING_MEASURES],
        "lift": words.heel_lift(swing.heel_lift),
        "why": _why(swing, frames, rate_hz),
        "push": words.push(swing.push),
        "strike": strike_lines(strikes[number - 1]) if strikes else [],
        "strike_note": STRIKE_NOTE,
        "moments": _moment_rows(swing, frames),
        "regions": REGIONS,
        "feet": _pictures(swing, frames),
        "unit": frames.layout.unit,
        "layout": frames.layout,
        "last_frame": len(frames.t_s) - 1,
        "lead": str(lead),
        "notes": (*sampling_notes([swing], rate_hz), *SWING_NOTES, words.DESCRIBES),
    }


def _why(swing: Swing, frames: SwingFrames, rate_hz: float | None) -> list[str]:
    """Return why the push and the lead heel are called so, by the limits in force then."""
    limits, bw_n = frames.settings.limits, frames.settings.body_weight_n
    push = why_push(swing, limits, rate_hz or _USUAL_HZ)
    return [*push, why_heel(swing, limits, bw_n)]


def frames_json(swing: Swing, frames: SwingFrames) -> dict[str, Any]:
    """Return every row of a swing for its picture: zones, loads, CoP, lead share."""
    at_s, _ = aligned_at(swing)
    return {
        "t": plain(frames.t_s - at_s, 3),
        "share": plain(frames.lead_share, 3),
        "unit": frames.layout.unit,
        "top": _top(frames),
        "layout": frames.layout.to_json(),
        "feet": {str(foot): _foot_json(frames, foot) for foot in Foot},
        "moments": {
            name: int(np.argmin(np.abs(frames.t_s - t_s)))
            for name, t_s in (*moments_of(swing), *push_moments_of(swing))
        },
    }


def _foot_json(frames: SwingFrames, foot: Foot) -> dict[str, Any]:
    cop = places(frames.layout, foot, frames.cop(foot))
    return {
        "zones": [plain(row, 1) for row in frames.zones(foot)],
        "regions": [plain(row, 3) for row in frames.regions_bw(foot)],
        "load": plain(frames.load_bw(foot), 3),
        "cop": [plain(place, 1) for place in cop],
    }


def _top(frames: SwingFrames) -> float:
    """Return the top of the load scale: the highest reading of the swing."""
    readings = np.concatenate([frames.left_zones, frames.right_zones], axis=None)
    there = readings[np.isfinite(readings)]
    return max(float(np.ceil(there.max())) if len(there) else 1.0, 1.0)


def _pictures(swing: Swing, frames: SwingFrames) -> list[FootPicture]:
    start = swing.address_s if swing.start_s is None else swing.start_s
    end = swing.finish_s if swing.finish_s is not None else float(frames.t_s[-1])
    inside = (frames.t_s >= start - _PATH_FROM_S) & (frames.t_s <= end)
    return [picture(frames.layout, foot, swing.lead, frames.cop(foot)[inside]) for foot in Foot]


def _moment_rows(swing: Swing, frames: SwingFrames) -> list[MomentRow]:
    at_s, _ = aligned_at(swing)
    lead = swing.lead
    found = sorted((*moments_of(swing), *push_moments_of(swing)), key=lambda m: m[1])
    share = frames.lead_share
    loads = {
        foot: np.column_stack((frames.load_bw(foot), frames.regions_bw(foot)))
        for foot in (lead, lead.other)
    }
    rows = []
    for name, t_s in found:
        k = int(np.argmin(np.abs(frames.t_s - t_s)))
        feet = (_texts(loads[lead][k]), _texts(loads[lead.other][k]))
        rows.append(MomentRow(name, f"{t_s - at_s:+z.2f}", _percent(share[k]), feet))
    return rows


def _texts(values: FloatArray) -> tuple[str, ...]:
    rounded = (np.round(values, 2) + 0.0).tolist()  # no "-0.00"
    return tuple(formats.NONE if v != v else f"{v:.2f}" for v in rounded)


def _percent(value: float) -> str:
    return formats.NONE if value != value else f"{100.0 * value:.0f}"
