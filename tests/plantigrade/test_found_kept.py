"""What is found in drawn movements changes only where that is meant (`tests.support.found`)."""

import json

import pytest
from tests.plantigrade.test_drawn_kept import parted
from tests.support.drawn import Numbers
from tests.support.found import KEPT, found

WAS: dict[str, Numbers] = json.loads(KEPT.read_text("utf-8"))


@pytest.fixture(scope="module")
def made() -> dict[str, Numbers]:
    return found()


def test_every_performance_is_kept(made):
    assert list(made) == list(WAS)


@pytest.mark.parametrize("name", WAS)
def test_what_is_found_is_what_was_found(made, name):
    """To a millionth of each number: other processors round the last digits otherwise."""
    words, numbers = parted(made[name])
    were_words, were_numbers = parted(WAS[name])
    assert words == were_words
    assert numbers == pytest.approx(were_numbers, rel=1e-6, abs=1e-6, nan_ok=True)
