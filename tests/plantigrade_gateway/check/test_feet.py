"""What a check says of feet, held against the bodies that did it.

Off the limits it is right, at them it says "between" and nothing wrong.

The classes and their limits are those of the design (§5, Stand and Walk); the truth is the
synthetic player's ideal load.
"""

from collections import Counter
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
import pytest
from tests.support.checking import RATE_HZ, analysed

from plantigrade.block import Column, Foot
from plantigrade.limits import setup_for
from plantigrade.synth import (
    OneLeg,
    Player,
    SensorModel,
    SessionPlan,
    Stand,
    Walk,
    perform,
    random_player,
    random_sensor,
)
from plantigrade.zones import eighteen
from plantigrade_gateway.check.judge import judged
from plantigrade_gateway.coach.case import Case, Visit
from plantigrade_gateway.coach.facts import facts
from plantigrade_gateway.rules.files import built_in

MARGIN = 0.008
"""How far a share is off the limits at least (ours): what a worn sensor may add or hide."""
PLAN = SessionPlan(
    (OneLeg(Foot.RIGHT, 4.0), OneLeg(Foot.LEFT, 4.0), *[Stand(24.0)] * 3, Walk(26), Walk(26))
)
RULES = built_in()


def bearing(share: float) -> str:
    """Return the class of a midfoot's true share of the foot's load (design §5)."""
    limits = {"none": 0.03, "slight": 0.06, "bearing": 0.18}
    return next((name for name, limit in limits.items() if share < limit), "broad")


@dataclass(frozen=True)
class Seen:
    """One foot: what is true, and what the check says."""

    stand: str
    is_off: bool
    said_stand: object
    walk: float
    said_walk: object


def checked(player: Player, sensor: SensorModel, seed: int) -> list[Seen]:
    """Let a player do the feet's part of a check."""
    done = perform(player, PLAN, RATE_HZ, seed)
    begins = [*done.segments_s, float(done.t_s[-1])]
    told = [("lift", 0.2, begins[2] + 0.5)]
    told += [("stand", begins[k] + 1.5, begins[k] + 21.5) for k in (2, 3, 4)]
    told += [("walk", begins[5] + 0.2, begins[-1])]
    # many rows at a time: the law of chunks is tested elsewhere, and few rows cost twice as much
    found = analysed(player, done.t_s, *sensor.read(done, seed), told, rows=1000)
    assert [each.verdict.why for each in judged(found)] == [None] * 5
    handed = "right" if player.lead is Foot.LEFT else "left"
    visit = Visit("one", datetime(2026, 3, 2, tzinfo=UTC), found)
    said = facts(Case("who", "Invented", handed, visits=(visit,)), RULES)
    floor_n = setup_for(eighteen(), RATE_HZ, player.weight_n, player.lead).floor_n[Column.MIDFOOT]
    seen = []
    for role, foot in (("lead", player.lead), ("trail", player.lead.other)):
        left = foot is Foot.LEFT
        stands = [stand for stand in done.truth.stands if stand.on is None]
        shares = [s.left_midfoot_share if left else s.right_midfoot_share for s in stands]
        share = float(np.mean(shares))
        load_n = player.weight_n * (player.left_share if left else 1.0 - player.left_share)
        unknown = 2.0 * float(floor_n) / (0.85 * load_n)  # zones do not cover the whole foot
        is_off = bearing(max(share - MARGIN, 0.0)) == bearing(share + unknown + MARGIN)
        walk = np.mean([s.midfoot_impulse_share for s in done.truth.steps if s.foot is foot])
        value, rolls = said[f"{role}.stand"].value, said[f"{role}.walk"].value
        seen.append(Seen(bearing(share), is_off, value, float(walk), rolls))
    return seen


def drawn(k: int) -> tuple[Player, np.random.Generator]:
    """Draw a grown player with two feet of any kind, often near a limit."""
    rng = np.random.default_rng([k, 11])
    spans = ((0.0, 0.02), (0.02, 0.07), (0.06, 0.2), (0.15, 0.3))
    left, right = (float(rng.uniform(*spans[rng.integers(len(spans))])) for _ in range(2))
    player = replace(
        random_player(rng),
        mass_kg=float(rng.uniform(50.0, 110.0)),
        midfoot_share_left=left,
        midfoot_share_right=right,
    )
    return player, rng


def tally(players: range, is_worn: bool) -> Counter[tuple[str, str]]:
    """Count what is said of the feet of many players, by where the truth lies."""
    found: Counter[tuple[str, str]] = Counter()
    for k in players:
        player, rng = drawn(k)
        for foot in checked(player, random_sensor(rng, 0.0) if is_worn else SensorModel(), k):
            where = "off" if foot.is_off else "at"
            said = "right" if foot.said_stand == foot.stand else "wrong"
            if foot.said_stand in (None, "between"):
                said = str(foot.said_stand)
            found[f"stand {where}", said] += 1
            found[walked(foot)] += 1
    return found


def walked(foot: Seen) -> tuple[str, str]:
    """Return where a foot's walk lies, and whether what is said of it is right.

    The midfoot rolls through from 6 % of the impulse, and is skipped up to 2 %; between them it is
    wrong only to say the opposite of the nearer limit (through from 5 %, skipped under 2.5 %).
    """
    true = "through" if foot.walk >= 0.06 else "skipped" if foot.walk <= 0.02 else ""
    if true:
        return "walk off", "right" if foot.said_walk == true else "not right"
    opposite = {"through": foot.walk < 0.025, "skipped": foot.walk >= 0.05}
    return "walk at", "wrong" if opposite.get(str(foot.said_walk)) else "not wrong"


def share_of(found: Counter[tuple[str, str]], where: str, said: str) -> float:
    return found[where, said] / sum(n for (at, _), n in found.items() if at == where)


@pytest.mark.dear
@pytest.mark.slow
def test_a_few_feet_are_called_what_they_are():
    found = tally(range(12), is_worn=False)
    assert share_of(found, "stand off", "right") == 1.0
    assert share_of(found, "walk off", "right") == 1.0
    assert found["stand at", "wrong"] == found["walk at", "wrong"] == 0
    assert found["stand at", "between"] > 0


@pytest.mark.slow
@pytest.mark.parametrize("is_worn", [False, True])
@pytest.mark.long
def test_many_feet_are_called_what_they_are(is_worn):
    """120 players of two feet each, seeds 100 to 219, with ideal and with worn sensors.

    Worn sensors: gains apart, hysteresis up to 20 %, laced shoes, drift; none is calibrated.

    At a limit such a sensor's own error can move a share over it, which repeats do not show: there
    nothing is asserted of it but of the walk.
    """
    found = tally(range(100, 220), is_worn)
    assert share_of(found, "stand off", "right") >= 0.95
    assert share_of(found, "walk off", "right") >= 0.95
    assert found["walk at", "wrong"] == 0
    assert is_worn or found["stand at", "wrong"] == 0
