"""Which click is the strike: each rule by clicks made for it."""

from dataclasses import replace

import numpy as np
import pytest
from tests.support.records import swing

from plantigrade.errors import SampleError
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


@pytest.mark.parametrize("t_s", [10.0, 10.7])
def test_the_window_s_ends_belong_to_it(t_s):
    assert find(click(t_s)).state is StrikeState.HEARD


@pytest.mark.parametrize(
    ("level_db", "state"),
    [
        # the club's median is -20 dB; 6 under and 10 over it
        (-26.0, StrikeState.HEARD),
        (-26.1, StrikeState.NOT_HEARD),
        (-10.0, StrikeState.HEARD),
        (-9.9, StrikeState.NOT_HEARD),
    ],
)
def test_a_strike_is_about_as_loud_as_the_club_s(level_db, state):
    assert find(click(10.2, level_db)).state is state
    # under another sound the level over 3.5 kHz counts, -22 dB: the click's is 2 under its own
    covered = replace(click(10.2, level_db), level_db=0.0, high_share=0.1)
    found = find(covered, own=(Span(10.0, 10.5),))
    assert found.state is (state if state is StrikeState.HEARD else StrikeState.UNCLEAR)


LEVEL = ClubSound(5, -20.0, -22.0, (-10.0,) * 6, (2.0,) * 6, None, None)
"""Of equal bands, each with the least SD: an error of 5 dB is one of 2.5 SD."""


@pytest.mark.parametrize(
    ("known_db", "heard_db", "alike"),
    [
        (-10.0, -15.0, True),
        (-10.0, -5.0, True),
        (-10.0, -15.1, False),
        (-10.0, -4.9, False),
        # what is under -20 dB is the room's
        (-30.0, -15.0, True),
        (-30.0, -14.9, False),
        (-15.0, -40.0, True),
        (-14.9, -40.0, False),
        (-40.0, -24.0, True),
    ],
)
def test_a_spectrum_is_alike_within_two_and_a_half_sd(known_db, heard_db, alike):
    club = replace(LEVEL, bands_db=(known_db,) * 6)
    assert club.is_like(click(0.0, bands=(heard_db,) * 6)) is alike


@pytest.mark.parametrize(
    ("bands", "alike"),
    [
        # of three bands one differs by d: √(d² / 3) / 2 is 2.5 at d = 8.66
        ((0.0, 0.0, -20.0, -10.0, -10.0, -18.6), True),
        ((0.0, 0.0, -20.0, -10.0, -10.0, -18.7), False),
        ((0.0, 0.0, -20.0, -18.7, -10.0, -10.0), False),
        ((-20.0, -20.0, -20.0, -1.0, -1.0, -1.0), True),  # against each other, all louder
    ],
)
def test_over_3_5_khz_the_bands_are_held_against_each_other(bands, alike):
    assert LEVEL.is_like(click(0.0, bands=bands), top=True) is alike


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


def test_a_click_sooner_than_an_echo_takes_is_the_first_one_s():
    club = learnt(None)
    window = Span(0.0, 1.0)
    for later_s, state in (
        (0.0119, StrikeState.HEARD),
        (0.012, StrikeState.HEARD),
        (0.0121, StrikeState.UNCLEAR),
    ):
        assert find_strike(window, [click(0.0), click(later_s)], (), club, 0.01).state is state


def test_a_strike_is_no_ball_of_its_own():
    """Where the ball comes soon and its delay spreads, a delay of nothing would be the ball's."""
    club = replace(learnt(), ball_delay_s=0.02, ball_spread_s=0.01)
    assert club.is_balls(0.0)
    assert find(click(10.2), club=club).state is StrikeState.HEARD


@pytest.mark.parametrize(
    ("own", "state"),
    [
        (Span(10.7, 11.0), StrikeState.UNCLEAR),
        (Span(10.71, 11.0), StrikeState.NOT_HEARD),
        (Span(9.0, 10.0), StrikeState.UNCLEAR),
        (Span(9.0, 9.99), StrikeState.NOT_HEARD),
    ],
)
def test_an_own_sound_that_touches_the_window_may_cover_the_strike(own, state):
    assert find(own=(own,)).state is state


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


def test_a_club_s_sound_is_the_middle_of_its_strikes_with_their_spread():
    """Of -10, -14, -6, -10, -10 dB the SD is √(32 / 4) = 2.83; equal bands have the least, 2."""
    first = (-10.0, -14.0, -6.0, -10.0, -10.0)
    levels = (-20.0, -18.0, -30.0, -19.0, -21.0)
    strikes = [
        click(float(k), level, (band, *BANDS[1:]))
        for k, (level, band) in enumerate(zip(levels, first, strict=True))
    ]
    club = learn_club([(strike, []) for strike in strikes])
    assert club is not None
    assert (club.count, club.level_db, club.top_level_db) == (5, -20.0, -22.0)
    assert club.bands_db == pytest.approx((-10.0, -20.0, -6.0, -2.0, -8.0, -20.0))
    assert club.bands_sd_db == pytest.approx((8.0**0.5, 2.0, 2.0, 2.0, 2.0, 2.0))


