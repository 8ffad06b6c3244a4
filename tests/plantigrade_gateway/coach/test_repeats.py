"""A player's own repeats: which are taken, and what they come to, against plain computations."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from tests.support.cases import STANDS, VisitMaker, case, pushes, two_way, worn

from plantigrade.change import Kind
from plantigrade.events import Roll
from plantigrade_gateway.analysis.measures import SWING_MEASURES
from plantigrade_gateway.analysis.result import Mark
from plantigrade_gateway.check.verdict import AGAIN_MARK
from plantigrade_gateway.coach.case import Case
from plantigrade_gateway.coach.follow import find_followed, followed, units_of
from plantigrade_gateway.coach.repeats import _fullest, means_of, reliability, repeats_of
from plantigrade_gateway.coach.swings import JUDGES
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.rules.files import built_in

RULES = built_in()


def of_rows(table: np.ndarray) -> Case:
    return case(*[worn(list(row), day) for day, row in enumerate(table)])


def test_three_wearings_on_three_visits_have_four_degrees_of_freedom():
    found = repeats_of(of_rows(STANDS), RULES, "lead.stand")
    assert found.kind is Kind.SHOES_AGAIN
    assert np.array(found.rows) == pytest.approx(STANDS)
    assert found.error is not None
    sem, degrees = two_way(STANDS)
    assert found.error.sem == pytest.approx(sem) and found.error.degrees == degrees
    assert degrees == 4  # issue's own: three on a visit from three visits
    assert "leave out how the player varies from day to day" in found.text


def test_two_wearings_on_five_visits_have_four_too():
    table = np.array([[0.08, 0.09], [0.10, 0.09], [0.11, 0.12], [0.07, 0.09], [0.10, 0.11]])
    found = repeats_of(of_rows(table), RULES, "lead.stand")
    assert found.error is not None and found.error.degrees == 4
    assert found.error.sem == pytest.approx(two_way(table)[0])


def test_sets_of_one_wearing_are_repeats_of_sets_and_not_of_shoes():
    maker = VisitMaker().lifted()
    for mean in (2.0, 2.4):
        maker.swung("full", [{"load_tempo": mean - 0.1}, {"load_tempo": mean + 0.1}])
    found = repeats_of(case(maker.visit()), RULES, "full.load_tempo")
    assert found.kind is Kind.MEAN and found.rows[0] == pytest.approx((2.0, 2.4))
    assert "No shoe was taken off" in found.text
    maker.lifted().swung("full", [{"load_tempo": 3.0}])
    found = repeats_of(case(maker.visit()), RULES, "full.load_tempo")
    assert found.kind is Kind.SHOES_AGAIN
    assert found.rows[0] == pytest.approx((2.2, 3.0))  # the two sets count as one wearing


def test_nothing_repeated():
    found = repeats_of(case(worn([0.1], 0), worn([0.2], 1)), RULES, "lead.stand")
    assert (found.kind, found.rows, found.error) == (None, (), None)


def test_five_unchanged_visits_tell_their_own_spread():
    values = [0.10, 0.12, 0.11, 0.13, 0.09]
    visits = [worn([v, v], day, is_unchanged=day > 0) for day, v in enumerate(values)]
    found = repeats_of(case(*visits), RULES, "lead.stand")
    assert found.kind is Kind.VISITS
    assert found.error is not None and found.error.degrees == 4
    assert found.error.sem == pytest.approx(np.std(values, ddof=1))
    assert repeats_of(case(*visits[:4]), RULES, "lead.stand").kind is Kind.SHOES_AGAIN
    broken = [*visits[:2], worn([0.11, 0.11], 2), *visits[3:]]
    assert repeats_of(case(*broken), RULES, "lead.stand").kind is Kind.SHOES_AGAIN
    other = worn([0.11, 0.11], 2, is_unchanged=True, calibrations=("another",))
    assert repeats_of(case(*visits[:2], other, *visits[3:]), RULES, "lead.stand").kind is (
        Kind.SHOES_AGAIN
    )


# ---- reliability ----


def test_reliability_by_a_plain_analysis_of_variance():
    found = reliability(of_rows(STANDS), RULES, "lead.stand")
    n, k = STANDS.shape
    sem, degrees = two_way(STANDS)
    between = k * float(((STANDS.mean(1) - STANDS.mean()) ** 2).sum()) / (n - 1)
    assert found.icc is not None
    # Shrout & Fleiss 1979: ICC(3,1) = (BMS − EMS) / (BMS + (k − 1) EMS)
    expected = (between - sem**2) / (between + (k - 1) * sem**2)
    assert found.icc.icc_3_1 == pytest.approx(expected)
    assert (found.visits, found.columns) == (3, 3)
    # MDC95 = t(.975, df) · √2 · SEM (Weir 2005 has 1.96 for t)
    assert found.mdc95 == pytest.approx(stats.t.ppf(0.975, degrees) * math.sqrt(2) * sem)
    pairs = STANDS[:, 1] - STANDS[:, 0]
    assert found.agreement is not None
    assert found.agreement.bias == pytest.approx(pairs.mean())
    assert found.agreement.high == pytest.approx(pairs.mean() + 1.959964 * pairs.std(ddof=1))


def test_a_table_with_holes_is_cut_to_the_fullest():
    rows = [[0.1, 0.11, 0.12], [0.1, 0.12], [0.09, 0.1], [0.11, 0.1]]
    visits = [worn(row, day) for day, row in enumerate(rows)]
    found = reliability(case(*visits), RULES, "lead.stand")
    assert (found.visits, found.columns) == (4, 2)
    assert reliability(case(visits[0]), RULES, "lead.stand").icc is None


# ---- the measures ----


def test_every_number_and_every_count_of_swings_is_followed():
    keys = set(followed())
    for which in ("smooth", "full", "fast", "kept"):
        assert {f"{which}.{what}" for what in JUDGES} <= keys
        assert len([k for k in keys if k.startswith(f"{which}.")]) == len(JUDGES) + len(
            SWING_MEASURES
        )
    assert len({one.title for one in followed().values()}) == len(
        [one for one in followed().values() if not one.key.endswith(".transfer_of_shift")]
    )


def test_every_fraction_is_followed_in_hundredths():
    """Per cent are hundredths; what is in another unit is shown as it is."""
    for one in followed().values():
        assert one.scale == (100.0 if one.unit.startswith("%") else 1.0), one.key
        assert one.is_share == (one.key.partition(".")[2] in {*JUDGES, "through"}), one.key
    digits = {"stand": 1, "walk": 1, "stance": 3, "through": 0}
    for foot in ("lead", "trail"):
        found = {what: find_followed(f"{foot}.{what}").digits for what in digits}
        assert found == digits
    assert {find_followed(f"full.{what}").digits for what in JUDGES} == {0}


def test_an_unknown_measure_is_refused():
    assert find_followed("full.load_tempo").title == "full: load tempo"
    with pytest.raises(InputError, match=r'did you mean "full: load tempo"'):
        find_followed("full.load_tempi")
    with pytest.raises(InputError, match=r'pushes, s" or .*pushes, % of shift'):
        find_followed("full: transfer of rolled pushes")


@pytest.mark.parametrize("name", ["full: load tempo", "Full load tempo", "full: load tempo, ratio"])
def test_a_measure_is_found_by_what_a_coach_reads(name):
    assert find_followed(name) is followed()["full.load_tempo"]


def test_every_measure_is_found_by_its_key_and_by_its_title_with_its_unit():
    for key, one in followed().items():
        assert find_followed(key) is one
        assert find_followed(f"{one.title}, {one.unit}") is one


def test_kept_is_the_first_full_set_before_any_drill():
    maker = VisitMaker().swung("smooth", pushes(3, 0)).swung("full", pushes(5, 3))
    maker.drilled().swung("full", pushes(8, 0))
    visit = maker.visit()
    (unit,) = units_of(case(visit), RULES, visit, "kept.push_good")
    assert (sum(unit.values), len(unit.values)) == (5, 8)
    late = VisitMaker().drilled().swung("full", pushes(5, 3)).visit()
    assert units_of(case(late), RULES, late, "kept.push_good") == []


def test_transfer_is_of_rolled_pushes_alone():
    swings = [*pushes(2, 3)]
    visit = VisitMaker().swung("full", swings).visit()
    (unit,) = units_of(case(visit), RULES, visit, "full.transfer")
    assert len(unit.values) == 2
    (unit,) = units_of(case(visit), RULES, visit, "full.load_tempo")
    assert len(unit.values) == 5


def test_unclear_steps_of_a_walk_stay_in_the_count():
    rolls = [Roll.THROUGH] * 9 + [Roll.UNCLEAR] * 2 + [Roll.SKIPPED]
    visit = VisitMaker().walked(rolls, [Roll.SKIPPED] * 12).visit()
    (lead,) = units_of(case(visit), RULES, visit, "lead.through")
    (trail,) = units_of(case(visit), RULES, visit, "trail.through")
    assert (sum(lead.values), len(lead.values), sum(trail.values)) == (9, 12, 0)
    (stance,) = units_of(case(visit), RULES, visit, "trail.stance")
    assert stance.values == (0.65,) * 12


def test_means_of_wearings_count_as_one_each():
    visit = VisitMaker().lifted().swung("full", [{"load_tempo": 1.0}] * 4)
    visit.swung("full", [{"load_tempo": 2.0}]).lifted().swung("full", [{"load_tempo": 5.0}])
    made = visit.visit()
    units = units_of(case(made), RULES, made, "full.load_tempo")
    assert means_of(units, Kind.MEAN) == [1.0, 2.0, 5.0]
    assert means_of(units, Kind.SHOES_AGAIN) == [1.5, 5.0]
    assert means_of(units, Kind.VISITS) == [3.25]


FINE = {
    "stand": (1, 100.0),
    "walk": (1, 100.0),
    "stance": (3, 1.0),
    "load_tempo": (1, 1.0),
    "lead_rise": (1, 1.0),
    "midfoot_of_push": (1, 100.0),
}
"""What is read otherwise than others of its unit."""


def test_a_measure_is_read_to_what_its_unit_is_worth():
    """Shares and lengths as whole percent, times and loads to a hundredth; few are finer."""
    for key, one in followed().items():
        usual = (0, 100.0) if one.unit.startswith("%") else (2, 1.0)
        assert (one.digits, one.scale) == FINE.get(key.partition(".")[2], usual), key
    counted = [*JUDGES, "through"]
    assert {key for key, one in followed().items() if one.is_share} == {
        key for key in followed() if key.partition(".")[2] in counted
    }


def test_the_table_of_repeats_is_the_one_with_most_degrees_of_freedom():
    """Five rows of two leave 4; three of four leave 6."""
    two, four = (1.0, 2.0), (1.0, 2.0, 3.0, 4.0)
    assert _fullest([two, two, four, four, four]) == [four] * 3
    assert _fullest([two, two]) == [two, two]  # 1
    assert _fullest([two, two, two, four]) == [two] * 3 + [four[:2]]  # a row alone has none
    assert _fullest([(1.0,), (2.0,)]) == _fullest([]) == []


@pytest.mark.parametrize("key", ["lead.walk", "lead.stance", "lead.through"])
def test_steps_are_of_taken_walks_that_stand(key):
    """One too short is refused; one that was to be done again counts neither here nor as a fact."""
    through = [Roll.THROUGH] * 12
    short = VisitMaker().walked(through[:9], through[:9]).visit()
    assert units_of(case(short), RULES, short, key) == []
    visit = VisitMaker().stood([0.1], [0.1]).walked(through, through).visit()
    (unit,) = units_of(case(visit), RULES, visit, key)
    assert len(unit.values) == 12
    again = (Mark(visit.analysis.duration_s, AGAIN_MARK),)
    redone = replace(visit, analysis=replace(visit.analysis, marks=again))
    assert units_of(case(redone), RULES, redone, key) == []
