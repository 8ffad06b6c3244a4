"""What the synthetic player does on the spot: how far, how long, and that the truth says when.

Each draw is taken at the lower and at the upper end of its range, so that a movement is known
before it is made. The ranges are the player's own definition (ours, no published source).
"""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from plantigrade.block import Foot
from plantigrade.synth import (
    Bend,
    Finish,
    HalfSwing,
    HeelHabit,
    OneLeg,
    Player,
    Rock,
    Segment,
    Shuffle,
    SlowShift,
    Stand,
    Style,
    Swing,
    TrailRest,
    Waggle,
    Walk,
)
from plantigrade.synth import posture as do
from plantigrade.synth.motion import BODY_HZ, Body, Part
from plantigrade.synth.shapes import Track
from plantigrade.synth.swing import swing
from plantigrade.synth.walk import walk

LOW, HIGH = False, True
PLAYER = Player(sway_mm=0.0)
PERFORM: dict[type, Callable[[Body, Any, np.random.Generator], Part]] = {
    Stand: do.stand,
    OneLeg: do.one_leg,
    Rock: do.rock,
    Waggle: do.waggle,
    TrailRest: do.trail_rest,
    HalfSwing: do.half_swing,
    SlowShift: do.slow_shift,
    Bend: do.bend,
    Shuffle: do.shuffle,
    Swing: swing,
    Walk: walk,
}


class Ends(np.random.Generator):
    """Draws nothing but the lower, or the upper, end of each range.

    Parameters
    ----------
    upper : bool
    coin : float or None
        What is drawn where a chance decides; None: nearly 0 or nearly 1.
    sds : float
        How many SD a normal draw lies from its mean.
    """

    def __init__(self, upper: bool, coin: float | None = None, sds: float = 1e3) -> None:
        super().__init__(np.random.PCG64(0))
        self._upper, self._sds = upper, sds
        self._coin = (0.999 if upper else 0.0) if coin is None else coin

    def uniform(self, low: Any = 0.0, high: Any = 1.0, size: Any = None) -> Any:
        end = high if self._upper else low
        return end if size is None else np.full(size, end)

    def random(self, *args: Any, **kwargs: Any) -> Any:
        return self._coin

    def integers(self, low: Any, high: Any = None, *args: Any, **kwargs: Any) -> Any:
        least, most = (0, low) if high is None else (low, high)
        return most - 1 if self._upper else least

    def choice(self, a: Any, *args: Any, **kwargs: Any) -> Any:
        options = range(a) if isinstance(a, int) else a
        return options[-1 if self._upper else 0]

    def normal(self, loc: Any = 0.0, scale: Any = 1.0, size: Any = None) -> Any:
        return loc + (self._sds if self._upper else -self._sds) * scale


def made(segment: Segment, upper: bool, player: Player = PLAYER) -> Part:
    return PERFORM[type(segment)](Body.of(player), segment, Ends(upper))


def drawn(segment: Segment, seed: int, player: Player = PLAYER) -> Part:
    return PERFORM[type(segment)](Body.of(player), segment, np.random.default_rng(seed))


def at(track: Track, *times_s: float) -> list[float]:
    return [float(value) for value in np.interp(times_s, track.t_s, track.values)]


def neutral(foot: Foot, player: Player = PLAYER) -> float:
    return Body.of(player).sole(foot).neutral_y


def length_s(part: Part) -> float:
    return len(part.motion.t_s) / BODY_HZ


# ---- the share of the left foot, which leads: how far it goes, and when ----

