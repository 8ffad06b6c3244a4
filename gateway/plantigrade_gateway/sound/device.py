"""The sound device: opened, watched, fed from a mixer; a device that stops is noticed and reported.

The one module that imports miniaudio: the microphone is opened through `first_device`. `within`
puts a limit on calls that may never return.
"""

import os
import queue
import sys
import threading
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import partial
from typing import Any, Self, TypeVar

import numpy as np
from numpy.typing import NDArray

from plantigrade_gateway.errors import SoundError
from plantigrade_gateway.sound.cues import Cue, CueKind
from plantigrade_gateway.sound.mixer import Mixer, Voice
from plantigrade_gateway.sound.motifs import SAMPLE_RATE_HZ
from plantigrade_gateway.sound.pitch import TonePoint

T = TypeVar("T")


def within(limit_s: float, work: Callable[[], T]) -> T:
    """Return ``work()``, or stop waiting for it.

    The work runs in a daemon thread of its own. When the limit passes it is left behind: its
    result is dropped if it ever comes, and it does not keep the program from ending.

    Raises
    ------
    TimeoutError
        The limit passed.
    BaseException
        Whatever the work raised.
    """
    answer: queue.SimpleQueue[tuple[T | None, BaseException | None]] = queue.SimpleQueue()

    def run() -> None:
        try:
            answer.put((work(), None))
        except BaseException as error:
            answer.put((None, error))

    threading.Thread(target=run, name="within", daemon=True).start()
    try:
        result, error = answer.get(timeout=limit_s)
    except queue.Empty:
        raise TimeoutError(f"no answer within {limit_s:g} s") from None
    if error is not None:
        raise error
    return result  # type: ignore[return-value]  # None only where T is


BACKENDS = {
    "linux": ("PULSEAUDIO", "ALSA"),
    "darwin": ("COREAUDIO",),
    "win32": ("WASAPI",),
}
"""miniaudio's names of what to try on each platform (`sys.platform`), in order."""

PERIOD_MS = 5
"""How much sound the device asks for at a time: a cue waits for the next period at most."""

_SWITCH_S = 0.0005
"""How long a busy thread may keep the interpreter from the device's (Python's own 5 ms is a whole
period, and a decision changes hands several times)."""

_LOOK_S = 0.1
_SILENT_LOOKS = 6
"""A device that asks for nothing through this many looks has stopped: it asks every `PERIOD_MS`.
Looks and not seconds, so that a program that was itself stopped for a while accuses nobody."""

_WAKING_LOOKS = 60
"""A device may take seconds to begin: an idle PulseAudio sink finishes its 2 s of silence first."""

_OPEN_LIMIT_S = 3.0  # a sound server that hangs would keep the library waiting for 30 s
_CLOSE_LIMIT_S = 1.0  # or for ever


class Speaker:
    """The default sound device.

    A device that dies, or whose server does, goes silent without an error. A watchdog therefore
    looks whether it still asks for sound, and says so once when it does not.

    While it is open, the interpreter changes threads every 0.5 ms (`sys.setswitchinterval`).

    Parameters
    ----------
    gain : float
        0 to `plantigrade_gateway.sound.mixer.MAX_GAIN`.
    on_lost : callable, optional
        Called once, from the watchdog's thread, with one sentence when the device has stopped:
        at the latest a second after.
    backends : tuple of str, optional
        miniaudio's backend names to try in order; `BACKENDS` by default.
    device : str, optional
        The name of one of the system's devices, or a part of it that no other has; the one that
        the system would use by default.

    Attributes
    ----------
    backend : str
        What was opened, by its own name.
    mixer : Mixer
    running : threading.Event
        Set once the device asks for sound regularly; cues played before wait for that.
    lost : bool
        The device has stopped.

    Raises
    ------
    SoundError
        No device, no sound library, or a sound server that does not answer.
    """

    def __init__(
        self,
        gain: float = 1.0,
        on_lost: Callable[[str], object] | None = None,
        backends: tuple[str, ...] | None = None,
        device: str | None = None,
    ) -> None:
        self.mixer = Mixer(gain)
        self.running = threading.Event()
        self.lost = False
        self._on_lost = on_lost
        self._closing = threading.Event()
        self._asked = 0
        self._device = _open(
            BACKENDS.get(sys.platform, ()) if backends is None else backends, self._feed, device
        )
        self.backend = str(self._device.backend)
        _set_switch_interval(self, True)
        self._watchdog = threading.Thread(target=self._watch, name="sound watchdog", daemon=True)
        self._watchdog.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def play(self, cue: Cue) -> Voice | None:
        """Play a cue as soon as the device asks; None when it was dropped (`Mixer.schedule`).

        An announcement waits until nothing else is heard (`Mixer.speak`).
        """
        if cue.kind is CueKind.SPOKEN:
            self.mixer.speak(cue.samples)
            return None
        return self.mixer.schedule(cue.samples, cue.delay_s)

    def follow(self, points: Iterable[TonePoint]) -> None:
        """Let the tone follow points as they come, their distances kept."""
        self.mixer.follow(points)

    def close(self) -> None:
        """Close the device; a server that does not answer is left behind after a second."""
        self._closing.set()
        self._watchdog.join()
        _set_switch_interval(self, False)
        with quiet_stderr(), suppress(TimeoutError):
            within(_CLOSE_LIMIT_S, self._device.close)

    def _feed(self) -> Generator[NDArray[np.float32] | bytes, int, None]:
        """Give the device what it asks for (runs in its thread)."""
        n = yield b""
        while True:
            self._asked += 1
            n = yield self.mixer.render(n)

    def _watch(self) -> None:
        before, silent = -1, 0
        while not self._closing.wait(_LOOK_S):
            silent = silent + 1 if self._asked == before else 0
            if silent == 0 and before >= 0:
                self.running.set()
            before = self._asked
            if silent >= (_SILENT_LOOKS if self.running.is_set() else _WAKING_LOOKS):
                self.lost = True
                if self._on_lost is not None:
                    self._on_lost(device_stopped(self.backend))
                return


