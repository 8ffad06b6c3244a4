"""What a set's pages and charts show, of swings whose curves are written by hand."""

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from tests.support.cases import VisitMaker, pushes
from tests.support.records import swing

from plantigrade.block import Foot
from plantigrade_gateway.coach.compare import compare_sets
from plantigrade_gateway.report.swingframes import SwingFrames
from plantigrade_gateway.rules.files import built_in
from plantigrade_gateway.web.desk.sets import (
    compared_lines,
    half_lines,
    lines_of,
    overlay_of,
    proportion_lines,
    set_data,
    set_table,
)

RATE_HZ = 4.0
AT_S = np.arange(0.0, 12.01, 0.25)


def frames(level: float, lead: Foot = Foot.LEFT) -> SwingFrames:
    """Rows whose lead share is `level`, its load 2 of it, the trail's 3; CoP y a tenth of it."""
    loads = {lead: 2.0, lead.other: 3.0}

    def load_bw(foot: Foot) -> np.ndarray:
        return np.full(len(AT_S), loads[foot] * level)

    def cop(foot: Foot) -> np.ndarray:
        assert foot is lead.other
        return np.column_stack((np.full(len(AT_S), 0.9), np.full(len(AT_S), level / 10.0)))

    found = SimpleNamespace(
        t_s=AT_S,
        settings=SimpleNamespace(lead=lead),
        lead_share=np.full(len(AT_S), level),
        load_bw=load_bw,
        cop=cop,
    )
    return cast(SwingFrames, found)


def laid(lead: Foot = Foot.LEFT) -> list[tuple[object, SwingFrames | None]]:
    """Three swings of 0.2, 0.4 and 0.6, whose shifts are 5.75 s, and one without rows."""
    made = [(swing(500), frames(level, lead)) for level in (0.2, 0.4, 0.6)]
    return [*made, (swing(900), None)]


@pytest.mark.parametrize("lead", [Foot.LEFT, Foot.RIGHT])
def test_curves_are_laid_over_each_other_at_the_shift(lead):
    """By hand: the mean of 0.2, 0.4 and 0.6 is 0.4, their SD 0.2."""
    found = overlay_of(laid(lead), RATE_HZ)  # type: ignore[arg-type]
    assert (found.used, found.left_out) == (3, 1)
    for name, scale in (("share", 1.0), ("lead", 2.0), ("trail", 3.0), ("cop", 10.0)):
        curve = found.curves[name]
        here = np.flatnonzero(curve.t_s == 0.0)[0]
        assert curve.curves[:, here] == pytest.approx(scale * np.array([0.2, 0.4, 0.6]))
        assert curve.mean[here] == pytest.approx(0.4 * scale)
        assert curve.sd[here] == pytest.approx(0.2 * scale)
    # rows reach from 0 to 12 s, the shift is at 5.75: beyond there is nothing
    share = found.curves["share"]
    there = share.t_s[~np.isnan(share.mean)]
    assert there[0] == max(share.t_s[0], -5.75) and there[-1] == min(share.t_s[-1], 6.25)


def test_the_chart_has_single_curves_their_mean_and_a_band_of_one_sd():
    found = overlay_of(laid(), RATE_HZ)  # type: ignore[arg-type]
    sources = set_data(found)["sources"]
    each, mean, band = (sources[f"share_{part}"] for part in ("each", "mean", "band"))
    assert len(each["xs"]) == len(each["ys"]) == 3
    assert each["xs"][0] == mean["t"]
    (xs,), (ys,) = band["xs"], band["ys"]
    half = len(xs) // 2
    assert xs[:half] == xs[half:][::-1]  # there below, and back above
    assert ys[:half] == pytest.approx([0.2] * half) and ys[half:] == pytest.approx([0.6] * half)
    low, high = set_data(found)["ranges"]["load"]
    assert low <= 0.4 and high >= 1.8  # of lead and trail: 0.4 to 1.8 × BW


def test_a_band_has_an_outline_for_each_stretch_with_a_mean():
    broken = frames(0.4)
    broken.lead_share[20] = np.nan
    swings = [(swing(500), frames(0.2)), (swing(500), broken), (swing(500), frames(0.6))]
    found = overlay_of(swings, RATE_HZ)
    assert len(set_data(found)["sources"]["share_band"]["xs"]) == 2
    assert len(set_data(found)["sources"]["lead_band"]["xs"]) == 1


def test_the_overlay_in_numbers_has_a_row_each_half_second():
    """Shares in %, loads in × BW, CoP in % of the length: mean ± SD (swings)."""
    rows = set_table(overlay_of(laid(), RATE_HZ), 0.5)  # type: ignore[arg-type]
    (here,) = [row for row in rows if row.after == "+0.00"]
    assert here.values == ("40 ± 20 (3)", "0.80 ± 0.40 (3)", "1.20 ± 0.60 (3)", "4 ± 2 (3)")
    after = [float(row.after) for row in rows]
    assert np.diff(after) == pytest.approx(0.5)
    alone = set_table(overlay_of(laid()[:2], RATE_HZ), 0.5)  # type: ignore[arg-type]
    assert {value for row in alone for value in row.values} == {"–"}  # two have no mean


def test_a_sets_classes_come_with_count_and_interval():
    """Wilson 1927, of 6 of 8, by hand with z = 1.96: 41 to 93 %; 8 of 8: 68 to 100 %."""
    (run,) = VisitMaker().swung("full", pushes(6, 2)).visit().analysis.sets
    lines = {line.title: line for line in proportion_lines(run)}
    assert lines["good push"].first == "6 of 8 (41–93)" and lines["good push"].unit == "%"
    assert lines["push rolled"].first == "6 of 8 (41–93)"
    assert lines["push skipped"].first.startswith("2 of 8")
    assert lines["push held"].first.startswith("0 of 8")
    assert lines["lead heel unloaded"].first == "8 of 8 (68–100)"


def test_a_sets_measures_and_their_halves_are_told():
    """Load tempo 2 in the first four swings, 3 in the last four: 2.5 ± 0.53, and 1 more."""
    swings = [{"load_tempo": 2.0}] * 4 + [{"load_tempo": 3.0}] * 4
    (run,) = VisitMaker().swung("full", swings).visit().analysis.sets
    tempo = next(line for line in lines_of(run) if "tempo" in line.title)
    assert tempo.first == "2.5 ± 0.5 (8)"
    half = next(line for line in half_lines(run) if "tempo" in line.title)
    assert half.first.endswith("(4)") and half.second.endswith("(4)")
    assert half.difference.startswith("+1.0")


def test_two_sets_stand_side_by_side_what_is_counted_and_what_is_averaged():
    """By hand: 6 of 8 and 2 of 8 good pushes; tempos of 2 and 3."""
    made = VisitMaker()
    made.swung("full", [one | {"load_tempo": 2.0} for one in pushes(6, 2)])
    made.swung("smooth", [one | {"load_tempo": 3.0} for one in pushes(2, 6)])
    visit = made.visit()
    counted, averaged = compared_lines(compare_sets(visit, built_in(), *visit.analysis.sets))
    good = next(line for line in counted if "good" in line.title)
    assert (good.first[:6], good.second[:6]) == ("6 of 8", "2 of 8")
    tempo = next(line for line in averaged if "tempo" in line.title)
    assert (tempo.first[:3], tempo.second[:3]) == ("2.0", "3.0")
    assert tempo.difference.startswith("+1.0")
    assert not {line.title for line in counted} & {line.title for line in averaged}
