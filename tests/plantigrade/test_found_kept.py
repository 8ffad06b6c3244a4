"""What is found in drawn movements changes only where that is meant (`tests.support.found`)."""

import json

import pytest
from tests.support.drawn import Numbers, check_same
from tests.support.found import KEPT, found

WAS: dict[str, Numbers] = json.loads(KEPT.read_text("utf-8"))


@pytest.fixture(scope="module")
def made() -> dict[str, Numbers]:
    return found()


def test_every_performance_is_kept(made):
    assert list(made) == list(WAS)


@pytest.mark.parametrize("name", WAS)
def test_what_is_found_is_what_was_found(made, name):
    check_same(made[name], WAS[name])