SHARES = [
    # To one side, to the other, to the first again, and home.
    (Waggle(large=True), LOW, 6.5, {2.0: 0.5, 2.3: 0.64, 2.6: 0.43, 2.9: 0.60, 3.2: 0.5}),
    (Waggle(large=True), HIGH, 6.5, {2.0: 0.5, 2.55: 0.75, 3.1: 0.36, 3.65: 0.72, 4.2: 0.5}),
    # One bump, leaning to its beginning or to its end.
    (Waggle(1), LOW, 4.2, {1.2: 0.5, 1.375: 0.48, 1.7: 0.5}),
    (Waggle(1), HIGH, 4.2, {1.2: 0.5, 1.915: 0.59, 2.3: 0.5}),
    (Waggle(), LOW, 4.2, {1.375: 0.48}),
    (Waggle(), HIGH, 7.5, {1.2: 0.5, 1.915: 0.59, 6.7: 0.5}),
    # Rest on the trail foot, perhaps further, and back.
    (TrailRest(), LOW, 5.6, {1.0: 0.5, 1.6: 0.26, 2.6: 0.26, 2.9: 0.26, 3.15: 0.5}),
    (TrailRest(), HIGH, 8.5, {1.0: 0.5, 2.5: 0.36, 5.5: 0.36, 6.1: 0.26, 6.7: 0.5}),
    (SlowShift(), LOW, 7.4, {1.0: 0.5, 2.8: 0.42, 4.6: 0.58, 6.4: 0.5}),
    (SlowShift(), HIGH, 12.5, {1.0: 0.5, 4.5: 0.25, 8.0: 0.75, 11.5: 0.5}),
    (HalfSwing(), LOW, 4.05, {1.5: 0.5, 2.1: 0.18, 2.55: 0.5}),
    (HalfSwing(), HIGH, 8.4, {2.5: 0.5, 3.9: 0.40, 5.4: 0.40, 7.35: 0.5}),
    (HalfSwing(1.0), HIGH, 8.0, {2.5: 0.5, 3.5: 0.40, 5.0: 0.40, 6.95: 0.5}),
    # To the lead foot and down, a wait, and up; behind it the trail foot leaves the ground.
    (Bend(), LOW, 3.8, {0.6: 0.5, 1.4: 1.0, 1.8: 1.0, 2.6: 0.5}),
    (Bend(), HIGH, 6.1, {0.6: 0.5, 2.0: 0.75, 3.5: 0.75, 4.9: 0.5}),
    (Bend(one_leg=False), LOW, 3.8, {0.6: 0.5, 1.4: 0.5, 2.6: 0.5}),
    (Bend(one_leg=True), HIGH, 6.1, {2.0: 1.0, 3.5: 1.0}),
    # One foot off, in the air, on, a pause; then the other.
    (Shuffle(2), LOW, 3.9, {1.0: 0.5, 1.25: 0.0, 1.4: 0.0, 1.6: 0.5, 1.7: 0.5, 1.95: 1.0}),
    (Shuffle(2), HIGH, 6.3, {1.0: 0.5, 1.5: 1.0, 1.9: 1.0, 2.3: 0.5, 2.9: 0.5, 3.4: 0.0}),
    (Shuffle(), LOW, 3.2, {1.25: 0.0}),
    (Shuffle(), HIGH, 10.1, {1.5: 1.0}),
    # Push off from the foot that is to be lifted, shift, stand, and come back.
    (OneLeg(Foot.LEFT, 8.0), LOW, 11.1, {0.4: 0.5, 0.75: 0.44, 1.5: 1.0, 9.5: 1.0, 10.1: 0.5}),
    (OneLeg(Foot.LEFT, 8.0), HIGH, 12.0, {0.4: 0.5, 0.75: 0.44, 2.0: 1.0, 10.0: 1.0, 11.0: 0.5}),
    (OneLeg(Foot.RIGHT, 3.0), LOW, 6.1, {0.75: 0.56, 1.5: 0.0, 4.5: 0.0, 5.1: 0.5}),
    # Taps are spread evenly; each takes 0.8 s, or 80 % of the time there is for it.
    (OneLeg(Foot.LEFT, 8.0, 4), LOW, 11.1, {2.5: 1.0, 2.9: 0.80, 3.3: 1.0, 8.9: 0.80, 9.3: 1.0}),
    (OneLeg(Foot.RIGHT, 8.0, 4), HIGH, 12.0, {3.0: 0.0, 3.4: 0.12, 3.8: 0.0}),
    (OneLeg(Foot.LEFT, 8.0, 16), LOW, 11.1, {1.75: 1.0, 1.95: 0.80, 2.15: 1.0, 2.45: 0.80}),
    # A stand of over 25 s has slow changes of posture, none in its last seconds.
    (Stand(25.0), LOW, 25.0, {8.0: 0.5, 9.5: 0.5, 12.0: 0.5}),
    (Stand(30.0), LOW, 30.0, {8.0: 0.5, 9.5: 0.46, 11.5: 0.46, 14.5: 0.5}),
    (Stand(30.0), LOW, 30.0, {19.5: 0.5, 21.0: 0.46, 23.0: 0.46, 26.0: 0.5, 29.0: 0.5}),
    (Stand(27.0), HIGH, 27.0, {20.0: 0.5, 24.0: 0.5}),
    (Stand(27.1), HIGH, 27.1, {20.0: 0.5, 24.0: 0.54, 27.0: 0.5}),
    (Stand(30.0), HIGH, 30.0, {20.0: 0.5, 24.0: 0.54, 26.0: 0.54, 29.0: 0.5}),
    # The next begins up to 20 s after the way back from the one before.
    (Stand(70.0), HIGH, 70.0, {30.0: 0.54, 33.0: 0.5, 50.0: 0.5, 54.0: 0.54, 63.0: 0.5}),
]


