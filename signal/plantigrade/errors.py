"""Every error the signal package raises on purpose, and how a sentence shows what it is about."""

import re
import reprlib

MOST_SHOWN = 60
"""Characters of a value in an error (ours)."""
MOST_SAID = 600
"""Characters of an error (ours)."""

# C0 but for tab and line feed, DEL, C1; halves of a character; signs that turn the direction of
# writing (Unicode 15, UAX 9 table 1), behind which a name can hide.
_SIGNS = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]"
)


def plain(text: str) -> str:
    """Return a text without what steers a terminal, turns its writing or is half a character."""
    return _SIGNS.sub("", text)


def shown(value: object, *, quoted: bool = True) -> str:
    """Return a value as an error shows it: the beginning and the end of one that is long.

    Parameters
    ----------
    value : object
        Somebody's, of any size and depth.
    quoted : bool
        As Python writes it; else a text by itself.
    """
    if not quoted:
        return _cut(plain(str(value)), 2 * MOST_SHOWN)
    return _cut(plain(_SHORT.repr(value)), MOST_SHOWN)


def sentence(text: str) -> str:
    """Return an error's text: plain, and of bounded length without losing how it ends."""
    return _cut(plain(text), MOST_SAID)


def _cut(text: str, most: int) -> str:
    if len(text) <= most:
        return text
    head = (most - 1) * 2 // 3
    return f"{text[:head]}…{text[len(text) - (most - 1 - head) :]}"


def _short() -> reprlib.Repr:
    made = reprlib.Repr()
    made.maxstring = made.maxother = made.maxlong = 2 * MOST_SHOWN
    made.maxlevel = 3
    return made


_SHORT = _short()


class SignalError(ValueError):
    """Root of the signal package's errors; its text is one sentence for the user."""

    def __init__(self, text: str) -> None:
        super().__init__(sentence(text))


class ForeignError(SignalError):
    """A text of somebody else's that is not JSON or TOML, or is beyond all bounds."""


class LayoutError(SignalError):
    """A zone layout that cannot be used."""


class CalibrationError(SignalError):
    """A calibration that cannot be used, or data too poor to calibrate from."""


class SampleError(SignalError):
    """Samples whose shape, order or values no measure can be made from."""