_hurrying: set[object] = set()  # speakers that are open, and work that goes on
_usual_switch_s = sys.getswitchinterval()
_switching = threading.Lock()


@contextmanager
def short_switch_interval() -> Iterator[None]:
    """Have threads change quickly for the length of a block, as while a `Speaker` is open."""
    owner = object()
    _set_switch_interval(owner, True)
    try:
        yield
    finally:
        _set_switch_interval(owner, False)


def _set_switch_interval(owner: object, on: bool) -> None:
    """Have threads change quickly while any owner wants it: the next may begin before one ends."""
    global _usual_switch_s
    with _switching:
        if on:
            if not _hurrying:
                _usual_switch_s = sys.getswitchinterval()
            _hurrying.add(owner)
        else:
            _hurrying.discard(owner)
        sys.setswitchinterval(min(_SWITCH_S, _usual_switch_s) if _hurrying else _usual_switch_s)


def device_stopped(backend: str) -> str:
    """Return what is said of a device that has stopped."""
    return (
        f"The sound device ({backend}) has stopped: let the live page play the sound, or open the "
        "device again."
    )


def _open(
    backends: tuple[str, ...],
    feed: Callable[[], Generator[NDArray[np.float32] | bytes, int, None]],
    device: str | None,
) -> Any:  # noqa: ANN401 - miniaudio.PlaybackDevice, where there is one
    """Return the first device that starts, playing `feed`."""

    def made(miniaudio: Any, **usual: Any) -> Any:  # noqa: ANN401
        form = miniaudio.SampleFormat.FLOAT32
        if device is not None:
            there = miniaudio.Devices(usual["backends"]).get_playbacks()
            usual["device_id"] = named_device(device, [(one["name"], one["id"]) for one in there])
        return miniaudio.PlaybackDevice(output_format=form, buffersize_msec=PERIOD_MS, **usual)

    return first_device(backends, made, feed)


def named_device(wanted: str, there: Sequence[tuple[str, T]]) -> T:
    """Return the device of a name, or of a part of one that no other has; case does not matter.

    Parameters
    ----------
    wanted : str
    there : sequence of (str, T)
        Names and devices.

    Raises
    ------
    SoundError
        None, or several; names those that are there.
    """
    name = wanted.casefold()
    found = [one for called, one in there if called.casefold() == name]
    found = found or [one for called, one in there if name in called.casefold()]
    if len(found) != 1:
        names = ", ".join(called for called, _ in there) or "none"
        how = "several devices are" if found else "no device is"
        raise SoundError(f"{how} called {wanted}; there are: {names}")
    return found[0]


def first_device(
    backends: tuple[str, ...],
    made: Callable[..., Any],
    work: Callable[[], Generator[Any, Any, None]],
) -> Any:  # noqa: ANN401 - a device of miniaudio, where there is one
    """Return the first device that starts, mono at `SAMPLE_RATE_HZ`.

    Parameters
    ----------
    backends : tuple of str
        miniaudio's names of what to try, in order.
    made : callable
        Takes the library, and by name what is the same for all devices; gives one.
    work : callable
        Gives the generator that the device runs.

    Raises
    ------
    SoundError
        No device, no sound library, or a sound server that does not answer.
    """
    try:
        import miniaudio
    except (ImportError, OSError) as error:
        raise SoundError(f"the miniaudio library cannot be loaded: {error}") from error
    if not backends:
        raise SoundError(f"no sound system is known for {sys.platform}")

    def started(backend: str) -> Any:  # noqa: ANN401
        device = made(
            miniaudio,
            nchannels=1,
            sample_rate=SAMPLE_RATE_HZ,
            backends=[miniaudio.Backend[backend]],
            app_name="plantigrade",
        )
        generator = work()
        next(generator)
        device.start(generator)
        return device

    reasons = []
    with quiet_stderr():
        for backend in backends:
            try:
                return within(_OPEN_LIMIT_S, partial(started, backend))
            except miniaudio.MiniaudioError as error:
                reasons.append(f"{backend}: {error.args[0]}")
            except (SoundError, TimeoutError) as error:
                reasons.append(f"{backend}: {error}")
    raise SoundError(", ".join(reasons))


@contextmanager
def quiet_stderr() -> Iterator[None]:
    """Keep what the C libraries print about a missing device off the user's screen.

    ALSA writes some twenty lines to file descriptor 2 where there is no card. The descriptor is
    the whole process's: it is turned away for the milliseconds of opening or closing only.
    """
    if sys.stderr is not None:
        sys.stderr.flush()
    try:
        kept = os.dup(2)
    except OSError:  # no standard error at all
        yield
        return
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 2)
        os.close(nowhere)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