@pytest.mark.parametrize(("segment", "upper", "whole_s", "points"), SHARES)
def test_the_load_goes_as_far_and_as_long_as_defined(segment, upper, whole_s, points):
    part = made(segment, upper)
    assert length_s(part) == pytest.approx(whole_s, abs=0.003)
    found = at(part.motion.left, *points)
    assert found == pytest.approx(list(points.values()), abs=0.006)


@pytest.mark.parametrize(
    ("segment", "upper", "points"),
    [
        # Down and up again on the way back from the trail foot; sign and size are drawn.
        (TrailRest(), LOW, {2.9: 1.0, 3.0: 0.96, 3.1: 1.0}),
        (TrailRest(), HIGH, {6.1: 1.0, 6.34: 1.08, 6.58: 1.0}),
        (HalfSwing(), LOW, {1.5: 1.0, 1.8: 0.96, 2.1: 1.0}),
        (HalfSwing(), HIGH, {2.5: 1.0, 3.2: 1.06, 3.9: 1.0}),
        # Falling, braking, a wait; pushing, coming to rest.
        (Bend(), LOW, {0.6: 1.0, 0.82: 0.95, 1.22: 1.05, 1.44: 1.0, 1.8: 1.0, 2.02: 1.05}),
        (Bend(), LOW, {2.42: 0.95, 2.64: 1.0}),
        (Bend(), HIGH, {0.6: 1.0, 0.985: 0.85, 1.685: 1.15, 3.5: 1.0, 3.885: 1.15, 4.585: 0.85}),
        (Shuffle(1), LOW, {1.0: 1.0, 1.2: 0.94, 1.4: 1.0}),
        (Shuffle(1), HIGH, {1.0: 1.0, 1.45: 1.06, 1.9: 1.0}),
        (OneLeg(Foot.LEFT), LOW, {0.8: 1.0, 1.15: 0.95, 1.5: 1.0}),
        (OneLeg(Foot.LEFT), HIGH, {0.8: 1.0, 1.4: 1.05, 2.0: 1.0}),
    ],
)
def test_the_body_drops_and_rises_as_defined(segment, upper, points):
    found = at(made(segment, upper).motion.total, *points)
    assert found == pytest.approx(list(points.values()), abs=0.004)


@pytest.mark.parametrize(
    ("upper", "half_s", "heels", "toes", "outer", "inner"),
    [(LOW, 0.9, 0.11, 0.78, 0.93, -0.97), (HIGH, 1.2, 0.15, 0.82, 0.97, -0.93)],
)
def test_a_rock_goes_from_end_to_end_with_both_feet(upper, half_s, heels, toes, outer, inner):
    ends_s = [0.8 + half_s * k for k in range(8)]
    for along in (True, False):
        part = made(Rock(along), upper)
        assert length_s(part) == pytest.approx(0.8 + 7.0 * half_s + 1.0, abs=0.003)
        assert made(Rock(along, 1), upper).not_swings[0].end_s == pytest.approx(0.8 + 3.0 * half_s)
        (said,) = part.not_swings
        assert (said.start_s, said.end_s) == pytest.approx((0.8, ends_s[-1]))
        for foot in Foot:
            y, lean = at(part.motion.y[foot], *ends_s), at(part.motion.lean[foot], *ends_s)
            home = neutral(foot)
            if along:
                assert y == pytest.approx([home, *[heels, toes] * 3, home], abs=0.004)
                assert lean == pytest.approx([0.15] * 8)
            else:
                assert lean == pytest.approx([0.15, *[outer, inner] * 3, 0.15], abs=0.008)
                assert y == pytest.approx([home] * 8)


