"""Tables of stands, walks, swings, sets and strikes as text; computes no event."""

from collections.abc import Callable, Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from plantigrade.events import FootStand, HeelLiftState, Manner, Roll, Stand, Step, Swing, Timing
from plantigrade.halves import halves_of_set
from plantigrade.reliability import Proportion, proportion
from plantigrade.sampling import least_transfer_s, tempo_error, time_error_s
from plantigrade.summary import FootWalk, Walk, summarise_swings, summarise_walk
from plantigrade_gateway import formats, words
from plantigrade_gateway.analysis.result import Analysis, MarkedSet, SwingStrike, is_good
from plantigrade_gateway.report.console import heading, item, paragraph, put, table

_REGIONS = ("heel", "midfoot", "forefoot", "toes")


def show_stands(stands: Sequence[Stand], out: Console, uncalibrated: str = "") -> None:
    """Print the quiet stands, and the feet that moved in them.

    Parameters
    ----------
    stands : sequence of Stand
    out : Console
    uncalibrated : str
        Which insoles were never calibrated, if any: their newtons are said to be so.
    """
    heading(out, "Standing", "shares of each foot's own load, %")
    shares = table("", "foot", "load N", *_REGIONS, "bearing", numbers_from=2)
    more = table("", "foot", *_MIDFOOT_AND_SWAY, numbers_from=2)
    for stand in stands:
        length = f"{stand.end_s - stand.start_s:.0f} s"
        when = f"{formats.clock(stand.start_s)}, {length}"
        share = f"left {formats.percent(stand.left_share)} of load"
        flag = " (gap)" if stand.touches_gap else ""
        shares.add_row(when, *_share_cells("left", stand.left))
        shares.add_row(share + flag, *_share_cells("right", stand.right))
        more.add_row(when, *_midfoot_and_sway_cells("left", stand.left))
        more.add_row("", *_midfoot_and_sway_cells("right", stand.right))
    put(out, shares)
    if uncalibrated:
        paragraph(out, f"Load N: {uncalibrated}.", "  ")
    paragraph(
        out,
        "Midfoot ± its spread over the stand's seconds. Footbed and shoe change these shares. A "
        "foot whose CoP swayed by more than its limit moved: no bearing comes of it.",
        "  ",
    )
    put(out, more)


_MIDFOOT_AND_SWAY = ("midfoot zones", "medial part %", "sway RMS along, across mm")


def _percent(share: float | None) -> str:
    return formats.NONE if share is None else f"{100 * share:.0f}"


def _share_cells(foot: str, found: FootStand) -> tuple[str, ...]:
    midfoot = formats.NONE if found.midfoot_share is None else f"{100 * found.midfoot_share:.1f}"
    if found.midfoot_share_sd is not None and found.midfoot_share is not None:
        midfoot += f" ± {100 * found.midfoot_share_sd:.1f}"
    return (
        foot,
        f"{found.load_n:.0f}",
        _percent(found.heel_share),
        midfoot,
        _percent(found.forefoot_share),
        _percent(found.toes_share),
        str(found.bearing),
    )


def _midfoot_and_sway_cells(foot: str, found: FootStand) -> tuple[str, ...]:
    zones = formats.NONE if found.midfoot_zones is None else str(found.midfoot_zones)
    along, across = found.sway_rms_y_mm, found.sway_rms_x_mm
    none = along is None or across is None
    sway = formats.NONE if none else f"{along:.1f}, {across:.1f}"
    return foot, zones, _percent(found.midfoot_medial_share), sway


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


SWING_NOTES = (
    "Load tempo is (start to trail peak) : (trail peak to lead peak), not the trade's backswing : "
    "downswing. Transfer is from heel leave to fore take on the trail foot; a set's is that of its "
    "rolled pushes alone.",
    "A push begins at its rearmost centre of pressure; a good one rolls, with the shift, from near "
    "the heel. Front to back is the travel of the centre of pressure from start to lead peak, "
    "of each foot and of both together (turned-out feet blur it); lead rise is the steepest over "
    "50 ms.",
    "Of the heel it is unloading that is seen, not height; of the push load, not propulsion.",
)


def sampling_notes(swings: Sequence[Swing], rate_hz: float | None) -> tuple[str, ...]:
    """Return what sampling lets be known of single swings; nothing where the rate is not known."""
    if rate_hz is None:
        return ()
    errors = [tempo_error(swing, rate_hz) for swing in swings]
    tempo = max((error for error in errors if error is not None), default=None)
    of_tempo = "" if tempo is None else f", its load tempo to ± {max(tempo, 0.1):.1f} or better"
    return (
        f"At {rate_hz:.0f} Hz a swing's times are known to one sample, ± "
        f"{time_error_s(rate_hz):.3g} s{of_tempo}. A transfer of up to "
        f"{least_transfer_s(rate_hz):.2g} s (≤) is not told from a jump at once.",
    )


