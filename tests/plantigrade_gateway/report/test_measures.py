"""The report's tables, cell by cell, of events whose numbers were written by hand.

The values are those of `tests.support.records`; shares are hundredths, a swing's times count from
its start. Intervals of proportions are Wilson's (2 of 2: 34–100; 0 of 4: 0–49, from his formula).
"""

from dataclasses import replace
from datetime import UTC, datetime

from tests.support.cases import quality
from tests.support.printed import cells, printed
from tests.support.records import stand, step, swing

from plantigrade.block import Foot
from plantigrade.events import Bearing, HeelLiftState, Manner, Roll, Swing, Timing
from plantigrade_gateway.analysis.result import Analysis, Exclusion, Mark
from plantigrade_gateway.analysis.spans import spans_of
from plantigrade_gateway.report.measures import (
    groups_of,
    sampling_notes,
    set_line,
    show_groups,
    show_stands,
    show_swings,
    show_walk,
)


def row(lines: list[str], name: str) -> list[str]:
    """The cells beside a name that stands in one row alone."""
    (found,) = [cells(line)[1:] for line in lines if cells(line)[0] == name]
    return found


def analysis(*swings: Swing, marks: tuple[Mark, ...] = (), **given) -> Analysis:
    return Analysis("x", 100.0, 600.0, (), (), swings, marks, None, spans=spans_of(marks), **given)


# ---- standing ----


def test_a_stand_s_rows():
    left = replace(stand(900).left, midfoot_medial_share=0.481)
    lines = printed(lambda out: show_stands([replace(stand(900), left=left)], out))
    assert cells(lines[2]) == ["foot", "load N", "heel", "midfoot", "forefoot", "toes", "bearing"]
    assert cells(lines[3]) == [
        *("0:09.0, 12 s", "left", "412", "50", "5.0 ± 1.0", "35", "10", "slight"),
    ]
    assert cells(lines[4]) == [
        *("left 52 % of load (gap)", "right", "412", "50", "–", "35", "10", "unclear"),
    ]
    assert [cells(line) for line in lines[-2:]] == [
        ["0:09.0, 12 s", "left", "4", "48", "2.0, 1.0"],
        ["right", "4", "–", "2.0, 1.0"],
    ]
    moved = replace(left, bearing=Bearing.MOVED, midfoot_zones=None, sway_rms_x_mm=None)
    whole = replace(stand(900), left=replace(moved, midfoot_share_sd=None), touches_gap=False)
    lines = printed(lambda out: show_stands([whole], out, "left never calibrated"))
    assert cells(lines[3])[4:] == ["5.0", "35", "10", "moved"]
    assert cells(lines[4])[0] == "left 52 % of load"
    assert cells(lines[-2]) == ["0:09.0, 12 s", "left", "–", "48", "–"]
    assert "Load N: left never calibrated." in lines


# ---- walking ----


def test_a_walk_s_rows():
    """Strikes 0.75 s apart, foot by foot; each stance is 0.65 s: 43.3 % of a stride of 1.5 s."""
    steps = [step(75 * k, Foot.LEFT if k % 2 else Foot.RIGHT) for k in range(1, 5)]
    steps[0] = replace(steps[0], roll=Roll.SKIPPED)
    lines = printed(lambda out: show_walk(steps, out))
    assert row(lines, "steps") == ["2", "2"]
    assert row(lines, "stance, s") == ["0.650 ± 0.000 (2)"] * 2
    assert row(lines, "stance, % of stride") == ["43.3 (1)"] * 2
    assert row(lines, "step time, s") == ["0.750 (1)", "0.750 ± 0.000 (2)"]
    assert row(lines, "midfoot share of impulse, %") == ["30.0 ± 0.0 (2)"] * 2
    for region in ("heel", "midfoot", "forefoot"):
        assert row(lines, f"{region} centre, % of stance") == ["0.3 ± 0.0 (2)"] * 2
    assert not any(line.startswith("toes centre") for line in lines)  # of no step
    assert row(lines, "heel off, % of stance") == ["61.7 ± 0.0 (2)"] * 2
    assert row(lines, "roll: through") == ["1 of 2 (9–91)", "2 of 2 (34–100)"]
    assert row(lines, "roll: skipped") == ["1 of 2 (9–91)", "0 of 2 (0–66)"]
    assert row(lines, "cadence, steps/min") == ["80.0 ± 0.0 (2)"]
    assert row(lines, "stride, s") == ["1.500 ± 0.000 (2)"]
    assert row(lines, "double support, s (twice a stride)") == ["-0.100 ± 0.000 (3)"]
    assert row(lines, "double support, % of stride") == ["-6.7 ± 0.0 (2)"]
    assert row(lines, "stance longer on the left, %") == ["0.0 (1)"]
    assert row(lines, "step longer on the left, %") == ["0.0 (1)"]


