"""Numbers of single swings and differences, as people read them."""

import time
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from tests.support.records import swing

from plantigrade.events import Swing
from plantigrade.interval import Difference
from plantigrade_gateway import words
from plantigrade_gateway.analysis.result import Exclusion
from plantigrade_gateway.formats import moment


def with_transfer(seconds: float | None) -> Swing:
    one = swing(0)
    return replace(one, push=replace(one.push, transfer_s=seconds))


@pytest.mark.parametrize(
    ("transfer_s", "rate_hz", "said"),
    [
        (0.121, 100.0, "0.12 ± 0.01 s"),
        (0.0201, 100.0, "0.02 ± 0.01 s"),
        (0.0199, 100.0, "≤ 0.02 s"),
        (0.0004, 100.0, "≤ 0.02 s"),
        (0.0004, 400.0, "≤ 0.02 s"),
        (0.035, 50.0, "≤ 0.04 s"),
        (0.121, 400.0, "0.12 ± 0.01 s"),  # 2.5 ms: rounding is the larger error
        (0.121, None, "0.12 s"),
        (None, 100.0, "–"),
    ],
)
def test_a_transfer_says_what_sampling_lets_be_known(transfer_s, rate_hz, said):
    assert words.transfer(with_transfer(transfer_s).push, rate_hz) == said


def test_an_instant_is_shown_in_the_time_of_its_place(monkeypatch):
    """Tokyo is nine hours before UTC (IANA time zone database), so the day may be the next one."""
    when = datetime(2026, 3, 2, 20, 30, tzinfo=UTC)
    with monkeypatch.context() as patch:
        patch.setenv("TZ", "Asia/Tokyo")
        time.tzset()
        assert moment(when) == "2026-03-03 05:30"
        assert Exclusion("slipped", "coach", when).text == "slipped (coach, 2026-03-03 05:30)"
    time.tzset()


def test_a_swing_is_said_with_its_sampling_error():
    """Tempo 2.4 of 0.30 s: (1 + 2.4) · 0.01 / 0.30 = 0.11."""
    assert "load tempo 2.4 ± 0.1" in words.swing(swing(0), 100.0)
    assert words.swing(swing(0)).endswith("load tempo 2.4")


def test_a_difference_is_said_with_its_interval():
    found = Difference(0.054, -0.012, 0.12, 9.0)
    assert words.difference(found) == "+0.05 (-0.01 to +0.12)"
    assert words.difference(found, 0, 100.0) == "+5 (-1 to +12)"
    assert words.difference(Difference(-1.0, None, None, None), 1) == "-1.0"
    assert words.difference(None) == "–"
    assert words.difference(Difference(0.2, -0.001, 0.4, 9.0)) == "+0.20 (+0.00 to +0.40)"
