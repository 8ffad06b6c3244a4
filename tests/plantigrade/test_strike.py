"""Which click is the strike: each rule by clicks made for it."""

from dataclasses import replace

import numpy as np
import pytest
from tests.support.records import swing

from plantigrade.events import Swing
from plantigrade.strike import (
    ClubSound,
    Span,
    Strike,
    StrikeState,
    against_strike,
    find_strike,
    learn_club,
    strike_window,
)
from plantigrade.transients import Transient, TransientKind

BANDS = (-25.0, -20.0, -6.0, -2.0, -8.0, -20.0)
WINDOW = Span(10.0, 10.7)


def click(t_s: float, level_db: float = -20.0, bands: tuple[float, ...] = BANDS) -> Transient:
    return Transient(
        TransientKind.CLICK, t_s, level_db, 0.0005, level_db - 2.0, 0.0005, 0.95, bands, -8.0
    )


def learnt(ball_s: float | None = 0.080) -> ClubSound:
    strikes = [(click(float(k)), [] if ball_s is None else [click(k + ball_s)]) for k in range(5)]
    club = learn_club(strikes)
    assert club is not None
    return club


def swing_at(shift_s: float, lead_peak_s: float, fore_take_s: float | None = None) -> Swing:
    made = swing(0)
    push = replace(made.push, fore_take_s=fore_take_s)
    return replace(made, shift_s=shift_s, lead_peak_s=lead_peak_s, push=push)


def find(*heard: Transient, own: tuple[Span, ...] = (), club: ClubSound | None = None) -> Strike:
    return find_strike(WINDOW, heard, own, learnt() if club is None else club, 0.008)


def test_the_first_click_counts_and_the_second_is_the_balls():
    found = find(click(10.2), click(10.281))
    assert (found.state, found.t_s, found.ball_s) == (StrikeState.HEARD, 10.2, 10.281)
    assert found.error_s == 0.008


def test_outside_the_window_nothing_counts():
    assert find(click(9.99), click(10.71)).state is StrikeState.NOT_HEARD


def test_a_fainter_click_is_a_neighbours():
    assert find(click(10.2, -30.0)).state is StrikeState.NOT_HEARD
    assert find(click(10.1, -30.0), click(10.2)).t_s == 10.2


def test_a_click_far_louder_than_the_clubs_is_something_nearer():
    assert find(click(10.2, -9.0)).state is StrikeState.NOT_HEARD
    assert find(click(10.2, -11.0)).state is StrikeState.HEARD  # up to 10 dB over -20


def test_of_two_at_the_balls_delay_the_first_is_the_balls():
    assert find(click(10.2), click(10.276), click(10.284)).ball_s == 10.276


def test_another_sound_is_none():
    thud = (-1.0, -6.0, -12.0, -18.0, -20.0, -20.0)
    assert find(click(10.2, bands=thud)).state is StrikeState.UNCLEAR
    slow = replace(click(10.2), rise_s=0.002, top_rise_s=0.002)
    low = replace(click(10.2), high_share=0.4)
    assert find(slow).state is find(low).state is StrikeState.NOT_HEARD


def test_two_that_may_be_it_are_unclear():
    assert find(click(10.2), click(10.4)).state is StrikeState.UNCLEAR
    assert find(click(10.2, -29.0), click(10.28)).state is StrikeState.UNCLEAR, (
        "the ball of a topped"
    )


def test_under_an_own_sound_only_what_is_over_3_5_khz_counts():
    own = (Span(10.0, 10.5),)
    covered = replace(click(10.2), high_share=0.1, rise_s=0.01, level_db=0.0)
    assert find(covered, own=own).t_s == 10.2
    assert find(covered).state is StrikeState.NOT_HEARD
    assert find(own=own).state is StrikeState.UNCLEAR
    assert find(own=(Span(3.0, 9.0),)).state is StrikeState.NOT_HEARD


def test_four_strikes_are_not_enough_to_know_a_club():
    assert learn_club([(click(float(k)), []) for k in range(4)]) is None
    found = find_strike(WINDOW, [click(10.2)], (), None, 0.008)
    assert found.state is StrikeState.UNCLEAR


def test_the_balls_delay_is_learnt_with_its_spread_or_not_at_all():
    delays = (0.078, 0.080, 0.082, 0.079, 0.081)
    club = learn_club([(click(float(k)), [click(k + d)]) for k, d in enumerate(delays)])
    assert club is not None
    assert club.ball_delay_s == pytest.approx(0.080)
    assert club.ball_spread_s == pytest.approx(np.std(delays, ddof=1))
    apart = (0.03, 0.09, 0.15, 0.21, 0.27)
    scattered = learn_club([(click(float(k)), [click(k + d)]) for k, d in enumerate(apart)])
    assert scattered is not None
    assert scattered.ball_delay_s is None
    assert learnt(None).ball_delay_s is None


def test_without_shift_or_lead_peak_there_is_no_window():
    made = swing_at(shift_s=4.0, lead_peak_s=4.2)
    window = strike_window(made, 0.01)
    assert window is not None
    assert (window.start_s, window.end_s) == pytest.approx((3.99, 4.61))
    assert strike_window(replace(made, shift_s=None), 0.01) is None
    assert find_strike(None, [click(10.2)], (), learnt(), 0.01).state is StrikeState.UNCLEAR


def test_moments_and_lead_share_against_the_strike():
    made = swing_at(shift_s=4.0, lead_peak_s=4.2, fore_take_s=4.05)
    t_s = np.arange(3.0, 5.0, 0.01)
    share = np.clip((t_s - 4.0) / 0.4, 0.0, 1.0)  # 2.5 % in 10 ms
    strike = Strike(StrikeState.HEARD, 4.3, 0.012, "")
    told = against_strike(made, strike, t_s, share)
    assert told is not None
    assert told.shift_s == pytest.approx(-0.3)
    assert told.fore_take_s == pytest.approx(-0.25)
    assert told.lead_peak_s == pytest.approx(-0.1)
    assert told.moment_error_s == pytest.approx(0.013)  # 12 and 5 ms: root of the sum of squares
    assert told.lead_share == pytest.approx(0.75)
    assert told.lead_share_low == pytest.approx(0.72)
    assert told.lead_share_high == pytest.approx(0.78)


def test_no_strike_no_numbers_and_no_share_over_a_gap():
    made = swing_at(shift_s=4.0, lead_peak_s=4.2)
    t_s = np.arange(3.0, 5.0, 0.01)
    share = np.full(len(t_s), 0.5)
    nothing = Strike(StrikeState.NOT_HEARD, None, None, "no click")
    assert against_strike(made, nothing, t_s, share) is None
    share[130] = np.nan
    told = against_strike(made, Strike(StrikeState.HEARD, 4.3, 0.012, ""), t_s, share)
    assert told is not None
    assert told.lead_share is None
    assert told.lead_peak_s is not None