# ---- swings ----


def test_a_swing_s_row():
    gap = replace(swing(1000), touches_gap=True)
    short = replace(swing(2000), push=replace(swing(2000).push, transfer_s=0.01), load_tempo=None)
    headless = replace(swing(3000), start_s=None, shift_s=None)
    lines = printed(lambda out: show_swings(analysis(gap, short, headless), out))
    told = {cells(line)[0]: cells(line)[1:] for line in lines[1:8]}
    usual = ["rolled, with shift", "unloaded 0.5", "0.70", "0.75", "1.00"]
    assert told["1"] == ["0:10.0*", *usual, "2.4", "0.12"]
    assert told["2"] == ["0:20.0", *usual, "–", "≤ 0.02"]
    assert told["3"] == ["–", *usual[:2], "–", "–", "–", "2.4", "0.12"]
    assert "* touches missing samples" in lines
    whole = printed(lambda out: show_swings(analysis(swing(1000)), out))
    assert "* touches missing samples" not in whole
    said = " ".join(whole)
    assert "At 100 Hz a swing's times are known to one sample" in said
    assert "not the trade's backswing : downswing" in said
    assert "lead foot left, trail foot right" in whole[1]
    bare = replace(analysis(short), rate_hz=None)
    assert cells(printed(lambda out: show_swings(bare, out))[4])[-1] == "0.01"


def test_a_swing_that_is_left_out_keeps_its_number_and_says_why():
    day = datetime(2026, 3, 1, tzinfo=UTC)
    out = {1: Exclusion("stepped", "eve", day)}
    marks = (Mark(15.0, "set: full"),)
    found = analysis(*(swing(1000 * k) for k in (1, 2, 3)), marks=marks, excluded=out)
    lines = printed(lambda out: show_swings(found, out))
    numbers = [cells(line)[0] for line in lines if "rolled, with shift" in line]
    assert numbers == ["1", "2 out", "3"]
    assert any(line.startswith("out: swing 2 counts nowhere: stepped") for line in lines)
    assert "set full" in lines and "in no set" in lines
    assert [(one.name, len(one.swings)) for one in groups_of(found)] == [
        ("in no set", 1),
        ("set full", 1),
    ]
    assert [one.name for one in groups_of(analysis(swing(1000)))] == [""]


def test_a_swing_has_the_number_that_pages_call_it_by_whatever_its_set():
    """The second swing's own set stands behind the swings of none: it is swing 2 all the same."""
    marks = (Mark(15.0, "set: full"), Mark(25.0, "end of set"))
    found = analysis(*(swing(1000 * k) for k in (1, 2, 3)), marks=marks)
    lines = printed(lambda out: show_swings(found, out))
    told = [cells(line)[:2] for line in lines if "rolled, with shift" in line or "set full" in line]
    assert told[:4] == [["1", "0:10.0"], ["3", "0:30.0"], ["set full"], ["2", "0:20.0"]]


def test_a_row_of_a_swing_is_whole_on_80_columns():
    """The longest words and numbers, as swing 27: nothing of it is cut off or wrapped."""
    swings = [swing(1000 * k) for k in range(1, 28)]
    push = replace(swings[-1].push, manner=Manner.SKIPPED, transfer_s=0.01)
    swings[-1] = replace(swings[-1], push=push)
    lines = printed(lambda out: show_swings(analysis(*swings), out), 80)
    told = next(cells(line) for line in lines if line.startswith("27 "))
    times = ["0.70", "0.75", "1.00", "2.4", "≤ 0.02"]
    assert told == ["27", "4:30.0", "skipped, with shift", "unloaded 0.5", *times]


def test_what_sampling_lets_be_known():
    """One sample at 100 Hz is 0.01 s; a transfer of two is not told from a jump."""
    (said,) = sampling_notes([swing(0)], 100.0)
    assert "At 100 Hz" in said and "one sample, ± 0.01 s, its load tempo to ± 0.1" in said
    assert "up to 0.02 s (≤)" in said
    (said,) = sampling_notes([replace(swing(0), load_tempo=None)], 50.0)
    assert "At 50 Hz" in said and "± 0.02 s. A" in said and "up to 0.04 s" in said
    # tempo 2.4 of 0.30 s at 20 Hz: (1 + 2.4) · 0.05 / 0.30 = 0.57
    assert "to ± 0.6 or better" in sampling_notes([swing(0)], 20.0)[0]
    assert sampling_notes([swing(0)], None) == ()


