"""A short run of what ``make chaos`` does for minutes; the outcome is printed."""

from tests.support.chaos import Chaos


async def test_nothing_is_missing_after_everything_was_killed(tmp_path):
    outcome = await Chaos(tmp_path, seconds=10.0, seed=7).run()
    print(outcome)
    assert outcome.is_whole, outcome
    assert outcome.produced > 50 and outcome.aside == 0
    assert sum(outcome.faults.values()) >= 4
