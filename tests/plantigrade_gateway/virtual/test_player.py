"""The virtual player's styles and seeds, as the program reads what the insoles send."""

import json
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from tests.plantigrade.test_movements import HIGH, LOW, Ends

from plantigrade.block import Foot
from plantigrade.calibrate import Calibrator, default_calibration
from plantigrade.events import Manner, Push, Timing
from plantigrade.synth import (
    Bend,
    Mishap,
    Player,
    SensorModel,
    SessionPlan,
    Stand,
    StuckZone,
    Swing,
    Waggle,
    Walk,
    perform,
)
from plantigrade.zones import eighteen
from plantigrade_gateway.analysis.record import analyse_record
from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.drills.judge import Verdict, judge_push
from plantigrade_gateway.drills.model import PushTarget
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.virtual.player import (
    GAINS,
    DeviceSettings,
    GaitSource,
    ScriptedFaults,
    ScriptedPlayer,
    drawn_pushes,
    invented_session,
    invented_steps,
    pressed,
    usual_pair,
)
from plantigrade_gateway.virtual.recorded import RadioChannel, RecordedInsole, merged
from plantigrade_gateway.virtual.style import PlayerStyle

START_NS = 10**12
SETTINGS = {"schema": 1, "handed": "right", "layout": "eighteen"}


def pushes(style: PlayerStyle, seed: int) -> list[Push]:
    """What the program makes of every swing of a player, over a radio that loses nothing."""
    player, plan = invented_session(seed, style)
    done = perform(player, plan, 200.0, seed)
    sensor = SensorModel(gain_left=GAINS[Foot.LEFT], gain_right=GAINS[Foot.RIGHT])
    end_s = float(done.t_s[-1])
    sent = []
    for number, foot in enumerate((Foot.LEFT, Foot.RIGHT)):
        own = default_calibration(eighteen(), foot)
        insole = RecordedInsole(foot, number, own, link=RadioChannel.steady())
        sent.append(insole.entries(insole.read(done, sensor, seed), end_s, START_NS, seed))
    said = [Entry(START_NS, SESSION, Kind.SETTINGS, json.dumps(SETTINGS).encode())]
    return [s.push for s in analyse_record([Batch.of(merged(said, *sent))], "test").swings]


def facts(style: PlayerStyle, seed: int) -> Counter[tuple[Manner, Timing | None]]:
    """Manner and timing of every push, counted; a held push has no timing of its own."""
    return Counter(
        (p.manner, None if p.manner is Manner.HELD else p.timing) for p in pushes(style, seed)
    )


ROLLS = (Manner.ROLLED, Timing.WITH_SHIFT)
SKIPS = (Manner.SKIPPED, Timing.WITH_SHIFT)
HOLDS = (Manner.HELD, None)
EARLY_ROLLS = (Manner.ROLLED, Timing.EARLY)
EARLY_SKIPS = (Manner.SKIPPED, Timing.EARLY)


@pytest.mark.parametrize(
    ("style", "expected"),
    [
        ("mixed", {ROLLS: 6, SKIPS: 2, HOLDS: 2, EARLY_ROLLS: 1, EARLY_SKIPS: 1}),
        ("rolls", {ROLLS: 12}),
        ("skips", {SKIPS: 12}),
        ("holds", {HOLDS: 12}),
        ("early", {EARLY_ROLLS: 8, EARLY_SKIPS: 4}),
    ],
)
@pytest.mark.slow
def test_a_style_is_what_its_name_says(style, expected):
    assert facts(PlayerStyle(style), 1) == expected


@pytest.mark.parametrize("seed", range(2, 5))
@pytest.mark.slow
def test_the_mixed_player_succeeds_twice_in_the_first_four_and_fails_twice(seed):
    target = shelf(None).drills["push"].target
    assert isinstance(target, PushTarget)
    verdicts = [judge_push(push, target, None)[0] for push in pushes(PlayerStyle.MIXED, seed)[:4]]
    assert Counter(verdicts) == {Verdict.GOOD: 2, Verdict.MISSED: 2}


@pytest.mark.slow
def test_a_seed_is_a_player_and_an_order():
    one, other = (invented_session(seed, PlayerStyle.MIXED) for seed in (1, 2))
    assert one == invented_session(1, PlayerStyle.MIXED)
    assert one[0] != other[0] and one[1] != other[1]
    again, first, second = (invented_steps(seed).counts[Foot.LEFT] for seed in (1, 1, 2))
    assert (again == first).all()
    assert first.shape != second.shape or (first != second).any()


def test_a_calibration_of_the_pair_stays_true_whoever_plays():
    players = [invented_session(seed, style)[0] for seed in range(5) for style in PlayerStyle]
    assert {player.mass_kg for player in players} == {80.0}


# ---- who plays, and what ----


