"""One swing opened: its measures, its moments in numbers, its pictures."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from plantigrade.block import FloatArray, Foot
from plantigrade.events import Swing
from plantigrade.zones import REGIONS
from plantigrade_gateway import formats, words
from plantigrade_gateway.report.measures import SWING_NOTES
from plantigrade_gateway.session.layoutmessage import layout_message
from plantigrade_gateway.web.desk.chartdata import plain
from plantigrade_gateway.web.desk.footpicture import FootPicture, picture, places
from plantigrade_gateway.web.desk.measures import SWING_MEASURES
from plantigrade_gateway.web.desk.reads import DeskStore, Opened
from plantigrade_gateway.web.desk.swingdata import aligned_at, moments_of, push_moments_of
from plantigrade_gateway.web.desk.swingframes import SwingFrames

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


def swing_page(reads: DeskStore, opened: Opened, number: int) -> dict[str, Any]:
    """Return what the page of a swing shows."""
    swing = opened.swing(number)
    frames = reads.rows_of(opened, swing)
    lead = swing.lead
    _, aligned = aligned_at(swing)
    sets = [k for k, run in enumerate(opened.sets, 1) if swing in run.swings]
    return {
        "opened": opened,
        "number": number,
        "swing": swing,
        "aligned": aligned,
        "set_number": sets[0] if sets else 0,
        "set_name": opened.set_names.get(swing.first_index, ""),
        "measures": [(m.title, m.unit, m.text(m.value(swing))) for m in SWING_MEASURES],
        "lift": _lift(swing),
        "push": words.push(swing.push),
        "moments": _moment_rows(swing, frames),
        "regions": REGIONS,
        "feet": _pictures(swing, frames),
        "unit": frames.layout.unit,
        "layout": frames.layout,
        "last_frame": len(frames.t_s) - 1,
        "lead": str(lead),
        "notes": (*SWING_NOTES, words.DESCRIBES),
    }


def frames_json(swing: Swing, frames: SwingFrames) -> dict[str, Any]:
    """Return every row of a swing for its picture: zones, loads, CoP, lead share."""
    at_s, _ = aligned_at(swing)
    return {
        "t": plain(frames.t_s - at_s, 3),
        "share": plain(frames.lead_share, 3),
        "unit": frames.layout.unit,
        "top": _top(frames),
        "layout": layout_message(frames.layout),
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


def _lift(swing: Swing) -> str:
    lift = swing.heel_lift
    lowest = formats.number(lift.lowest_load_bw, 2, " × BW")
    return f"{words.heel_lift(lift)}; lowest load about {lowest}, limit {lift.limit_n:.0f} N"


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
        rows.append(MomentRow(name, f"{t_s - at_s:+.2f}", _percent(share[k]), feet))
    return rows


def _texts(values: FloatArray) -> tuple[str, ...]:
    rounded = (np.round(values, 2) + 0.0).tolist()  # no "-0.00"
    return tuple(formats.NONE if v != v else f"{v:.2f}" for v in rounded)


def _percent(value: float) -> str:
    return formats.NONE if value != value else f"{100.0 * value:.0f}"