def varied() -> list[Swing]:
    """Four swings: one push skips, one is held and early; two heels stay down."""
    made = [swing(1000 * k) for k in range(1, 5)]
    changes = [
        {},
        {"manner": Manner.SKIPPED, "is_good": False, "heel_loaded": False},
        {"manner": Manner.HELD, "timing": Timing.EARLY, "is_good": False, "heel_loaded": None},
        {},
    ]
    down = replace(made[0].heel_lift, state=HeelLiftState.DOWN, duration_s=None)
    return [
        replace(
            one,
            push=replace(one.push, **change),  # type: ignore[arg-type]
            heel_lift=down if k < 2 else one.heel_lift,
            trail_return_share=0.1,
        )
        for k, (one, change) in enumerate(zip(made, changes, strict=True))
    ]


def test_a_set_s_rows():
    lines = printed(lambda out: show_groups(analysis(*varied()), out))
    expected = {
        "swings": "4",
        "good push": "2 of 4 (15–85)",
        "push rolled": "2 of 4 (15–85)",
        "push skipped": "1 of 4 (5–70)",
        "push held": "1 of 4 (5–70)",
        "push early": "1 of 4 (5–70)",
        "heel unloaded": "2 of 4 (15–85)",
        "heel unloaded for, s": "0.50 ± 0.00 (2)",
        "start to trail peak, s": "0.70 ± 0.00 (4)",
        "shift to lead peak, s": "0.25 ± 0.00 (4)",
        "load tempo": "2.40 ± 0.00 (4)",
        "transfer, rolled, s": "0.12 ± 0.00 (2)",
        "rolled, median, s": "0.12",
        "rolled, % of shift": "44 ± 0 (2)",
        "load at fore take, %": "61 ± 0 (4)",
        "lead peak, about × BW": "1.40 ± 0.00 (4)",
        "lead share range, %": "70 ± 0 (4)",
        "back to trail foot, %": "10 ± 0 (4)",
        "push begun at, %": "20 ± 0 (4)",
        "midfoot in the push, %": "8.0 ± 0.0 (4)",
        "trail heel loaded": "2 of 3 (21–94)",
        "trail heel, address, %": "45 ± 0 (4)",
        "trail heel, peak, %": "62 ± 0 (4)",
        "lead heel, address, %": "50 ± 0 (4)",
        "lead share, address, %": "50 ± 0 (4)",
        "trail peak, about × BW": "0.80 ± 0.00 (4)",
        "lead rise, about BW/s": "2.5 ± 0.0 (4)",
        "front to back both, %": "15 ± 0 (4)",
        "front to back lead, %": "20 ± 0 (4)",
        "front to back trail, %": "60 ± 0 (4)",
    }
    for name, text in expected.items():
        assert row(lines, name) == [text], name


def test_a_set_s_halves_are_told_with_half_their_interval():
    """0.10, 0.14 | 0.20, 0.24: SE .0283, 2 df, t = 4.303: 10 ± 12 of a hundred (Welch's)."""
    spread = zip(varied(), (0.10, 0.14, 0.20, 0.24), strict=True)
    swings = [replace(s, both_cop_travel=y, lead_peak_bw=10 * y) for s, y in spread]
    lines = printed(lambda out: show_groups(analysis(*swings), out))
    assert row(lines, "halves: both feet, %") == ["+10 ± 12"]
    assert row(lines, "halves: lead peak") == ["+1.00 ± 1.22"]
    assert row(lines, "halves: load tempo") == ["+0.00"]


def test_three_sets_stand_beside_each_other():
    marks = tuple(Mark(10.0 * k - 5, f"set: s{k}") for k in range(1, 5))
    found = analysis(*(swing(1000 * k) for k in range(1, 5)), marks=marks)
    heads = [line for line in printed(lambda out: show_groups(found, out)) if "set s" in line]
    assert [cells(line) for line in heads] == [["set s1", "set s2", "set s3"], ["set s4"]]
    assert printed(lambda out: show_groups(analysis(), out)) == []


def test_a_set_in_one_line():
    marks = (Mark(1.0, "set: full"),)
    (run,) = analysis(*varied(), marks=marks).sets
    assert set_line(run) == (
        "4 swings in set full: good push 2 of 4, heel unloaded 2 of 4, load tempo 2.4 ± 0.0 (4)"
    )


def test_sets_say_which_feet_their_loads_are_not_known_of():
    said = quality(("never calibrated", "never calibrated"))
    made = replace(analysis(*varied()), quality=said)
    lines = [line for line in printed(lambda out: show_groups(made, out)) if line]
    assert lines[-1] == "× BW: never calibrated."
    known = replace(made, quality=quality(("2026-03-02", "2026-03-02")))
    assert not any(line.startswith("× BW") for line in printed(lambda out: show_groups(known, out)))