@pytest.mark.parametrize(
    ("upper", "expected"),
    [
        (LOW, Player(80.0, Foot.LEFT, 0.06, 0.054, 0.48, 0.35, 0.125, 1.15, 3.5, 1.1)),
        (HIGH, Player(80.0, Foot.LEFT, 0.13, 0.143, 0.52, 0.35, 0.125, 1.15, 6.0, 1.5)),
    ],
)
def test_a_player_is_drawn_who_is_neither_odd_nor_in_need_of_another_calibration(
    upper, expected, monkeypatch
):
    monkeypatch.setattr(np.random, "default_rng", lambda seed: Ends(upper))
    player, _ = invented_session(1, PlayerStyle.ROLLS)
    habits = {"backswing_s": 1.0, "tempo": 3.3, "body_seed": 2**31 - 1}
    if not upper:
        habits = {"backswing_s": 0.75, "tempo": 2.7, "body_seed": 0}
    right = pytest.approx(expected.midfoot_share_right)
    assert player.midfoot_share_right == right
    same = replace(player, midfoot_share_right=expected.midfoot_share_right)
    assert same == replace(expected, **habits)


def test_a_style_s_pushes_are_drawn_within_groups_of_a_fixed_order():
    def groups(style: PlayerStyle, size: int) -> list[Counter[tuple[Manner, Timing | None]]]:
        drawn = drawn_pushes(style, np.random.default_rng(1))
        return [Counter(drawn[k : k + size]) for k in range(0, len(drawn), size)]

    hold = (Manner.HELD, Timing.WITH_SHIFT)
    usual, hurried = {ROLLS: 2, SKIPS: 1, hold: 1}, {ROLLS: 2, EARLY_ROLLS: 1, EARLY_SKIPS: 1}
    assert groups(PlayerStyle.MIXED, 4) == [usual, hurried, usual]
    assert groups(PlayerStyle.EARLY, 3) == [{EARLY_ROLLS: 2, EARLY_SKIPS: 1}] * 4
    for style, push in (("rolls", ROLLS), ("skips", SKIPS), ("holds", hold)):
        assert groups(PlayerStyle(style), 12) == [{push: 12}]


def test_between_swings_the_player_waggles_and_bends():
    """Before every fourth swing, in turn."""
    _, plan = invented_session(1, PlayerStyle.SKIPS)
    swing = Swing(manner=Manner.SKIPPED, timing=Timing.WITH_SHIFT)
    four = (swing, swing, swing, swing)
    assert plan.segments == (
        *(Stand(6.0), Walk(10), Stand(3.0)),
        *(*four[1:], Waggle(2), *four, Bend(one_leg=False), *four, Waggle(2), swing),
        Walk(4),
    )


def test_a_session_begins_again_after_its_last_sample():
    rows = np.arange(10, dtype=np.uint16)[:, None].repeat(18, axis=1)
    at_s = np.array([0.0, 0.0024, 0.00376, 9 / 400, 10 / 400, 23 / 400])
    found = GaitSource({Foot.LEFT: rows}).at(Foot.LEFT, at_s)
    assert found[:, 0].tolist() == [0, 1, 2, 9, 0, 3]


def test_the_usual_pair_reads_four_fifths_and_nine_tenths_of_a_load():
    """Two feet alike that stand alike; zones read nothing under 2 kPa, which takes some N off."""
    alike = Player(sway_mm=0.0)
    counts = pressed(alike, SessionPlan((Stand(2.0),)), 1).counts
    assert all(len(rows) == 800 for rows in counts.values())
    area = eighteen().area_mm2 / 1000.0
    read = {}
    for foot in Foot:
        own = Calibrator(default_calibration(eighteen(), foot))
        block = own.block(np.arange(800) / 400.0, counts[foot])
        read[foot] = float((block.pressure @ area).mean())
    whole = 80.0 * 9.80665 / 2.0
    assert read[Foot.LEFT] == pytest.approx(0.8 * whole, rel=0.08)
    assert read[Foot.RIGHT] == pytest.approx(0.9 * whole, rel=0.08)


# ---- the insoles ----


def test_the_usual_pair_has_addresses_and_clocks_of_its_own():
    """Of a static random address the two highest bits are set (Bluetooth Core, Vol 6, Part B)."""
    left, right = usual_pair()
    assert left == DeviceSettings(Foot.LEFT, 0x51A70001, drift_ppm=32.0, clock_us=51_000_000)
    assert right == DeviceSettings(Foot.RIGHT, 0x51A70002, drift_ppm=-41.0, clock_us=7_000_000)
    assert (left.address, right.address) == ("C0:00:51:A7:00:01", "C0:00:51:A7:00:02")
    third = usual_pair(2, public_address=True, loss=0.1)
    assert [one.address for one in third] == ["00:00:51:A7:02:01", "00:00:51:A7:02:02"]
    assert [one.loss for one in third] == [0.1, 0.1]


