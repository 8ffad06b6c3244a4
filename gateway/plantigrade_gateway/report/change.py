"""Two visits side by side, and a measure over visits, in the terminal and as JSON values."""

from collections.abc import Sequence
from typing import Any

from rich.console import Console

from plantigrade.change import Verdict
from plantigrade_gateway.coach.compare import Compared, Comparison
from plantigrade_gateway.coach.progress import Progress, point_text
from plantigrade_gateway.coach.repeats import Reliability
from plantigrade_gateway.converter import plain
from plantigrade_gateway.formats import NONE, capital, number, plural, printable
from plantigrade_gateway.report.console import heading, paragraph


def comparison_json(found: Comparison) -> dict[str, Any]:
    """Return a comparison as JSON values."""
    return {"schema": 1, "days": plain(found.days), **plain(found)}


def show_comparison(found: Comparison, out: Console) -> None:
    """Print two visits, or two sets, side by side; the difference is the second less the first.

    First what changed and what cannot be told; then the measures by what is said of them.
    """
    names = [printable(name) for name in (found.before, found.after)]
    if found.starts[0] != found.starts[1]:  # two visits, not two sets of one
        form = "%Y-%m-%d %H:%M" if found.days[0] == found.days[1] else "%Y-%m-%d"
        names = [
            f"{start:{form}} ({name[:8]})" for name, start in zip(names, found.starts, strict=True)
        ]
    heading(out, f"{names[1]} against {names[0]}", "difference: 95 % interval")
    for text in summary_of(found.lines):
        paragraph(out, text, "  ")
    for said in _SAID:
        judged = [one for one in found.lines if one.verdict in said]
        if judged:
            heading(out, capital(str(judged[0].text)))
        for one in judged:
            _show_line(one, out)
    for why in dict.fromkeys(one.text for one in found.lines if one.verdict is None):
        heading(out, capital(why))
        for one in found.lines:
            if one.text == why:
                _show_line(one, out)
    out.print()
    for text in found.notes:
        paragraph(out, text)


def _show_line(one: Compared, out: Console) -> None:
    before, after, difference, mdc, degrees, _ = one.cells
    paragraph(out, f"{one.measure.title}, {one.measure.unit}", "  ", style="bold")
    error = "" if mdc == NONE else f"; MDC95 {mdc}, df {degrees}"
    if not error and degrees != NONE:
        error = f"; df {degrees}"
    paragraph(out, f"{before}, then {after}; difference {difference}{error}", "    ")


def summary_of(lines: Sequence[Compared]) -> tuple[str, str]:
    """Return in two sentences what changed, and what cannot be told; or what could be compared."""
    if not lines:
        return (
            "Nothing was measured on both.",
            "Compared are smooth, full and fast sets without sound, and what guided checks found "
            "of stands and walks.",
        )
    different = [one.measure.title for one in lines if one.verdict in _DIFFERENT]
    alike = sum(one.verdict is not None for one in lines) - len(different)
    untold = sum(one.verdict is None for one in lines)
    more = f" and {len(different) - _NAMED} more" if len(different) > _NAMED else ""
    names = "; ".join(different[:_NAMED]) + more
    return (
        f"Changed: {names or f'none of {len(lines)}, as far as can be told'}.",
        f"Cannot be told: {plural(alike, 'measure')} within the usual variation, and {untold} "
        "without a verdict.",
    )


_DIFFERENT = (Verdict.OUTSIDE, Verdict.APART)
_SAID = (_DIFFERENT, (Verdict.INSIDE, Verdict.TOGETHER))
_NAMED = 4  # of what changed, in the summary


def progress_json(found: Progress, repeated: Reliability) -> dict[str, Any]:
    """Return a measure over visits, and how it repeats, as JSON values."""
    return {"schema": 1, **plain(found), "reliability": plain(repeated)}


def show_progress(found: Progress, repeated: Reliability, out: Console) -> None:
    """Print a measure over visits, with what changed between them, and how it repeats."""
    measure = found.measure
    heading(out, f"{measure.title}, {measure.unit}", "95 % intervals of each visit alone")
    if not found.points:
        paragraph(out, "It was measured on no visit.", "  ")
        return
    breaks = {one.before: one.text for one in found.breaks}
    for point in found.points:
        if point.session_id in breaks:
            paragraph(out, f"-- {breaks[point.session_id]} --", "  ")
        count = f"{point.count}" if point.hits is None else f"{point.hits} of {point.count}"
        paragraph(
            out,
            f"{point.day.isoformat()} ({point.session_id[:8]})  {point_text(point, measure)}, "
            f"{count}",
            "      ",
            "  ",
        )
        if point.text:
            mdc = None if point.mdc95 is None else measure.scale * point.mdc95
            error = "" if mdc is None else f" (MDC95 {number(mdc, measure.digits)})"
            paragraph(out, f"against the first: {point.text}{error}", "      ")
    if repeated.repeats.error is not None and not measure.is_share:
        _show_reliability(found, repeated, out)
    out.print()
    for text in found.notes:
        paragraph(out, text)


def _show_reliability(found: Progress, repeated: Reliability, out: Console) -> None:
    digits, scale = found.measure.digits + 1, found.measure.scale
    error = repeated.repeats.error
    assert error is not None
    heading(out, "How it repeats", str(repeated.repeats.kind))
    paragraph(out, f"SEM {number(scale * error.sem, digits)}, df {error.degrees}", "  ")
    if repeated.mdc95 is not None:
        paragraph(out, f"MDC95 of one repeat {number(scale * repeated.mdc95, digits)}", "  ")
    if repeated.icc is not None:
        paragraph(
            out,
            f"ICC(2,1) {number(repeated.icc.icc_2_1)}, ICC(3,1) {number(repeated.icc.icc_3_1)} "
            f"between {plural(repeated.visits, 'visit')} of {repeated.columns} repeats: of this "
            "player alone",
            "  ",
        )
    if repeated.agreement is not None:
        pairs = repeated.agreement
        low, bias, high = (
            number(scale * value, digits) for value in (pairs.low, pairs.bias, pairs.high)
        )
        paragraph(
            out,
            f"second less first repeat {bias}, limits of agreement {low} to {high} "
            f"({pairs.n} pairs)",
            "  ",
        )
