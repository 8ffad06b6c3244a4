"""The microphone's thread with a device that a test fills itself."""

import queue
import threading
from collections.abc import Callable, Generator
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from tests.support.waiting import HANG_S

from plantigrade_gateway.sound import microphone
from plantigrade_gateway.sound.microphone import Microphone


class Device:
    """What records: a generator is sent each block, as miniaudio does."""

    backend = "FAKE"

    def __init__(self, take: Callable[[], Generator[None, bytearray, None]]) -> None:
        self._take = take()
        next(self._take)
        self.closed = threading.Event()

    def give(self, samples: Any) -> None:
        self._take.send(bytearray(np.asarray(samples, np.float32).tobytes()))

    def close(self) -> None:
        self.closed.set()


class Listener:
    """Stands for the detectors: each block is heard as its own first sample."""

    def __init__(self, origin_ns: int) -> None:
        self.stamping = False
        self.arrivals_ns = [origin_ns]

    def push(self, arrival_ns: int, samples: NDArray[np.float32]) -> list[float]:
        self.arrivals_ns.append(arrival_ns)
        return [float(samples[0])]


@pytest.fixture
def device(monkeypatch) -> SimpleNamespace:
    """Where the device is once a microphone is open, and which backends were tried."""
    found = SimpleNamespace(made=None, tried=None)

    def opened(tried: tuple[str, ...], take: Any) -> Device:
        made = Device(take)
        found.tried, found.made = tried, made
        return made

    monkeypatch.setattr(microphone, "_open", opened)
    monkeypatch.setattr(microphone, "Listener", Listener)
    return found


def test_blocks_are_heard_in_order_with_their_arrival_until_it_is_closed(device):
    heard: queue.Queue[Any] = queue.Queue()
    lost: list[str] = []
    with Microphone(heard.put, lost.append, ("FAKE",)) as opened:
        assert (opened.backend, device.tried) == ("FAKE", ("FAKE",))
        for value in (0.25, 0.5):
            device.made.give([value, 0.0])
        assert [heard.get(timeout=HANG_S) for _ in range(2)] == [0.25, 0.5]
        opened.stamp(on=True)
        assert opened._listener.stamping
        opened.stamp(on=False)
        assert not opened._listener.stamping
        assert not device.made.closed.is_set()
    assert opened.blocks == 2 and device.made.closed.is_set() and lost == []
    listener: Any = opened._listener
    arrivals_ns = listener.arrivals_ns
    assert arrivals_ns == sorted(arrivals_ns) and len(arrivals_ns) == 3


def test_what_is_no_number_is_silence_and_what_is_too_loud_full_scale(device):
    heard: queue.Queue[Any] = queue.Queue()
    with Microphone(heard.put):
        for value in (np.nan, np.inf, -np.inf):
            device.made.give([value])
        assert [heard.get(timeout=HANG_S) for _ in range(3)] == [0.0, 1.0, -1.0]


def test_a_device_that_gives_nothing_is_told_once_and_closed(device, monkeypatch):
    monkeypatch.setattr(microphone, "_LOOK_S", 0.0)
    lost: queue.Queue[str] = queue.Queue()
    with Microphone(lambda _: None, lost.put):
        said = lost.get(timeout=HANG_S)
        assert said == "The microphone (FAKE) has stopped: strikes are not heard."
        assert device.made.closed.is_set()
    assert lost.empty()


class Looks:
    """Stands for the queue of blocks: a block after so many looks in vain, again and again."""

    def __init__(self, in_vain: list[int]) -> None:
        self._coming = [n for count in in_vain for n in [*range(count), -1]]
        self.made = 0

    def get(self, timeout: float) -> tuple[int, NDArray[np.float32]]:
        assert timeout == 0.1  # s: twenty of them are two seconds
        self.made += 1
        if not self._coming or self._coming.pop(0) >= 0:
            raise queue.Empty
        return self.made, np.zeros(1, np.float32)

    def qsize(self) -> int:
        return 0

    def put(self, end: None) -> None:
        pass


@pytest.mark.parametrize(
    ("in_vain", "looks"),
    [
        ([], 100),
        ([99], 100 + 20),
        ([0], 1 + 20),
        ([5, 19, 19], 6 + 20 + 20 + 20),
        ([5, 20], 6 + 20),
    ],
)
def test_a_device_is_waited_for_ten_seconds_at_first_and_two_from_then_on(
    device, monkeypatch, in_vain, looks
):
    """In looks: a program that was itself stopped for a while accuses nobody."""
    waiting = Looks(in_vain)
    made = SimpleNamespace(Queue=lambda: waiting, Empty=queue.Empty)
    monkeypatch.setattr(microphone, "queue", made)
    lost: queue.Queue[str] = queue.Queue()
    with Microphone(lambda _: None, lost.put):
        assert "has stopped" in lost.get(timeout=HANG_S)
    assert waiting.made == looks


class Slow:
    """Holds the listening thread in its first block."""

    def __init__(self) -> None:
        self.begun, self.go_on = threading.Event(), threading.Event()
        self.heard: queue.Queue[Any] = queue.Queue()

    def take(self, one: Any) -> None:
        self.begun.set()
        assert self.go_on.wait(HANG_S)
        self.heard.put(one)


@pytest.mark.parametrize(("more", "is_slow"), [(501, False), (502, True)])
def test_a_machine_that_does_not_keep_up_is_told(device, more, is_slow):
    """Five seconds of blocks of 10 ms may wait behind the one that is looked at, and no more."""
    assert microphone._MOST_WAITING * microphone.PERIOD_MS == 5000
    slow = Slow()
    lost: queue.Queue[str] = queue.Queue()
    with Microphone(slow.take, lost.put):
        device.made.give([0.0])
        assert slow.begun.wait(HANG_S)
        for _ in range(more):
            device.made.give([0.0])
        slow.go_on.set()
        if is_slow:
            said = lost.get(timeout=HANG_S)
            assert said == "The machine is too slow to listen: strikes are not heard."
        else:
            for _ in range(1 + more):
                slow.heard.get(timeout=HANG_S)
    assert lost.empty()


def test_a_server_that_does_not_let_go_is_left_behind(device, monkeypatch):
    limits: list[float] = []

    def within(limit_s: float, work: Callable[[], None]) -> None:
        limits.append(limit_s)
        raise TimeoutError

    monkeypatch.setattr(microphone, "within", within)
    with Microphone(lambda _: None):
        pass
    assert limits == [1.0]


def test_nobody_need_be_told(device, monkeypatch):
    monkeypatch.setattr(microphone, "_LOOK_S", 0.0)
    with Microphone(lambda _: None):
        assert device.made.closed.wait(HANG_S)