@pytest.mark.parametrize(
    ("segment", "upper", "foot", "points"),
    [
        # The lifted foot leaves with its toes.
        (OneLeg(Foot.LEFT), LOW, Foot.RIGHT, {1.5: 0.55, 7.5: 0.55}),
        (OneLeg(Foot.LEFT), HIGH, Foot.RIGHT, {2.0: 0.75, 8.0: 0.75}),
        (HalfSwing(), LOW, Foot.RIGHT, {2.1: 0.22}),
        (HalfSwing(), LOW, Foot.LEFT, {2.1: 0.4}),
        (HalfSwing(), HIGH, Foot.RIGHT, {3.9: 0.33, 5.4: 0.33}),
        (HalfSwing(), HIGH, Foot.LEFT, {3.9: 0.6, 5.4: 0.6}),
        (Bend(), LOW, Foot.LEFT, {1.4: 0.5, 1.8: 0.5}),
        (Bend(), HIGH, Foot.RIGHT, {2.0: 0.68, 3.5: 0.68}),
        (Shuffle(1), LOW, Foot.LEFT, {1.25: 0.3, 1.4: 0.3}),
        (Shuffle(1), HIGH, Foot.RIGHT, {1.5: 0.7, 1.9: 0.7}),
    ],
)
def test_a_foot_s_load_goes_along_it_as_defined(segment, upper, foot, points):
    found = at(made(segment, upper).motion.y[foot], *points)
    assert found == pytest.approx(list(points.values()), abs=0.004)


def test_a_waggle_moves_both_feet_s_load_alike():
    for upper, top_s, by in ((LOW, 1.45, -0.04), (HIGH, 1.75, 0.04)):
        y = made(Waggle(1), upper).motion.y
        for foot in Foot:
            assert at(y[foot], top_s)[0] - neutral(foot) == pytest.approx(by, abs=0.001)


def test_on_one_leg_a_player_sways_more():
    for upper, up_s, calm in ((LOW, 1.5, 1.2), (HIGH, 2.0, 1.8)):
        part = made(OneLeg(Foot.LEFT, 4.0), upper)
        assert at(part.motion.calm, 0.7, up_s, up_s + 3.9) == pytest.approx(
            [1, calm, calm], abs=0.01
        )
        assert part.motion.calm.values[-1] == pytest.approx(1.0)


# ---- laws of every movement ----

EVERY: list[Segment] = [
    Stand(4.0),
    Stand(27.1),
    Stand(40.0),
    OneLeg(Foot.LEFT),
    OneLeg(Foot.RIGHT, 5.0, 3),
    Rock(),
    Rock(False),
    Waggle(),
    Waggle(large=True),
    TrailRest(),
    HalfSwing(),
    HalfSwing(over=0.06),
    SlowShift(),
    Bend(),
    Shuffle(),
    Walk(6),
    *[Swing(style=style, finish=finish) for style in Style for finish in Finish],
    *[Swing(heel=heel) for heel in HeelHabit],
]


def parts_of(segment: Segment, player: Player = PLAYER) -> list[Part]:
    ends = [made(segment, upper, player) for upper in (LOW, HIGH)]
    return ends + [drawn(segment, seed, player) for seed in range(4)]


