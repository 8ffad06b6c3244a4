"""Cues written to a WAV file at their session times, for where no device plays them.

The file is streamed and its header is put right after every cue: whatever ends the program, what
has been written is a valid file. Silence between cues is skipped over, not written: where the
file system keeps holes, an hour of it takes no room.
"""

import errno
import io
import os
import struct
import wave
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Self

import numpy as np
from numpy.typing import NDArray

from plantigrade_gateway.errors import SoundError
from plantigrade_gateway.foreign import is_pipe
from plantigrade_gateway.sound.cues import Cue, CueKind
from plantigrade_gateway.sound.mixer import Mixer
from plantigrade_gateway.sound.motifs import SAMPLE_RATE_HZ
from plantigrade_gateway.sound.pitch import TonePoint

MAX_FRAMES = (2**32 - 1 - 36) // 2
"""What a WAV file's 32-bit sizes can hold: 12 h 25 min at 48 kHz, 16 bit, mono."""

_HEADER_BYTES = 44
_BLOCK = 4096


def _is_another(path: Path) -> bool:
    """Whether a name is that of a file with something in it that is no sound."""
    if not path.is_file() or not path.stat().st_size:
        return False
    with path.open("rb") as file:
        return file.read(4) != b"RIFF"


class WavFile:
    """A 16-bit mono WAV file on the session's time line.

    Parameters
    ----------
    path : Path
        Written over if it is a sound file already, and nothing else is; its folder must exist.
    start_s : float
        Session time of the first sample, s.
    gain : float
        As for `Mixer`.
    on_lost : callable, optional
        Called once with one sentence when the file can no longer be written (a full disk);
        cues after that go nowhere.

    Attributes
    ----------
    path : Path
    lost : bool
        The file can no longer be written.
    dropped : int
        Cues that lie beyond `MAX_FRAMES`, or that the mixer refused.

    Raises
    ------
    SoundError
        The file cannot be made, or another is there.
    """

    def __init__(
        self,
        path: Path,
        start_s: float = 0.0,
        gain: float = 1.0,
        on_lost: Callable[[str], object] | None = None,
    ) -> None:
        self.path = path
        self.lost = False
        self._start_s = start_s
        self._on_lost = on_lost
        self._mixer = Mixer(gain)
        self._beyond = 0
        self._frames = 0
        if is_pipe(path):  # it would be waited for, for ever
            raise SoundError(f"{path}: is a pipe, expected a file")
        try:
            if _is_another(path):
                raise SoundError(f"{path}: is there already and is no WAV file; name another")
            self._file = path.open("wb", buffering=0)
        except OSError as error:
            raise SoundError(f"{path}: cannot be written: {error.strerror}") from error
        try:
            self._write_header()
        except OSError as error:
            self._file.close()
            raise SoundError(f"{path}: cannot be written: {error.strerror}") from error

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def dropped(self) -> int:
        """Cues left out."""
        return self._beyond + self._mixer.dropped

    def play(self, cue: Cue) -> None:
        """Put a cue at the time it was decided, plus its delay; never before what is written."""
        frame = round((cue.decided_s - self._start_s) * SAMPLE_RATE_HZ)
        length = round(cue.delay_s * SAMPLE_RATE_HZ) + len(cue.samples)
        if max(frame, self._frames) + length > MAX_FRAMES:
            self._beyond += 1
            return
        self._silent_until(frame)
        if cue.kind is CueKind.SPOKEN:
            self._mixer.speak(cue.samples)
        else:
            self._mixer.schedule(cue.samples, cue.delay_s)

    def follow(self, points: Iterable[TonePoint]) -> None:
        """Let the tone pass through points at their session times; never before what is written."""
        for point in points:
            frame = round((point.t_s - self._start_s) * SAMPLE_RATE_HZ)
            if max(frame, self._frames) < MAX_FRAMES - SAMPLE_RATE_HZ:  # it may fade for a while
                self._silent_until(frame)
                self._mixer.follow([point], self._mixer.frame)

    def begin(self) -> None:
        """Begin a session, whose times begin at 0 again, behind what is written."""
        if self._frames:
            self._render(MAX_FRAMES)
            self._start_s = -self._frames / SAMPLE_RATE_HZ

    def close(self) -> None:
        """Write what still sounds, and close."""
        if not self._file.closed:
            self._render(MAX_FRAMES)
            self._file.close()

    def _silent_until(self, frame: int) -> None:
        """Write what sounds before a frame, and go there."""
        self._render(frame)
        self._frames = max(self._frames, frame)  # silence: a hole

    def _render(self, until: int) -> None:
        """Write what sounds before frame `until`."""
        if self.lost:
            return
        try:
            while (n := min(_BLOCK, until - self._frames, self._mixer.left)) > 0:
                block = self._mixer.render(n)
                self._write(_HEADER_BYTES + 2 * self._frames, pcm16(block))
                self._frames += len(block)
            self._write_header()
        except OSError as error:
            self.lost = True
            if self._on_lost is not None:
                self._on_lost(f"{self.path}: the sound cannot be written: {error.strerror}.")

    def _write_header(self) -> None:
        """Say how much there is (PCM, format tag 1: RIFF/WAVE "fmt " chunk of 16 bytes)."""
        n_bytes = 2 * self._frames
        head = struct.pack("<4sI4s", b"RIFF", 36 + n_bytes, b"WAVE")
        form = struct.pack(
            "<4sIHHIIHH", b"fmt ", 16, 1, 1, SAMPLE_RATE_HZ, 2 * SAMPLE_RATE_HZ, 2, 16
        )
        self._write(0, head + form + struct.pack("<4sI", b"data", n_bytes))
        self._file.truncate(_HEADER_BYTES + n_bytes)  # a hole with nothing behind it counts too

    def _write(self, at: int, data: bytes) -> None:
        """Write all of `data`, unbuffered: what is done is in the file whatever happens next."""
        self._file.seek(at)
        if self._file.write(data) != len(data):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def wav_bytes(samples: NDArray[np.float32]) -> bytes:
    """Return mono samples at `SAMPLE_RATE_HZ`, full scale ±1, as a whole 16-bit WAV file."""
    buffer = io.BytesIO()
    with wave.open(buffer, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(SAMPLE_RATE_HZ)
        file.writeframes(pcm16(samples))
    return buffer.getvalue()


def pcm16(samples: NDArray[np.float32]) -> bytes:
    """Return samples, full scale ±1, as 16-bit little-endian integers."""
    integers: NDArray[np.int16] = np.rint(samples * 32767.0).astype("<i2")
    return integers.tobytes()
