"""What the synthetic player draws changes only where that is meant (`tests.support.drawn`)."""

import json

import pytest
from tests.support.drawn import KEPT, Numbers, drawn

WAS: dict[str, Numbers] = json.loads(KEPT.read_text("utf-8"))


@pytest.fixture(scope="module")
def made() -> dict[str, Numbers]:
    return drawn()


def test_every_performance_is_kept(made):
    assert list(made) == list(WAS)


@pytest.mark.parametrize("name", WAS)
def test_what_is_drawn_is_what_was_drawn(made, name):
    """To a millionth of each number: other processors round the last digits otherwise."""
    words, numbers = parted(made[name])
    were_words, were_numbers = parted(WAS[name])
    assert words == were_words
    assert numbers == pytest.approx(were_numbers, rel=1e-6, abs=1e-6)


def parted(row: Numbers) -> tuple[list[str], list[float]]:
    words = [one for one in row if isinstance(one, str)]
    return words, [one for one in row if not isinstance(one, str)]