@pytest.mark.dear
@pytest.mark.parametrize("segment", EVERY, ids=str)
def test_every_movement_goes_from_quiet_standing_to_quiet_standing(segment):
    """So that segments may follow each other in any order without a jump."""
    player = Player(left_share=0.47, front_balance=0.4)
    for part in parts_of(segment, player):
        motion = part.motion
        for k in (0, -1):
            assert motion.left.values[k] == pytest.approx(0.47, abs=1e-3)
            assert motion.total.values[k] == pytest.approx(1.0, abs=2e-3)
            assert motion.calm.values[k] == pytest.approx(1.0, abs=1e-3)
            for foot in Foot:
                home = neutral(foot, player)
                assert motion.y[foot].values[k] == pytest.approx(home, abs=1e-3)
                assert motion.lean[foot].values[k] == pytest.approx(0.15, abs=1e-3)
                assert motion.heel[foot].values[k] == pytest.approx(1.0, abs=1e-3)
                assert motion.rolling[foot][k] == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize(
    "segment",
    [Rock(), Rock(False), Waggle(large=True), TrailRest(), SlowShift(), Bend(), Shuffle()],
    ids=str,
)
def test_the_truth_of_a_movement_begins_and_ends_with_it(segment):
    """Before and after no load goes anywhere; soon after the one and before the other it does."""
    for part in parts_of(segment):
        (said,) = part.not_swings
        motion = part.motion
        tracks = [motion.left, *motion.y.values(), *motion.lean.values()]
        away = np.max([np.abs(track.values - track.values[0]) for track in tracks], axis=0)
        moved_s = motion.t_s[away > 1e-4]
        span = said.end_s - said.start_s
        assert said.start_s <= moved_s[0] < said.start_s + 0.1 * span
        assert said.end_s - 0.2 * span < moved_s[-1] <= said.end_s + 0.02


@pytest.mark.dear
@pytest.mark.parametrize(
    "segment",
    [
        Waggle(),
        Waggle(large=True),
        TrailRest(),
        HalfSwing(over=0.05),
        SlowShift(),
        Bend(),
        Swing(press=True, waggles=2),
    ],
    ids=str,
)
def test_a_left_handed_player_is_the_mirror_of_a_right_handed_one(segment):
    right = parts_of(segment, Player(lead=Foot.LEFT, left_share=0.48))
    left = parts_of(segment, Player(lead=Foot.RIGHT, left_share=0.52))
    for one, other in zip(right, left, strict=True):
        assert other.motion.left.values == pytest.approx(1.0 - one.motion.left.values)


# ---- swings ----


def swung(upper: bool, **segment: Any) -> Part:
    given: dict[str, Any] = {
        "style": Style.FRONT_FOOT,
        "finish": Finish.SETTLED,
        "heel": HeelHabit.DOWN,
        "backswing_s": 0.9,
        "downswing_s": 0.3,
        "hold_s": 0.0,
        "press": False,
        "waggles": 0,
        "address_s": 1.0,
    }
    return made(Swing(**(given | segment)), upper)


def lead_share(part: Part, *times_s: float) -> list[float]:
    return at(part.motion.left, *times_s)


@pytest.mark.parametrize(
    ("finish", "low", "high"),
    [
        (Finish.SETTLED, 0.86, 0.95),
        (Finish.TOE, 0.75, 0.86),
        (Finish.HALF, 0.55, 0.72),
        (Finish.FLAT, 0.45, 0.60),
        (Finish.STEPS, 1.0, 1.0),
    ],
)
def test_a_swing_ends_on_the_feet_it_was_told_to(finish, low, high):
    for style in Style:
        for upper, share in ((LOW, low), (HIGH, high)):
            part = swung(upper, finish=finish, style=style)
            (note,) = part.swings
            assert lead_share(part, note.finish_start_s) == pytest.approx([share], abs=0.006)
            assert note.stepped is (finish is Finish.STEPS)
            assert note.style is style


def test_a_trail_foot_that_steps_through_lands_soon():
    for upper, lands_s, share in ((LOW, 0.25, 0.4), (HIGH, 0.4, 0.6)):
        part = swung(upper, finish=Finish.STEPS)
        done_s = part.swings[0].finish_start_s
        found = lead_share(part, done_s + lands_s, done_s + lands_s + 0.4)
        assert found == pytest.approx([1.0, share], abs=0.006)


