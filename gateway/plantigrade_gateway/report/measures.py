"""Standing and walking as text."""

from collections.abc import Callable, Sequence

from rich.console import Console
from rich.table import Table

from plantigrade.events import FootStand, Roll, Stand, Step
from plantigrade.summary import FootWalk, Walk, summarise_walk
from plantigrade_gateway import formats, words
from plantigrade_gateway.report.console import heading, paragraph, put, table

_REGIONS = ("heel", "midfoot", "forefoot", "toes")


def show_stands(stands: Sequence[Stand], out: Console) -> None:
    """Print the quiet stands."""
    heading(out, "Standing", "shares of each foot's own load, %")
    made = table(
        "", "foot", "load N", *_REGIONS[:1], "midfoot", *_REGIONS[2:], "bearing", numbers_from=2
    )
    for stand in stands:
        length = f"{stand.end_s - stand.start_s:.0f} s"
        when = f"{formats.clock(stand.start_s)}, {length}"
        share = f"left {formats.percent(stand.left_share)} of load"
        flag = " (gap)" if stand.touches_gap else ""
        made.add_row(when, *_stand_cells("left", stand.left))
        made.add_row(share + flag, *_stand_cells("right", stand.right))
    put(out, made)
    paragraph(
        out,
        "Midfoot ± its spread over the stand's seconds. Footbed and shoe change these shares.",
        "  ",
    )


def _stand_cells(foot: str, found: FootStand) -> tuple[str, ...]:
    def cell(share: float | None) -> str:
        return formats.NONE if share is None else f"{100 * share:.0f}"

    midfoot = formats.NONE if found.midfoot_share is None else f"{100 * found.midfoot_share:.1f}"
    if found.midfoot_share_sd is not None and found.midfoot_share is not None:
        midfoot += f" ± {100 * found.midfoot_share_sd:.1f}"
    return (
        foot,
        f"{found.load_n:.0f}",
        cell(found.heel_share),
        midfoot,
        cell(found.forefoot_share),
        cell(found.toes_share),
        words.bearing(found.bearing),
    )


def show_walk(steps: Sequence[Step], out: Console) -> None:
    """Print the walk's summary."""
    walk = summarise_walk(steps)
    heading(out, "Walking", "mean ± SD (count); roll: 95 % interval, %")
    made = table("", "left", "right")
    for name, left, right in zip(
        ("steps", *(row[0] for row in _FOOT_ROWS), *(f"roll: {roll}" for roll in Roll)),
        _foot_cells(walk.left),
        _foot_cells(walk.right),
        strict=True,
    ):
        if (left, right) != (formats.NONE, formats.NONE):
            made.add_row(name, left, right)
    put(out, made)
    out.print()
    put(out, _both_feet(walk))


_FOOT_ROWS: tuple[tuple[str, Callable[[FootWalk], str]], ...] = (
    ("stance, s", lambda foot: words.spread(foot.stance_s, 3)),
    ("stance, % of stride", lambda foot: words.spread(foot.stance_pct, 1)),
    ("step time, s", lambda foot: words.spread(foot.step_s, 3)),
    ("midfoot share of impulse, %", lambda foot: words.spread(foot.midfoot_impulse_share, 1, 100)),
    ("heel centre, % of stance", lambda foot: words.spread(foot.heel_centre_pct, 1)),
    ("midfoot centre, % of stance", lambda foot: words.spread(foot.midfoot_centre_pct, 1)),
    ("forefoot centre, % of stance", lambda foot: words.spread(foot.forefoot_centre_pct, 1)),
    ("toes centre, % of stance", lambda foot: words.spread(foot.toes_centre_pct, 1)),
    ("heel off, % of stance", lambda foot: words.spread(foot.heel_off_pct, 1)),
)


def _foot_cells(foot: FootWalk) -> list[str]:
    return [
        str(foot.steps),
        *(cell(foot) for _, cell in _FOOT_ROWS),
        *(words.proportion(foot.rolls[roll]) for roll in Roll),
    ]


def _both_feet(walk: Walk) -> Table:
    made = table("", "both feet")
    made.add_row("cadence, steps/min", words.spread(walk.cadence_per_min, 1))
    made.add_row("stride, s", words.spread(walk.stride_s, 3))
    made.add_row("double support, s (twice a stride)", words.spread(walk.double_support_s, 3))
    made.add_row("double support, % of stride", words.spread(walk.double_support_pct, 1))
    made.add_row("stance longer on the left, %", words.spread(walk.stance_asymmetry_pct, 1))
    made.add_row("step longer on the left, %", words.spread(walk.step_asymmetry_pct, 1))
    return made
