"""`plantigrade_gateway.pauses`: what stood before a block is not looked through in it."""

import gc
import weakref
from collections.abc import Iterator

import pytest

from plantigrade_gateway.pauses import short_collections


class Ring:
    """An object that only a collection takes away."""

    def __init__(self) -> None:
        self.own = self


@pytest.fixture(autouse=True)
def no_other_blocks() -> Iterator[None]:
    gc.unfreeze()  # Python 3.12 begins with some hundred
    yield
    assert gc.get_freeze_count() == 0


def test_what_there_was_is_left_out_until_the_outermost_block_ends():
    before = len(gc.get_objects())
    with short_collections():
        assert gc.get_freeze_count() > before / 2
        with short_collections():
            pass
        assert gc.get_freeze_count() > before / 2
    assert gc.get_freeze_count() == 0


def test_what_is_made_in_the_block_is_collected_and_what_was_rubbish_before():
    old = weakref.ref(Ring())
    with short_collections():
        assert old() is None
        new = weakref.ref(Ring())
        gc.collect()
        assert new() is None


def test_blocks_that_overlap_end_with_the_last():
    first, second = short_collections(), short_collections()
    with pytest.raises(RuntimeError, match="ends early"), first:
        second.__enter__()
        raise RuntimeError("ends early")
    assert gc.get_freeze_count() > 0
    second.__exit__(None, None, None)