@pytest.mark.parametrize(("upper", "taken_s", "share"), [(LOW, 0.14, 0.35), (HIGH, 0.25, 0.58)])
def test_the_reverse_style_goes_back_soon_after_the_lead_peak_and_stays(upper, taken_s, share):
    part = swung(upper, style=Style.REVERSE)
    gone_s = part.swings[0].peak_s + 0.2 * 0.3
    stays_s = gone_s + (0.4 if upper else 0.3)
    found = lead_share(part, gone_s + taken_s, stays_s)
    assert found == pytest.approx([share, share], abs=0.006)
    after = lead_share(part, stays_s + 0.1)[0]
    assert after > share + 0.004


@pytest.mark.parametrize(
    ("style", "down_s", "low_bw", "high_bw"),
    [
        # 1.1 BW for a slow downswing; up to .5 more for one of 0.18 s, of which .3 at the least.
        (Style.FRONT_FOOT, 0.45, 1.1, 1.1),
        (Style.FRONT_FOOT, 0.315, 1.175, 1.35),
        (Style.FRONT_FOOT, 0.18, 1.25, 1.6),
        (Style.FRONT_FOOT, 0.15, 1.25, 1.6),
        # The reverse style .25 less, but .85 at the least.
        (Style.REVERSE, 0.45, 0.85, 0.85),
        (Style.REVERSE, 0.18, 1.0, 1.35),
    ],
)
def test_quick_swings_push_harder(style, down_s, low_bw, high_bw):
    for upper, peak_bw in ((LOW, low_bw), (HIGH, high_bw)):
        part = swung(upper, style=style, downswing_s=down_s)
        peak_s = part.swings[0].peak_s
        on_lead = lead_share(part, peak_s)[0] * at(part.motion.total, peak_s)[0]
        assert on_lead == pytest.approx(peak_bw, abs=0.015)


@pytest.mark.parametrize("lead", list(Foot))
def test_a_swing_does_what_it_is_told(lead):
    player = Player(lead=lead)
    told: dict[str, Any] = {"lead_peak_bw": 1.3, "high_share": 0.7, "backswing_s": 0.9}
    for upper in (LOW, HIGH):
        part = made(Swing(**told, downswing_s=0.3, hold_s=0.0), upper, player)
        (note,) = part.swings
        assert note.lead is lead
        share = part.motion.left.values if lead is Foot.LEFT else 1.0 - part.motion.left.values
        total = part.motion.total.values
        peak = round(note.peak_s * BODY_HZ)
        assert share[peak] * total[peak] == pytest.approx(1.3, abs=0.01)
        over = round((note.shift_s + 1.15 * 0.3) * BODY_HZ)
        assert share[over] == pytest.approx(0.7, abs=0.006)


@pytest.mark.parametrize(
    ("style", "low", "high"), [("front_foot", 0.76, 0.93), ("reverse", 0.58, 0.8)]
)
def test_the_load_goes_to_the_trail_foot_and_over_to_the_lead_foot(style, low, high):
    for upper, away, back in ((LOW, 0.16, low), (HIGH, 0.30, high)):
        part = swung(upper, style=Style(style))
        (note,) = part.swings
        assert lead_share(part, note.shift_s) == pytest.approx([away], abs=0.006)
        assert part.motion.left.values.max() >= 0.86 - 0.01  # the finish
        over = note.shift_s + 1.15 * 0.3
        assert min(over, note.peak_s + 0.06) == pytest.approx(over)
        assert lead_share(part, over)[0] == pytest.approx(back, abs=0.006)


def test_a_light_foot_keeps_little_load():
    for upper, share in ((LOW, 0.09), (HIGH, 0.13)):
        part = swung(upper, heel=HeelHabit.LIGHT)
        assert lead_share(part, part.swings[0].shift_s) == pytest.approx([share], abs=0.006)


@pytest.mark.parametrize(
    ("given", "before_s"),
    [
        ({}, (1.0, 1.0)),
        ({"address_s": None}, (0.8, 2.5)),
        ({"waggles": 2}, (3.6, 3.6)),
        ({"press": True}, (1.15, 1.27)),  # 60 % of the press comes before
    ],
)
def test_the_time_at_address_is_as_told(given, before_s):
    for upper, expected in zip((LOW, HIGH), before_s, strict=True):
        (note,) = swung(upper, **given).swings
        assert note.begin_s - note.address_s == pytest.approx(expected)
        assert note.address_s == pytest.approx(1.5 if upper else 1.0)


