"""What fall could have been missed: exact powers against a plain enumeration and a known figure."""

import math
from dataclasses import replace
from itertools import product

import pytest
from tests.support.cases import VisitMaker, case, pushes

from plantigrade.reliability import proportion
from plantigrade_gateway.coach.falls import fall_of, falls, power, seen_from
from plantigrade_gateway.rules.files import built_in

RULES = built_in()
Z = 1.959963984540054


def wilson(k: int, n: int) -> tuple[float, float]:
    p, q = k / n, Z * Z / n
    half = Z * math.sqrt(p * (1 - p) / n + q / (4 * n))
    return (p + q / 2 - half) / (1 + q), (p + q / 2 + half) / (1 + q)


def is_seen(i: int, n: int, j: int, m: int) -> bool:
    """Newcombe 1998, method 10: the upper end of share after less share before is under 0."""
    (low, _), (_, high) = wilson(i, n), wilson(j, m)
    return j / m - i / n + math.hypot(high - j / m, i / n - low) < -1e-12


def chance(k: int, n: int, p: float) -> float:
    return float(math.comb(n, k) * p**k * (1 - p) ** (n - k))


def plain_power(n: int, m: int, p: float, q: float) -> float:
    return math.fsum(
        chance(i, n, p) * chance(j, m, q)
        for i, j in product(range(n + 1), range(m + 1))
        if is_seen(i, n, j, m)
    )


def test_ten_swings_a_set_see_a_fall_from_80_to_40_four_times_in_ten():
    """The coach's own figure for this check."""
    assert round(10 * power(10, 10, 0.8, 0.4)) == 4


@pytest.mark.parametrize(
    ("n", "m", "p", "q"),
    [
        *((10, 10, 0.8, 0.4), (8, 8, 0.8, 0.4), (6, 12, 0.9, 0.2), (16, 8, 1.0, 0.5)),
        *((8, 8, 0.5, 0.5), (60, 2, 1.0, 0.5)),
    ],
)
def test_power_is_that_of_a_plain_enumeration(n, m, p, q):
    assert power(n, m, p, q) == pytest.approx(plain_power(n, m, p, q), abs=1e-12)


def test_no_fall_is_seen_by_chance_no_more_often_than_it_may():
    """A 95 % interval lies wholly under 0 about once in forty where nothing fell."""
    assert max(power(8, 8, p / 20, p / 20) for p in range(21)) < 0.04


@pytest.mark.parametrize(
    ("n", "m", "share"),
    [
        *((8, 8, 0.875), (10, 10, 0.8), (16, 16, 0.75)),
        *((8, 8, 0.8), (16, 16, 0.8), (8, 10, 0.875)),  # one percent more is just not enough
        (7, 8, 4 / 7),  # to one percent
    ],
)
def test_the_least_fall_that_would_be_seen(n, m, share):
    least = seen_from(n, m, share)
    assert least is not None
    seen = plain_power(n, m, share, least), plain_power(n, m, share, least + 0.01)
    assert seen[0] >= 0.8 > seen[1]  # 8 times in 10, as the sheet says


def test_sets_of_one_swing_see_no_fall():
    assert seen_from(1, 1, 1.0) is None
    made = fall_of("full against smooth", proportion(1, 1), proportion(1, 1))
    assert made is not None and not made.is_seen
    assert "no fall from 100 % would be seen 8 times in 10" in made.text


def test_what_is_said():
    made = fall_of("full against smooth", proportion(8, 10), proportion(7, 10))
    assert made is not None and not made.is_seen
    assert made.text.startswith("8 of 10, then 7 of 10: no fall seen; a fall from 80 % is seen 8 ")
    assert made.text.endswith("; one to 40 %, 4 times in 10")
    worse = fall_of("full against smooth", proportion(10, 10), proportion(3, 10))
    assert worse is not None and worse.is_seen
    assert worse.text == "10 of 10, then 3 of 10: a fall"
    assert fall_of("full against smooth", proportion(0, 0), proportion(1, 2)) is None


def test_which_sets_are_compared():
    day = VisitMaker().drilled().swung("full", pushes(9, 1))
    maker = VisitMaker(day=3).swung("full", pushes(8, 2, 1)).swung("smooth", pushes(7, 1))
    maker.swung("fast", pushes(2, 6)).swung("smooth", pushes(5, 3))
    made = {
        one.what: (one.before.count, one.before.n, one.after.count, one.after.n)
        for one in falls(case(day.visit(), maker.visit()), RULES)
    }
    assert made == {
        "full against smooth": (7, 8, 8, 10),  # without smooth again: it stands apart
        "fast against full": (8, 10, 2, 8),
        "smooth again, after the first smooth": (7, 8, 5, 8),
        "full on another day, after 2026-03-02": (9, 10, 8, 10),
    }
    assert falls(case(), RULES) == ()


def test_another_day_is_no_earlier_session_of_the_same_one():
    """A session that was stopped and begun again is two visits of a day."""
    drilled = VisitMaker().drilled().swung("full", pushes(9, 1)).visit()
    morning = VisitMaker(day=3, hour=9).swung("full", pushes(8, 0)).visit()
    later = VisitMaker(day=3, hour=15).swung("full", pushes(4, 4)).visit()
    (fall,) = falls(case(drilled, morning, replace(later, session_id="visit-3b")), RULES)
    assert fall.what == "full on another day, after 2026-03-02"
    assert (fall.before.count, fall.before.n, fall.after.count, fall.after.n) == (9, 10, 4, 8)


def test_a_last_set_that_is_the_first_of_its_intent_is_compared_with_none():
    maker = VisitMaker().swung("full", pushes(20, 0)).swung("smooth", pushes(4, 4))
    made = [one.what for one in falls(case(maker.visit()), RULES)]
    assert made == ["full against smooth"]


def test_what_is_seen_once_in_ten_is_said_as_one_time():
    assert 0.05 < plain_power(8, 8, 3 / 8, 3 / 16) < 0.15
    made = fall_of("good pushes", proportion(3, 8), proportion(3, 8))
    assert made is not None and made.text.endswith("; one to 19 %, 1 time in 10")
