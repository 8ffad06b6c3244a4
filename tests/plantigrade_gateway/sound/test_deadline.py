"""Work that hangs is left behind; work that ends is passed on."""

import threading

import pytest

from plantigrade_gateway.sound.device import within


def test_result_and_error_come_back():
    assert within(5.0, lambda: 7) == 7
    assert within(5.0, lambda: None) is None

    def fail() -> None:
        raise KeyError("its own")

    with pytest.raises(KeyError, match="its own"):
        within(5.0, fail)


def test_hanging_work_is_left_behind():
    never = threading.Event()
    with pytest.raises(TimeoutError, match=r"no answer within 0\.05 s"):
        within(0.05, never.wait)
    never.set()


def test_left_behind_work_does_not_keep_the_program_alive():
    never = threading.Event()
    with pytest.raises(TimeoutError):
        within(0.01, never.wait)
    left = [thread for thread in threading.enumerate() if thread.name == "within"]
    assert left and all(thread.daemon for thread in left)
    never.set()