def show_swings(analysis: Analysis, out: Console) -> None:
    """Print every swing, then what each set comes to."""
    lead = analysis.swings[0].lead
    heading(out, "Swings", f"lead foot {lead}, trail foot {lead.other}; times from the start, s")
    names = ("", "start", "push", "lead heel, s", "trail\npeak", "shift", "lead\npeak")
    made = table(*names, "load\ntempo", "trans-\nfer", numbers_from=4)
    numbers = {id(swing): n for n, swing in enumerate(analysis.swings, 1)}  # as pages call them
    left_out = []
    for group in _groups(analysis.swings, analysis.whole_sets):
        if group.name:
            made.add_row("", "", Text(group.name, style="bold"))
        for swing in group.swings:
            number = numbers[id(swing)]
            excluded = analysis.excluded.get(number - 1)
            if excluded is not None:
                left_out.append(f"out: swing {number} counts nowhere: {excluded.text}")
            sign = f"{number}{' out' if excluded else ''}"
            made.add_row(sign, *_swing_cells(swing, analysis.rate_hz))
    put(out, made, indent=0)
    for text in left_out:
        paragraph(out, formats.printable(text), "  ")
    if any(swing.touches_gap for swing in analysis.swings):
        paragraph(out, "* touches missing samples", "  ")
    for text in (*sampling_notes(analysis.swings, analysis.rate_hz), *SWING_NOTES):
        paragraph(out, text, "  ")
    show_groups(analysis, out)


def groups_of(analysis: Analysis) -> list[MarkedSet]:
    """Return the sets, and before them the swings that belong to none, if there are some.

    Swings that are left out are in none of them.
    """
    return _groups(analysis.counted, analysis.sets)


def _groups(swings: Sequence[Swing], sets: Sequence[MarkedSet]) -> list[MarkedSet]:
    inside = {id(swing) for run in sets for swing in run.swings}
    rest = tuple(swing for swing in swings if id(swing) not in inside)
    named = [MarkedSet(_title(run), run.start_s, swings=run.swings) for run in sets]
    return [MarkedSet("in no set" if sets else "", 0.0, swings=rest), *named] if rest else named


def _title(run: MarkedSet) -> str:
    return f"set {run.name}{', withdrawn' if run.is_withdrawn else ''}"


def _swing_cells(swing: Swing, rate_hz: float | None) -> tuple[str, ...]:
    least_s = None if rate_hz is None else least_transfer_s(rate_hz)

    def after(t_s: float | None) -> str:
        known = t_s is not None and swing.start_s is not None
        return f"{t_s - swing.start_s:.2f}" if known else formats.NONE  # type: ignore[operator]

    return (
        formats.clock(swing.start_s) + ("*" if swing.touches_gap else ""),
        words.push(swing.push),
        words.heel_lift(swing.heel_lift).removesuffix(" s"),  # else a row is longer than 80
        after(swing.trail_peak_s),
        after(swing.shift_s),
        after(swing.lead_peak_s),
        formats.number(swing.load_tempo, 1),
        words.single(swing.push.transfer_s, None, 2, "", least_s),
    )


def show_groups(analysis: Analysis, out: Console) -> None:
    """Print what sets of swings come to, side by side."""
    runs = [run for run in groups_of(analysis) if run.swings]
    if not runs:
        return  # all are left out
    heading(out, "Sets", "mean ± SD (count); proportions: 95 % interval, %")
    for start in range(0, len(runs), 3):
        some = runs[start : start + 3]
        made = table("", *(run.name or "all swings" for run in some))
        for row in zip(*(_set_cells(run) for run in some), strict=True):
            made.add_row(row[0][0], *(value for _, value in row))
        put(out, made)
    paragraph(
        out,
        "Halves: the mean of a set's second half less that of its first, ± half of its 95 % "
        "interval (Welch's).",
        "  ",
    )
    if analysis.quality is not None and analysis.quality.uncalibrated:
        paragraph(out, f"× BW: {analysis.quality.uncalibrated}.", "  ")


def set_line(run: MarkedSet) -> str:
    """Return what a set comes to in one line."""
    found = summarise_swings(run.swings)
    return (
        f"{formats.plural(found.swings, 'swing')} in set {run.name}: good push "
        f"{words.count_of(_good(run))}, heel unloaded "
        f"{words.count_of(found.heel_lifts[HeelLiftState.LIFTED])}, load tempo "
        f"{words.spread(found.load_tempo, 1)}"
    )


def _good(run: MarkedSet) -> Proportion:
    return proportion(sum(map(is_good, run.swings)), len(run.swings))


