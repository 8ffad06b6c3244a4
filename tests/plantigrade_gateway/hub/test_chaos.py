"""A short form of what ``make chaos`` does to a whole site: each fault once; a table is printed."""

import os

import pytest
from tests.support.sitechaos import FULL, SMALL, SiteChaos

pytestmark = [pytest.mark.slow, pytest.mark.timeout(1800)]  # against hanging only


@pytest.mark.long
async def test_nothing_is_missing_double_or_wrong_at_any_place(tmp_path):
    chaos = SiteChaos(tmp_path, SMALL, seed=7)
    outcome = await chaos.run()
    print(outcome)
    assert outcome.is_whole, outcome
    assert {"bay", "archive", "hub one", "hub two", "database", "subscriber"} < set(outcome.places)
    assert all(each.made > 0 for *_, each in outcome.tallies), outcome
    assert all(outcome.faults[fault] >= 1 for fault in chaos.kinds), outcome
    if os.environ.get("CI"):
        assert any(kind == FULL for kind, _ in chaos.kinds)  # it is root there
