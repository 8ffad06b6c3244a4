"""What the synthetic player draws changes only where that is meant (`tests.support.drawn`)."""

import json

import pytest
from tests.support.drawn import KEPT, Numbers, check_same, drawn

WAS: dict[str, Numbers] = json.loads(KEPT.read_text("utf-8"))


@pytest.fixture(scope="module")
def made() -> dict[str, Numbers]:
    return drawn()


def test_every_performance_is_kept(made):
    assert list(made) == list(WAS)


@pytest.mark.parametrize("name", WAS)
def test_what_is_drawn_is_what_was_drawn(made, name):
    check_same(made[name], WAS[name])