def test_an_insole_as_it_comes_is_fast_whole_and_nearly_full():
    made = DeviceSettings(Foot.LEFT, 1)
    assert (made.period_us, made.frames, made.drift_ppm, made.clock_us) == (10_000, 2, 0.0, 0)
    assert (made.loss, made.battery_percent, made.battery_hours) == (0.0, 87.0, 12.0)
    assert (made.speed, made.slow_read_s, made.log_pages, made.curve) == (1.0, 0.0, 0, b"")
    assert made.has_battery and not (made.public_address or made.needs_bond)
    assert (made.zones, made.firmware) == (18, 0x0100)
    assert made.information is not None and made.information.hardware == 1
    bare = replace(made, information=None)
    assert (bare.zones, bare.firmware) == (18, 0x0100)


@pytest.mark.parametrize(
    ("name", "good", "bad"),
    [
        ("clock_us", (0, 2**32 - 1), (-1, 2**32)),
        ("battery_percent", (0.0, 100.0), (-0.1, 100.1)),
        ("speed", (0.01, 1000.0), (0.009, 1000.1)),
        ("loss", (0.0, 0.899), (-0.1, 0.9)),
    ],
)
def test_no_insole_is_made_that_cannot_be(name, good, bad):
    for value in good:
        assert getattr(usual_pair(**{name: value})[0], name) == value
    for value in bad:
        with pytest.raises(InputError):
            usual_pair(**{name: value})


# ---- flaws, and who follows prompts ----


@pytest.mark.parametrize(
    ("texts", "expected"),
    [
        ((), {}),
        (("gain:left:0.3",), {"gains": {Foot.LEFT: 0.3, Foot.RIGHT: 0.9}}),
        (("gain:right:2.0",), {"gains": {Foot.LEFT: 0.8, Foot.RIGHT: 2.0}}),
        (("dead:left:1",), {"stuck": (StuckZone(Foot.LEFT, 0, 0.0),)}),
        (("full:right:18",), {"stuck": (StuckZone(Foot.RIGHT, 17, 800.0),)}),
        (("swapped",), {"swapped": True}),
        (("wrong_foot",), {"mishap": Mishap.WRONG_FOOT}),
        (("swapped", "timid"), {"swapped": True, "mishap": Mishap.TIMID}),
    ],
)
def test_flaws_are_read_as_they_are_typed(texts, expected):
    found = ScriptedFaults.parse(texts)
    plain = {"gains": {Foot.LEFT: 0.8, Foot.RIGHT: 0.9}, "stuck": (), "swapped": False}
    assert found == ScriptedFaults(**{"mishap": None, **plain, **expected})


@pytest.mark.parametrize(
    "text",
    ["gain:left:0.29", "gain:left:2.01", "gain:mid:1", "dead:left:0", "full:left:19", "lazy", ""],
)
def test_a_flaw_that_is_none_is_refused(text):
    with pytest.raises(InputError, match="expected one of gain:FOOT:VALUE"):
        ScriptedFaults.parse(("swapped", text))


def test_a_pose_is_performed_from_when_it_is_told_or_after_the_one_under_way():
    """Eight seconds on one foot, with two of standing around them in which nothing else is read."""
    player = ScriptedPlayer()
    pose = "on_left"
    took_s = player.duration_s(pose)
    assert 8.0 < took_s < 14.0
    rest = player.at(Foot.RIGHT, np.arange(0.0, 8.0, 0.01))
    later = player.at(Foot.RIGHT, np.arange(16.0, 24.0, 0.01))
    assert np.array_equal(rest, later)  # quietly, over and over

    player.do(pose, 10.0)
    player.do(pose, 11.0)  # begins when the first has ended
    t_s = np.arange(10.0, 10.0 + took_s, 0.01)
    n = len(t_s) - 1
    first, second = (player.at(Foot.RIGHT, t_s + late) for late in (0.0, took_s))
    assert np.array_equal(first[:n], second[:n])
    assert np.array_equal(player.at(Foot.RIGHT, np.arange(8.0, 9.995, 0.01)), rest[:200])
    after = player.at(Foot.RIGHT, np.array([10.0 + 2.0 * took_s + 0.001]))
    row = round((10.0 + 2.0 * took_s) * 100) % 800
    assert np.array_equal(after[0], rest[row])
    lifted = (first.sum(axis=1) < 0.2 * rest.sum(axis=1).mean()).sum()
    assert lifted > 600  # of the right foot, for most of the eight seconds


def test_swapped_insoles_read_the_other_foot():
    player = Player(left_share=0.6, sway_mm=0.0)
    at_s = np.arange(0.0, 4.0, 0.01)
    equal = {Foot.LEFT: 1.0, Foot.RIGHT: 1.0}
    loads = {}
    for swapped in (False, True):
        made = ScriptedPlayer(player, flaws=ScriptedFaults(equal, swapped=swapped))
        loads[swapped] = [float(made.at(foot, at_s).sum()) for foot in Foot]
    assert loads[False] == pytest.approx(loads[True][::-1], rel=0.02)
    assert loads[False][0] > 1.2 * loads[False][1]
