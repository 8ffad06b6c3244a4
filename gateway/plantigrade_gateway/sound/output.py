"""Where cues are heard: the sound device, a WAV file, or nowhere; which can change on the way."""

import threading
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Literal, Protocol, Self

from plantigrade_gateway.errors import SoundError
from plantigrade_gateway.sound.cues import Cue
from plantigrade_gateway.sound.device import Speaker, device_stopped
from plantigrade_gateway.sound.pitch import TonePoint
from plantigrade_gateway.sound.wav import WavFile


class Silence:
    """No sound wanted, or none possible."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def play(self, cue: Cue) -> None:
        """Do nothing."""

    def follow(self, points: Iterable[TonePoint]) -> None:
        """Do nothing."""

    def close(self) -> None:
        """Do nothing."""


class Outlet(Protocol):
    """Where sound goes: a `Speaker`, a `WavFile`, `Silence`, or a `Sound` that holds one."""

    def play(self, cue: Cue) -> object:
        """Play a cue."""
        ...

    def follow(self, points: Iterable[TonePoint]) -> None:
        """Let the tone follow points."""
        ...


class Sound:
    """What `open_sound` opened; while it runs it can be given to the device or taken from it.

    Parameters
    ----------
    output : Speaker, WavFile or Silence
    said : str
        One sentence for the user: where the sound goes, and why when it is not the device.
    on_lost : callable, optional
        As for `Speaker`.
    device : str, optional
        As for `Speaker`.
    barred : str, optional
        Why it may not be given to the device, a sentence.
    """

    def __init__(
        self,
        output: Speaker | WavFile | Silence,
        said: str,
        on_lost: Callable[[str], object] | None = None,
        device: str | None = None,
        barred: str | None = None,
    ) -> None:
        self._device = device
        self._barred = barred
        self.output = output
        self._said = said
        self._on_lost = on_lost
        self._closed = False
        self._changing = threading.Lock()  # one change at a time: it may take seconds
        self._using = threading.Lock()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def said(self) -> str:
        """Where the sound goes now, in one sentence."""
        output = self.output
        if isinstance(output, Speaker) and output.lost:
            return device_stopped(output.backend)
        return self._said

    @property
    def device(self) -> bool:
        """Whether it goes to the device, and the device takes it."""
        return isinstance(self.output, Speaker) and not self.output.lost

    @property
    def lost(self) -> bool:
        """Whether it should go to the device, which has stopped."""
        return isinstance(self.output, Speaker) and self.output.lost

    def play(self, cue: Cue) -> object:
        """Play a cue where the sound goes."""
        with self._using:
            return self.output.play(cue)

    def follow(self, points: Iterable[TonePoint]) -> None:
        """Let the tone follow points where the sound goes."""
        with self._using:
            self.output.follow(points)

    def begin(self) -> None:
        """Begin a session: a WAV file goes on behind the one before."""
        with self._using:
            if isinstance(self.output, WavFile):
                self.output.begin()

    def choose(self, device: bool) -> str:
        """Give the sound to the device, opening one that was lost again, or take it away.

        This may take seconds: call it where nothing waits. What sounds is cut off.

        Returns
        -------
        str
            Where the sound goes now; where no device was found, that, and all stays as it was.
        """
        with self._changing:
            if self._closed or device == self.device:
                return self.said
            new: Speaker | Silence = Silence()
            said = "The sound device is off: the live page can play the sound."
            if device:
                if self._barred is not None:
                    return self._barred
                try:
                    new = Speaker(on_lost=self._on_lost, device=self._device)
                except SoundError as error:
                    return f"No sound device was found ({error})."
                said = f"Sound plays through {new.backend}."
            with self._using:
                old, self.output, self._said = self.output, new, said
            old.close()
            return said

    def close(self) -> None:
        """Close where the sound goes."""
        with self._changing, self._using:
            self._closed = True
            self.output.close()


def open_sound(
    prefer: Literal["device", "wav", "none"] = "device",
    wav: Path | None = None,
    *,
    start_s: float = 0.0,
    on_lost: Callable[[str], object] | None = None,
    device: str | None = None,
    barred: str | None = None,
) -> Sound:
    """Open the wanted output, or the next best.

    Parameters
    ----------
    prefer : {"device", "wav", "none"}
    wav : Path, optional
        The WAV file: needed for "wav", and used for "device" where there is none.
    on_lost, device
        As for `Speaker`.
    barred : str, optional
        As for `Sound`; said of no sound, too.
    start_s : float
        Session time of the WAV file's first sample, s.

    Raises
    ------
    SoundError
        The WAV file cannot be written, or "wav" without a file.
    """

    def sound(output: Speaker | WavFile | Silence, said: str) -> Sound:
        return Sound(output, said, on_lost, device, barred)

    if prefer == "none":
        return sound(Silence(), barred or "Sound is off.")
    if prefer == "wav":
        if wav is None:
            raise SoundError("sound to a WAV file: expected the file's path")
        file = WavFile(wav, start_s, on_lost=on_lost)
        return sound(file, f"The sound is written to {wav}.")
    try:
        speaker = Speaker(on_lost=on_lost, device=device)
    except SoundError as error:
        if wav is None:
            return sound(Silence(), f"No sound device was found ({error}): there is no sound.")
        file = WavFile(wav, start_s, on_lost=on_lost)
        return sound(file, f"No sound device was found ({error}): the sound is written to {wav}.")
    return sound(speaker, f"Sound plays through {speaker.backend}.")
