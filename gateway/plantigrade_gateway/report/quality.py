"""What results were read with, and how far to trust them, as text."""

from rich.console import Console

from plantigrade.block import Foot
from plantigrade_gateway import formats
from plantigrade_gateway.analysis.quality import FootQuality, Quality
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.report.console import heading, item, paragraph, put, table

FROM = {
    "mass": "from the mass given",
    "recording": "from the recording's own load",
    "assumed": "assumed",
}


def show_reading(analysis: Analysis, quality: Quality, out: Console) -> None:
    """Say what the results were read with."""
    limits = quality.limits
    heading(out, "Read with", "(limits are ours and adjustable)")
    item(out, "layout", f"{quality.layout}, {quality.zones} zones")
    item(out, "lead foot", f"{quality.lead} ({quality.handed}-handed)")
    weight = f"about {quality.body_weight_n:.0f} N, {FROM[quality.body_weight_from]}"
    item(out, "body weight", weight)
    for foot in Foot:
        said = quality.foot(foot).calibration
        if said is not None:
            item(out, f"{foot} insole", said)
    item(
        out,
        "contact",
        f"above {quality.contact_n:.0f} N, the larger of {limits.contact_n:.0f} N and "
        f"{formats.percent(limits.contact_bw)} of body weight",
    )
    if analysis.stands:
        item(
            out,
            "bearing",
            f"midfoot share from {formats.percent(limits.bearing_full)}; none under "
            f"{formats.percent(limits.bearing_none)}",
        )
    if analysis.steps:
        item(
            out,
            "roll",
            f"through: midfoot impulse from {formats.percent(limits.roll_through, 1)} and centres "
            f"in order; skipped: under {formats.percent(limits.roll_skipped, 1)}",
        )
    if analysis.swings:
        item(
            out,
            "heel lift",
            f"lead heel under {quality.heel_lift_n:.0f} N for {1000 * limits.heel_lift_s:.0f} ms",
        )
        item(
            out,
            "push",
            f"rolled: transfer from {formats.percent(limits.push_rolled)} of shift to lead peak; "
            f"held: CoP travels under {formats.percent(limits.push_travel)} of the foot",
        )


def show_quality(quality: Quality, out: Console) -> None:
    """Say what is missing or doubtful."""
    heading(out, "Quality")
    made = table("", "left", "right")
    rows = zip(_quality_cells(quality.left), _quality_cells(quality.right), strict=True)
    for (name, left), (_, right) in rows:
        if (left, right) != (formats.NONE, formats.NONE):
            made.add_row(name, left, right)
    put(out, made)
    for note in quality.notes:
        paragraph(out, f"{note[0].upper()}{note[1:]}.", "  ")


def _quality_cells(foot: FootQuality) -> list[tuple[str, str]]:
    due = foot.samples + foot.missing_samples
    missing = f"{foot.missing_samples} of {due}"
    gaps = "none"
    if foot.gaps.count:
        gaps = f"{foot.gaps.count}, {foot.gaps.total_s:.2f} s, longest {foot.gaps.longest_s:.2f} s"
    baseline = "not set by a walk"
    if foot.baseline_error_n is not None and foot.baseline_age_s is not None:
        baseline = (
            f"{foot.baseline_n:.1f} ± {foot.baseline_error_n:.1f} N, "
            f"{formats.duration(foot.baseline_age_s)} old"
        )
    unused = ", ".join(map(str, foot.unused_zones)) or formats.NONE
    saturated = formats.NONE if not foot.saturated_samples else str(foot.saturated_samples)
    rows = [
        ("samples missing", missing),
        ("gaps", gaps),
        ("baseline taken off", baseline),
        ("zones not used", unused),
        ("readings at full scale", saturated),
    ]
    return rows + _link_cells(foot)


def _link_cells(foot: FootQuality) -> list[tuple[str, str]]:
    link = foot.link
    if link is None:
        return [
            (name, formats.NONE)
            for name in ("packets lost", "packets left out", "clock", "battery")
        ]
    left_out = {
        "late": link.late,
        "repeated": link.repeated,
        "overlapping": link.overlapping,
        "malformed": link.malformed,
        "not ours": link.ignored,
    }
    said = ", ".join(f"{n} {why}" for why, n in left_out.items() if n)
    due = link.packets + link.lost_packets
    lost = f"{link.lost_packets} of {due} ({100 * link.lost_packets / max(due, 1):.1f} %)"
    clock = f"{link.clock_drift_ppm:+.0f} ppm, within {1000 * link.clock_error_s:.0f} ms"
    if link.restarts:
        clock += f", {formats.plural(link.restarts, 'restart')}"
    return [
        ("packets lost", lost),
        ("packets left out", said or formats.NONE),
        ("clock", clock),
        ("battery", "low" if link.battery_low else formats.NONE),
    ]
