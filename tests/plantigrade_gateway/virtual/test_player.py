"""The virtual player's styles and seeds, as the program reads what the insoles send."""

import json
from collections import Counter

import pytest

from plantigrade.block import Foot
from plantigrade.calibrate import default_calibration
from plantigrade.events import Manner, Push, Timing
from plantigrade.synth import SensorModel, perform
from plantigrade.zones import eighteen
from plantigrade_gateway.analysis.record import analyse_record
from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.drills.judge import Verdict, judge_push
from plantigrade_gateway.drills.model import PushTarget
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.virtual.player import GAINS, invented_session, invented_steps
from plantigrade_gateway.virtual.recorded import RadioChannel, RecordedInsole, merged
from plantigrade_gateway.virtual.style import PlayerStyle

pytestmark = pytest.mark.dear

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
