"""What a synthetic player's feet are called, from samples to the sheet, against the body itself."""

from datetime import UTC, datetime

import pytest
from tests.support.cases import case
from tests.support.checking import check_of

from plantigrade.block import Foot
from plantigrade.synth import Player, Segment, Stand, Walk
from plantigrade_gateway.coach.case import Visit
from plantigrade_gateway.coach.facts import facts
from plantigrade_gateway.coach.sheet import evidence
from plantigrade_gateway.rules.files import built_in

pytestmark = pytest.mark.dear
TOLD = (
    *(("stand", 24.0 * k + 2.0, 24.0 * k + 22.0) for k in range(3)),
    ("walk", 73.0, 500.0),
)


def visit(player: Player, seed: int = 1) -> Visit:
    """Three stands, walked apart by nothing but time, and a walk of forty steps."""
    segments: list[Segment] = [Stand(72.0), Walk(42), Stand(2.0)]
    analysis = check_of(player, segments, TOLD, seed=seed)
    return Visit("invented", datetime(2026, 3, 2, tzinfo=UTC), analysis)


@pytest.mark.parametrize(
    ("left", "right", "lead", "trail"),
    [  # standing shares well inside a class; walking they are 1.15 times as much (the body's own)
        (0.0, 0.12, "heel_and_ball", "bears"),
        (0.12, 0.0, "bears", "heel_and_ball"),
        (0.25, 0.12, "broad", "bears"),
    ],
)
def test_feet_are_called_what_the_body_is(left, right, lead, trail):
    player = Player(midfoot_share_left=left, midfoot_share_right=right)
    made = facts(case(visit(player)), built_in())
    assert (made["lead.foot"].value, made["trail.foot"].value) == (lead, trail)
    assert made["feet.differ"].value == "yes"
    assert made["lead.stand"].measured == pytest.approx(left, abs=0.02)


def test_a_left_handers_lead_foot_is_the_right_one():
    player = Player(midfoot_share_left=0.0, midfoot_share_right=0.12, lead=Foot.RIGHT)
    made = evidence(case(visit(player), handedness="left"), built_in())
    assert (made.facts["lead.foot"].value, made.facts["trail.foot"].value) == (
        "bears",
        "heel_and_ball",
    )


def test_a_foot_at_a_limit_is_between():
    player = Player(midfoot_share_left=0.06, midfoot_share_right=0.12)
    assert facts(case(visit(player)), built_in())["lead.stand"].value == "between"
