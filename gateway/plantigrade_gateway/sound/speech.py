"""Announcements: words as samples, by a speech engine of this machine; off unless wanted.

Uses espeak-ng, or macOS's own ``say``, where there is one. Rendering takes some tenths of a second
and is done in a thread of its own: nothing waits for a voice.
"""

import importlib
import math
import queue
import shutil
import subprocess
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Self

import numpy as np
from numpy.typing import NDArray

from plantigrade_gateway.errors import SoundError
from plantigrade_gateway.sound.motifs import MIN_RAMP_S, PEAK, SAMPLE_RATE_HZ

NO_ENGINE = "No voice: no speech engine was found; install espeak-ng."
LONGEST = 200
"""Characters of one announcement."""
_LIMIT_S = 10.0
_WAITING = 2  # announcements that wait to be rendered: a third is old news


@dataclass(frozen=True, slots=True)
class Engine:
    """A speech engine.

    Attributes
    ----------
    name : str
        The program's name.
    path : str
    """

    name: str
    path: str

    def render(self, text: str) -> NDArray[np.float32]:
        """Return words as mono samples at `SAMPLE_RATE_HZ`, ramped, `PEAK` at most.

        Raises
        ------
        SoundError
            The engine fails or takes longer than 10 s.
        """
        words = "".join(c if c.isprintable() else " " for c in text)[:LONGEST]
        if not words.strip():
            return np.zeros(0, dtype=np.float32)
        try:
            data = self._say(words) if self.name == "say" else self._espeak(words)
        except (OSError, subprocess.SubprocessError) as error:
            raise SoundError(f"speech engine {self.path}: failed: {error}") from error
        return _levelled(*_samples_of(data, self.path))

    def _espeak(self, words: str) -> bytes:
        command = [self.path, "-v", "en", "-s", "165", "--stdin", "--stdout"]
        return subprocess.run(
            command, input=words.encode(), capture_output=True, check=True, timeout=_LIMIT_S
        ).stdout

    def _say(self, words: str) -> bytes:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "said.wav"
            command = [self.path, "-o", str(path), "--data-format=LEI16@22050", "-f", "-"]
            subprocess.run(
                command, input=words.encode(), capture_output=True, check=True, timeout=_LIMIT_S
            )
            return path.read_bytes()


def find_engine() -> Engine | None:
    """Return a speech engine of this machine; None where there is none."""
    for name in ("espeak-ng", "say"):
        path = shutil.which(name)
        if path is not None:
            return Engine(name, path)
    return None


@contextmanager
def opened_voice(wanted: bool, say: Callable[[str], None]) -> "Iterator[Announcer | None]":
    """Give an announcer, where one is wanted and can be had; else None, and say why."""
    engine = find_engine() if wanted else None
    if engine is None:
        if wanted:
            say(NO_ENGINE)
        yield None
        return
    # Most of a second: where a voice is wanted, and before the session, not at its first word.
    importlib.import_module("scipy.signal")
    with Announcer(engine) as announcer:
        yield announcer


class Announcer:
    """Renders announcements in a thread; `done` gives those that are ready.

    Parameters
    ----------
    engine : Engine

    Attributes
    ----------
    problem : str or None
        Why the last announcement could not be made.
    """

    def __init__(self, engine: Engine) -> None:
        self.problem: str | None = None
        self._engine = engine
        self._texts: queue.Queue[str | None] = queue.Queue(_WAITING)
        self._ready: queue.SimpleQueue[NDArray[np.float32]] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="announcer", daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def say(self, text: str) -> None:
        """Have a text rendered; one too many is left out."""
        try:
            self._texts.put_nowait(text)
        except queue.Full:
            return

    def done(self) -> list[NDArray[np.float32]]:
        """Return what has been rendered since the last call."""
        found = []
        while not self._ready.empty():
            found.append(self._ready.get())
        return found

    def close(self) -> None:
        """Stop, after what waits is rendered."""
        self._texts.put(None)
        self._thread.join()

    def _run(self) -> None:
        while (text := self._texts.get()) is not None:
            try:
                self._ready.put(self._engine.render(text))
            except SoundError as error:
                self.problem = str(error)


def _samples_of(data: bytes, source: str) -> tuple[NDArray[np.float64], int]:
    """Read a 16-bit mono WAV whose lengths may be unknown, as those of a pipe are."""
    form, body = data.find(b"fmt "), data.find(b"data")
    if not data.startswith(b"RIFF") or form < 0 or body < 0:
        raise SoundError(f"speech engine {source}: gave no sound")
    channels, rate_hz = (
        np.frombuffer(data, "<u2", 1, form + 10),
        np.frombuffer(data, "<u4", 1, form + 12),
    )
    bits = np.frombuffer(data, "<u2", 1, form + 22)
    if channels[0] != 1 or bits[0] != 16 or not 8_000 <= rate_hz[0] <= 48_000:
        raise SoundError(f"speech engine {source}: expected 16-bit mono sound")
    rest = data[body + 8 :]
    return np.frombuffer(rest[: len(rest) // 2 * 2], "<i2") / 32768.0, int(rate_hz[0])


def _levelled(voice: NDArray[np.float64], rate_hz: int) -> NDArray[np.float32]:
    """Bring a voice to our rate and level, with ramps at both ends."""
    from scipy.signal import resample_poly  # most of a second: see `opened_voice`

    common = math.gcd(SAMPLE_RATE_HZ, rate_hz)
    voice = resample_poly(voice, SAMPLE_RATE_HZ // common, rate_hz // common)
    loudest = np.abs(voice).max(initial=0.0)
    if loudest == 0.0:
        return np.zeros(0, dtype=np.float32)
    n = min(round(MIN_RAMP_S * SAMPLE_RATE_HZ), len(voice) // 2)
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(n) / max(n, 1))
    voice[:n] *= ramp
    voice[len(voice) - n :] *= ramp[::-1]
    return np.asarray(voice * (PEAK / loudest), dtype=np.float32)
