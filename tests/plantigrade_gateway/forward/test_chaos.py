"""A short run of what ``make chaos`` does for minutes; the outcome is printed."""

import random

import pytest
from tests.support.chaos import Chaos

pytestmark = pytest.mark.dear


@pytest.mark.slow
async def test_nothing_is_missing_after_everything_was_killed(tmp_path):
    outcome = await Chaos(tmp_path, seconds=10.0, seed=7, least=51, least_faults=4).run()
    print(outcome)
    assert outcome.is_whole, outcome
    assert outcome.produced > 50 and outcome.aside == 0
    assert sum(outcome.faults.values()) >= 4


@pytest.mark.slow
@pytest.mark.long
async def test_nothing_is_missing_after_minutes_of_it(tmp_path):
    seed = random.randrange(1_000_000)
    print(f"seed {seed}")
    outcome = await Chaos(tmp_path, seconds=120.0, seed=seed, least_faults=20).run()
    print(outcome)
    assert outcome.is_whole, outcome
    assert sum(outcome.faults.values()) >= 20