@pytest.mark.parametrize(
    ("delay_s", "is_ball"), [(0.0149, False), (0.015, True), (0.4, True), (0.401, False)]
)
def test_a_ball_is_heard_from_15_to_400_ms_after_its_strike(delay_s, is_ball):
    club = learn_club([(click(0.0), [click(delay_s)]) for _ in range(5)])
    assert club is not None
    assert (club.ball_delay_s == delay_s) is is_ball


@pytest.mark.parametrize(
    ("delays", "learnt_s"),
    [
        ((0.08, 0.08, 0.08, None, None), 0.08),  # three in five
        ((0.08, 0.08, None, None, None), None),
        ((0.08,) * 6 + (None,) * 4, 0.08),
        ((0.08,) * 5 + (None,) * 4, None),
        ((0.08, 0.08, 0.0915, None, None), 0.08),  # within 12 ms
        ((0.08, 0.08, 0.0925, None, None), None),
    ],
)
def test_a_ball_s_delay_is_shared_by_three_strikes_in_five(delays, learnt_s):
    club = learn_club([(click(0.0), [] if d is None else [click(d)]) for d in delays])
    assert club is not None and club.ball_delay_s == learnt_s


@pytest.mark.parametrize(
    ("spread_s", "delay_s", "is_ball"),
    [
        (0.001, 0.2619, True),  # 12 ms at least
        (0.001, 0.2625, False),
        (0.001, 0.2381, True),
        (0.03125, 0.34375, True),  # three SD: powers of two, so that nothing is rounded
        (0.03125, 0.344, False),
        (None, 0.25, False),
    ],
)
def test_a_click_is_the_ball_s_within_three_sd_of_its_delay(spread_s, delay_s, is_ball):
    assert replace(LEVEL, ball_delay_s=0.25, ball_spread_s=spread_s).is_balls(delay_s) is is_ball


def test_without_shift_or_lead_peak_there_is_no_window():
    made = swing_at(shift_s=4.0, lead_peak_s=4.2)
    window = strike_window(made, 0.01)
    assert window is not None
    assert (window.start_s, window.end_s) == pytest.approx((3.99, 4.61))
    assert strike_window(replace(made, shift_s=None), 0.01) is None
    assert strike_window(replace(made, lead_peak_s=None), 0.01) is None
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


def test_what_a_swing_lacks_is_absent_against_its_strike():
    made = replace(swing_at(shift_s=4.0, lead_peak_s=4.2), shift_s=None, lead_peak_s=None)
    t_s = np.array([4.0, 5.0])
    told = against_strike(made, Strike(StrikeState.HEARD, 4.5, 0.1, ""), t_s, np.array([0.2, 0.6]))
    assert told is not None
    assert (told.shift_s, told.fore_take_s, told.lead_peak_s) == (None, None, None)
    assert (told.lead_share, told.lead_share_low, told.lead_share_high) == pytest.approx(
        (0.40, 0.36, 0.44)
    )


def test_a_peak_of_the_share_within_the_strike_s_uncertainty_is_its_highest():
    made = swing_at(shift_s=4.0, lead_peak_s=4.2)
    t_s = np.arange(16) / 16.0
    share = np.full(16, 0.5)
    share[7], share[8] = 0.25, 0.75
    told = against_strike(made, Strike(StrikeState.HEARD, 0.46875, 0.0625, ""), t_s, share)
    assert told is not None
    assert (told.lead_share, told.lead_share_low, told.lead_share_high) == (0.5, 0.25, 0.75)


@pytest.mark.parametrize("at_s", [0.05, 0.95])
def test_no_share_is_told_where_the_uncertainty_leaves_the_record(at_s):
    made = swing_at(shift_s=0.1, lead_peak_s=0.2)
    t_s = np.linspace(0.0, 1.0, 101)
    told = against_strike(made, Strike(StrikeState.HEARD, at_s, 0.1, ""), t_s, np.full(101, 0.5))
    assert told is not None and told.lead_share is None


@pytest.mark.parametrize("n", [(1, 1), (10, 9)])
def test_shares_that_do_not_fit_their_times_are_refused(n):
    made = swing_at(shift_s=0.1, lead_peak_s=0.2)
    strike = Strike(StrikeState.HEARD, 0.05, 0.01, "")
    with pytest.raises(SampleError, match="shares of shape"):
        against_strike(made, strike, np.arange(n[0]) / 100.0, np.full(n[1], 0.5))