def test_the_times_of_a_swing_follow_each_other_as_told():
    for upper, done_s, relax_s in ((LOW, 0.7, 0.9), (HIGH, 1.1, 1.8)):
        part = swung(upper, hold_s=0.2)
        (note,) = part.swings
        assert note.hold_s == 0.2
        # The load turns softly: 5 % of a minimum jerk is done at 19 % of its time, of a brisk
        # course earlier; so the whole way is longer than the time it counts as begun.
        assert 0.9 < note.shift_s - note.begin_s - 0.2 < 0.9 / 0.7
        assert 0.3 < note.peak_s - note.shift_s < 0.3 + 1.15 * 0.3 * 0.3
        assert note.finish_start_s - note.peak_s == pytest.approx(done_s)
        assert note.end_s - note.finish_start_s == pytest.approx(relax_s + 1.4)
        assert length_s(part) == pytest.approx(note.end_s + 0.8, abs=0.003)


def test_a_swing_takes_the_player_s_usual_time_or_the_nearest_human_one():
    """One SD is a twentieth of the backswing, and 6 % of the downswing that its tempo gives."""
    body = Body.of(PLAYER)

    def lengths(segment: Swing, draws: Ends) -> tuple[float, float]:
        (note,) = swing(body, segment, draws).swings
        return note.shift_s - note.begin_s, note.peak_s - note.shift_s

    # Brisk courses: u^1.4 has done 5 % at u = .05^(1/1.4) = .1177, 1 - (1 - u)^1.4 at u = .0360;
    # the way to the lead foot takes 1.15 times the time to the lead peak.
    shortest = lengths(Swing(hold_s=0.0), Ends(LOW))
    assert shortest == pytest.approx((0.45 / (1 - 0.1177), 0.18 * (1 + 1.15 * 0.0360)), abs=0.001)
    for draws, back_s, down_s in (
        (Ends(HIGH), 1.4, 0.45),
        (Ends(HIGH, sds=1.0), 0.85 * 1.05, 0.85 * 1.05 / 3.0 * 1.06),
        (Ends(LOW, sds=1.0), 0.85 * 0.95, 0.85 * 0.95 / 3.0 * 0.94),
    ):
        told = Swing(hold_s=0.0, backswing_s=back_s, downswing_s=down_s)
        assert lengths(Swing(hold_s=0.0), draws) == pytest.approx(lengths(told, draws))


def test_a_player_stands_at_address_about_evenly():
    for upper, sds, share in ((LOW, 1e3, 0.43), (HIGH, 1e3, 0.58), (LOW, 1.0, 0.47)):
        part = swing(Body.of(PLAYER), Swing(press=False, waggles=0), Ends(upper, sds=sds))
        assert lead_share(part, part.swings[0].begin_s) == pytest.approx([share], abs=0.002)


def test_the_shift_goes_over_the_address_share_by_at_least_8_percent():
    """A reverse swing from .58 that would go to .58 only."""
    part = swing(
        Body.of(PLAYER),
        Swing(style=Style.REVERSE, downswing_s=0.3, hold_s=0.0, press=False, waggles=0),
        UpperAddress(LOW),
    )
    (note,) = part.swings
    assert lead_share(part, note.begin_s)[0] == pytest.approx(0.58, abs=0.002)
    over = lead_share(part, note.shift_s + 1.15 * 0.3)[0]
    assert over == pytest.approx(0.66, abs=0.006)


class UpperAddress(Ends):
    """Lower ends, but normal draws at their upper ends."""

    def normal(self, loc: Any = 0.0, scale: Any = 1.0, size: Any = None) -> Any:
        return loc + 1e3 * scale


def test_a_press_to_the_lead_side_is_small_and_right_before_the_start():
    for upper, size, length, lean in ((LOW, 0.03, 0.25, 0.4), (HIGH, 0.08, 0.45, 0.6)):
        part = swung(upper, press=True)
        (note,) = part.swings
        begin = note.begin_s - 0.6 * length
        still, top = lead_share(part, begin, begin + lean * length)
        assert top - still == pytest.approx(size, abs=0.003)
        assert still == pytest.approx(0.58 if upper else 0.43, abs=0.003)
