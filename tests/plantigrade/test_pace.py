"""How fast a clock model heads for where it finds it should be: its stated paces, packet by packet.

Packets of one frame every 10 ms are late by the same, until from one moment on none is late.
"""

import numpy as np
import pytest

from plantigrade.clock import ClockModel

STEP_US = 10_000


def mapped(late_s: float, until_s: float, whole_s: float) -> tuple[np.ndarray, ClockModel]:
    """Return each frame's time for packets late by this until then, and the model at the end."""
    clock_us = np.arange(0, round(whole_s * 1e6), STEP_US, dtype=np.int64)
    late_ns = np.where(clock_us < 1e6 * until_s, round(1e9 * late_s), 0)
    model = ClockModel(0)
    return model.map_frames(1000 * clock_us + late_ns, clock_us, STEP_US, 1), model


def pace(times_s: np.ndarray, at_s: float) -> float:
    """Return how much host time goes by in a second of the insole's, just after a moment."""
    k = round(at_s * 1e6 / STEP_US) + 1
    return float((times_s[k + 5] - times_s[k]) / (5e-6 * STEP_US))


@pytest.mark.parametrize(
    ("late_s", "paces"),
    [
        # A fifth of a second to make up for it: 30 ms at 15 %, and in each tenth half of the rest.
        (0.030, (0.85, 0.925, 0.9625)),
        # at most by a half: of 200 ms 50 are left after three tenths of a second
        (0.200, (0.5, 0.5, 0.5)),
    ],
)
def test_in_its_first_ten_seconds_a_model_corrects_itself_quickly(late_s, paces):
    """The tenth in which no packet is late any more is heard at its end."""
    times_s, _ = mapped(late_s, 0.1, 0.6)
    assert pace(times_s, 0.02) == pytest.approx(1.0)
    assert pace(times_s, 0.12) == pytest.approx(1.0)
    found = [pace(times_s, at_s) for at_s in (0.2, 0.3, 0.4)]
    assert found == pytest.approx(paces, abs=0.005)


@pytest.mark.parametrize(
    ("late_s", "expected"),
    [
        (0.0095, 1.0 - 0.0019),  # in five seconds
        (0.030, 1.0 - 0.002),  # by 0.2 % at most
        (0.047, 1.0 - 0.002),
        (0.055, 1.0 - 0.011),  # more than 50 ms off: in five seconds
        (0.200, 1.0 - 0.040),
        (0.400, 1.0 - 0.050),  # by 5 % at most
    ],
)
def test_later_it_corrects_itself_slowly(late_s, expected):
    """Every two seconds it looks anew; a drift of 150 millionths is the most it takes for one."""
    times_s, _ = mapped(late_s, 12.0, 15.0)
    assert pace(times_s, 11.9) == pytest.approx(1.0, abs=2e-4)
    assert pace(times_s, 13.9) == pytest.approx(1.0, abs=2e-4)
    assert pace(times_s, 14.0) == pytest.approx(expected, abs=2.5e-4)


def test_quick_corrections_end_after_ten_seconds():
    """Late until 9.8 s is made up for with a tenth's quickness, late until 10 s is not."""
    for until_s, at_s, expected in ((9.8, 9.9, 0.85), (10.0, 12.0, 0.998)):
        times_s, _ = mapped(0.030, until_s, 13.0)
        assert pace(times_s, at_s) == pytest.approx(expected, abs=0.005)


@pytest.mark.parametrize(
    ("late_s", "whole_s", "locked"),
    [
        (0.0, 9.9, False),
        (0.0, 10.1, True),
        (0.0044, 14.1, True),
        (0.0056, 14.1, False),  # over 5 ms are being made up for
    ],
)
def test_a_model_is_locked_after_ten_seconds_without_a_correction_over_5_ms(
    late_s, whole_s, locked
):
    _, model = mapped(late_s, 12.0, whole_s)
    assert model.state.locked is locked


def test_what_is_stated_is_the_unseen_delay_and_what_is_still_to_be_made_up_for():
    _, model = mapped(0.030, 0.1, 0.25)
    # 30 ms unseen and 30 ms under way
    assert model.state.error_s == pytest.approx(0.060, abs=0.001)
    times_s, model = mapped(0.030, 9.0, 9.0)
    assert model.state.offset_s == pytest.approx(0.030, abs=1e-4)
    assert times_s[-1] == pytest.approx(8.99 + 0.030, abs=1e-4)
    assert ClockModel(0, unseen_s=0.01).state.error_s == pytest.approx(0.01)
