"""The microphone at the gateway: opened, listened to in a thread, watched; it keeps no sound.

Takes blocks from the default recording device and gives the times, levels and shapes of transients
(`plantigrade_gateway.sound.listening`). Samples live for the two seconds or less that this takes.
"""

import queue
import sys
import threading
import time
from collections.abc import Callable, Generator
from contextlib import suppress
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from plantigrade_gateway.sound.device import BACKENDS, first_device, quiet_stderr, within
from plantigrade_gateway.sound.listening import Heard, Listener

PERIOD_MS = 10
_PERIODS = 100  # the sound server keeps a second for a machine that is busy: lost blocks are time

_CLOSE_LIMIT_S = 1.0
_LOOK_S = 0.1
_SILENT_LOOKS = 20
"""A device that gives no block for so many looks has stopped: it gives one every `PERIOD_MS`. Looks
and not seconds, so that a program that was itself stopped for a while accuses nobody."""
_WAKING_LOOKS = 100
"""A device may take seconds to begin."""
_MOST_WAITING = 500  # blocks: five seconds. More, and the machine is too slow to listen


class Microphone:
    """The default recording device, listened to.

    Parameters
    ----------
    on_heard : callable
        Called with each transient, from the listening thread.
    on_lost : callable, optional
        Called once, from that thread, with one sentence when the device has stopped or the machine
        is too slow: nothing is heard from then on.
    backends : tuple of str, optional
        miniaudio's backend names to try in order; those of the speaker by default.

    Attributes
    ----------
    backend : str
        What was opened, by its own name.
    blocks : int
        Blocks heard so far.

    Raises
    ------
    SoundError
        No device, no sound library, or a sound server that does not answer.
    """

    def __init__(
        self,
        on_heard: Callable[[Heard], object],
        on_lost: Callable[[str], object] | None = None,
        backends: tuple[str, ...] | None = None,
    ) -> None:
        self.blocks = 0
        self._on_heard, self._on_lost = on_heard, on_lost
        self._waiting: queue.Queue[tuple[int, NDArray[np.float32]] | None] = queue.Queue()
        self._listener = Listener(time.monotonic_ns())
        tried = BACKENDS.get(sys.platform, ()) if backends is None else backends
        self._device = _open(tried, self._take)
        self.backend = str(self._device.backend)
        self._thread = threading.Thread(target=self._listen, name="microphone", daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def stamp(self, *, on: bool) -> None:
        """Look for stamped heels too, or no longer."""
        self._listener.stamping = on

    def close(self) -> None:
        """Close the device; a server that does not answer is left behind after a second."""
        self._waiting.put(None)
        self._thread.join()

    def _take(self) -> Generator[None, bytearray, None]:
        """Take what the device gives (runs in its thread): stamp it, queue it, and no more."""
        data = yield
        while True:
            self._waiting.put((time.monotonic_ns(), np.frombuffer(data, dtype=np.float32)))
            data = yield

    def _listen(self) -> None:
        said = self._until_lost()
        with quiet_stderr(), suppress(TimeoutError):
            within(_CLOSE_LIMIT_S, self._device.close)
        if said is not None and self._on_lost is not None:
            self._on_lost(said)

    def _until_lost(self) -> str | None:
        """Listen until the end; return why there is one, None where it was asked for."""
        silent = 0
        while True:
            try:
                block = self._waiting.get(timeout=_LOOK_S)
            except queue.Empty:
                silent += 1
                if silent >= (_SILENT_LOOKS if self.blocks else _WAKING_LOOKS):
                    return f"The microphone ({self.backend}) has stopped: strikes are not heard."
                continue
            silent = 0
            if block is None:
                return None
            if self._waiting.qsize() > _MOST_WAITING:
                return "The machine is too slow to listen: strikes are not heard."
            arrival_ns, samples = block
            sound = np.nan_to_num(samples, nan=0.0, posinf=1.0, neginf=-1.0)
            for heard in self._listener.push(arrival_ns, sound):
                self._on_heard(heard)
            self.blocks += 1


def _open(backends: tuple[str, ...], take: Callable[[], Generator[None, bytearray, None]]) -> Any:  # noqa: ANN401 - miniaudio.CaptureDevice, where there is one
    """Return the first device that starts to record."""

    def made(miniaudio: Any, **usual: Any) -> Any:  # noqa: ANN401
        form = miniaudio.SampleFormat.FLOAT32
        return miniaudio.CaptureDevice(
            input_format=form, buffersize_msec=PERIOD_MS, callback_periods=_PERIODS, **usual
        )

    return first_device(backends, made, take)