def _set_cells(run: MarkedSet) -> list[tuple[str, str]]:
    found, halves = summarise_swings(run.swings), halves_of_set(run.swings)
    return [
        ("swings", str(found.swings)),
        ("good push", words.proportion(_good(run))),
        ("push rolled", words.proportion(found.manners[Manner.ROLLED])),
        ("push skipped", words.proportion(found.manners[Manner.SKIPPED])),
        ("push held", words.proportion(found.manners[Manner.HELD])),
        ("push early", words.proportion(found.timings[Timing.EARLY])),
        ("heel unloaded", words.proportion(found.heel_lifts[HeelLiftState.LIFTED])),
        ("heel unloaded for, s", words.spread(found.heel_lift_s)),
        ("start to trail peak, s", words.spread(found.start_to_trail_peak_s)),
        ("shift to lead peak, s", words.spread(found.shift_to_lead_peak_s)),
        ("load tempo", words.spread(found.load_tempo)),
        ("transfer, rolled, s", words.spread(found.transfer_s)),
        ("rolled, median, s", formats.number(found.transfer_median_s)),
        ("rolled, % of shift", words.spread(found.transfer_of_shift, 0, 100)),
        ("load at fore take, %", words.spread(found.load_at_fore_take, 0, 100)),
        ("lead peak, about × BW", words.spread(found.lead_peak_bw)),
        ("lead share range, %", words.spread(found.share_range, 0, 100)),
        ("back to trail foot, %", words.spread(found.trail_return_share, 0, 100)),
        ("push begun at, %", words.spread(found.push_from, 0, 100)),
        ("midfoot in the push, %", words.spread(found.midfoot_impulse_share, 1, 100)),
        ("trail heel loaded", words.proportion(found.trail_heels)),
        ("trail heel, address, %", words.spread(found.heel_share_address, 0, 100)),
        ("trail heel, peak, %", words.spread(found.heel_share_trail_peak, 0, 100)),
        ("lead heel, address, %", words.spread(found.lead_heel_share_address, 0, 100)),
        ("lead share, address, %", words.spread(found.address_share, 0, 100)),
        ("trail peak, about × BW", words.spread(found.trail_peak_bw)),
        ("lead rise, about BW/s", words.spread(found.lead_rise_bw_s, 1)),
        ("front to back both, %", words.spread(found.both_cop_travel, 0, 100)),
        ("front to back lead, %", words.spread(found.lead_cop_travel, 0, 100)),
        ("front to back trail, %", words.spread(found.trail_cop_travel, 0, 100)),
        # the set's second half less its first
        ("halves: load tempo", words.halves(halves["load_tempo"])),
        ("halves: transfer, s", words.halves(halves["transfer_s"])),
        ("halves: lead peak", words.halves(halves["lead_peak_bw"])),
        ("halves: both feet, %", words.halves(halves["both_cop_travel"], 0, 100)),
    ]


HEARD = "heard"

NOTE = (
    "A strike is told by a microphone, a mark or another instrument: pressure does not show it. "
    "± is half of a 95 % interval."
)

_HOW = {"microphone": "heard", "mark": "marked", "import": "imported"}


def strike_lines(strike: SwingStrike) -> list[str]:
    """Return when a strike was, and the swing's moments against it; or why it is not known."""
    if strike.t_s is None or strike.error_s is None:
        state = "not heard" if strike.state == "not_heard" else strike.state
        return [f"{state}: {strike.reason}"]
    lines = [f"{_HOW[strike.source]} at {strike.t_s:.2f} s, {_within(strike.error_s)}"]
    for name, moment_s in (
        ("shift", strike.shift_s),
        ("fore take", strike.fore_take_s),
        ("lead peak", strike.lead_peak_s),
    ):
        if moment_s is not None and strike.moment_error_s is not None:
            side = "before" if moment_s < 0.0 else "after"
            lines.append(
                f"{name} {abs(moment_s):.2f} s {side} it, {_within(strike.moment_error_s)}"
            )
    share, low, high = strike.lead_share, strike.lead_share_low, strike.lead_share_high
    if share is not None and low is not None and high is not None:
        lines.append(f"lead share at it {share:.0%} ({low:.0%} to {high:.0%})")
    return lines


def _within(error_s: float) -> str:
    return f"± {1000.0 * error_s:.0f} ms"


def show_strikes(analysis: Analysis, out: Console) -> None:
    """Print each swing's strike; nothing where none was looked for."""
    if not analysis.strikes:
        return
    heard = sum(strike.state == HEARD for strike in analysis.strikes)
    heading(out, "Strikes", f"{heard} of {len(analysis.strikes)} swings")
    for number, strike in enumerate(analysis.strikes, 1):
        item(out, f"swing {number}", "; ".join(strike_lines(strike)))
    paragraph(out, NOTE)
