"""One page for the player as a PDF, set without network and with no font but the wheel's own.

Fonts of the system come in only for signs that those of the wheel lack, and where these lack them
too the page is refused: a name is never printed with holes.
"""

import json
import re
import tempfile
from dataclasses import dataclass
from datetime import date
from importlib import resources
from pathlib import Path
from typing import Any, Literal

from plantigrade_gateway.errors import GatewayError

PAPERS = {"a4": "a4", "letter": "us-letter"}
SHADE = "Darker: more weight."
FOOT = "Stop if it hurts. This is a training aid and no diagnosis."
_STANDARDS: list[Literal["a-2a", "ua-1"]] = ["a-2a", "ua-1"]
"""Archival and accessible; together they refuse a sign that no font has (typst 0.15)."""
_MISSING = re.compile(r"""(?:the text|the codepoint) `("[^`]*")`""")
"""How typst names such a sign, or one that no font can have (private use)."""


@dataclass(frozen=True, slots=True)
class FootPicture:
    """A foot as it stands.

    Attributes
    ----------
    side : str
        ``"left"`` or ``"right"``.
    picture : str
        SVG.
    alt : str
        The same in words, for who cannot see it.
    says : str
        One line: ``"Your left foot …"``.
    """

    side: str
    picture: str
    alt: str
    says: str


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment of a swing: SVG of both feet, the same in words, and what it is."""

    picture: str
    alt: str
    says: str


@dataclass(frozen=True, slots=True)
class Practice:
    """A drill to do: what, and lines on how many and how it should feel."""

    what: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PlayerPage:
    """What stands on the page; what is empty is left out.

    Attributes
    ----------
    name : str
        A name or a code.
    under : str
        Date and shoe.
    feet : tuple of FootPicture
        The left one first.
    moments : tuple of Moment
        Three, in order of time.
    swing : str
        One line on the swing shown.
    decided : tuple of str
        The coach's words, three lines at most.
    drills : tuple of Practice
        Two at most.
    speed, pushes, next_visit : str
    day : date or None
        Of the visit; what the file says of when it was made. None: now.
    """

    name: str
    under: str
    feet: tuple[FootPicture, ...] = ()
    moments: tuple[Moment, ...] = ()
    swing: str = ""
    decided: tuple[str, ...] = ()
    drills: tuple[Practice, ...] = ()
    speed: str = ""
    pushes: str = ""
    next_visit: str = ""
    day: date | None = None

    @property
    def last(self) -> tuple[tuple[str, str], ...]:
        """Return the lines at the end with their labels, those that say something."""
        lines = (
            ("Speed:", self.speed),
            ("Good pushes:", self.pushes),
            ("Next visit:", self.next_visit),
        )
        return tuple((label, says) for label, says in lines if says)

    @property
    def texts(self) -> tuple[str, ...]:
        """Return all that is to be read beside the labels."""
        found = (
            *(foot.says for foot in self.feet),
            *(moment.says for moment in self.moments),
            self.swing,
            *self.decided,
            *(text for drill in self.drills for text in (drill.what, *drill.lines)),
            *(says for _, says in self.last),
        )
        return tuple(text for text in found if text)


_LONG_WORD = re.compile(r"\S{24}")
_MAY_BREAK = "\u200b"  # zero width space, UAX #14 class ZW


class NotPrinted(GatewayError):
    """The page cannot be set as it should."""


def pdf(page: PlayerPage, paper: str = "a4") -> bytes:
    """Return the page as PDF.

    Parameters
    ----------
    page : PlayerPage
    paper : str
        One of `PAPERS`.

    Raises
    ------
    NotPrinted
        A text does not fit even in small type, or holds a sign that no font here has: one sentence
        that names it.
    """
    data = _data(page, paper)
    try:
        return _set(data, system=False)
    except _MissingSign:
        pass
    try:
        return _set({**data, "fonts": _families()}, system=True)
    except _MissingSign as error:
        raise NotPrinted(
            f"page: no font here can print {error}, expected letters of an installed font; install "
            "one, or write the name in other letters"
        ) from None


class _MissingSign(Exception):
    """The text that no font has, in quotes."""


def _families() -> list[str]:
    import typst

    own = set(typst.Fonts(include_system_fonts=False).families())
    return [name for name in typst.Fonts(include_system_fonts=True).families() if name not in own]


def _set(data: dict[str, Any], *, system: bool) -> bytes:
    import typst

    template = resources.files("plantigrade_gateway") / "report" / "player_page.typ"
    try:
        # In a folder of its own: the compiler reads no other file.
        with tempfile.TemporaryDirectory() as folder, resources.as_file(template) as path:
            source = Path(folder) / "page.typ"
            source.write_bytes(path.read_bytes())
            compiler = typst.Compiler(
                str(source),
                root=folder,
                font_paths=typst.Fonts(include_system_fonts=system, include_embedded_fonts=True),
                sys_inputs={"data": json.dumps(data)},
            )
            check = json.loads(compiler.query("<check>", field="value", one=True))
            if check["overflow"] or check["pages"] != 1:
                what = " and ".join(check["overflow"]) or "page"
                raise NotPrinted(f"page: the text of {what} is too long for one page")
            found = compiler.compile(format="pdf", pdf_standards=list(_STANDARDS))
    except typst.TypstError as error:
        missing = _MISSING.search(str(error))
        if missing is None:
            raise
        raise _MissingSign(missing[1]) from error
    assert isinstance(found, bytes)  # a list is made of pictures alone
    return found


def _data(page: PlayerPage, paper: str) -> dict[str, Any]:
    """Return what the template is given; of what people wrote, long words may break anywhere."""
    return {
        "title": f"{page.name}, {page.under}",
        "paper": PAPERS[paper],
        "day": None if page.day is None else [page.day.year, page.day.month, page.day.day],
        "fonts": [],
        "name": _breakable(page.name),
        "under": _breakable(page.under),
        "feet": [
            {"side": f.side, "picture": f.picture, "alt": f.alt, "says": f.says} for f in page.feet
        ],
        "shade": SHADE,
        "moments": [{"picture": m.picture, "alt": m.alt, "says": m.says} for m in page.moments],
        "swing": page.swing,
        "decided": [_breakable(text) for text in page.decided],
        "drills": [{"what": d.what, "lines": list(d.lines)} for d in page.drills],
        "last": [{"label": label, "says": _breakable(says)} for label, says in page.last],
        "foot": FOOT,
    }


def _breakable(text: str) -> str:
    """Return a text of which no word is wider than the page: a longer one would leave it."""
    return _LONG_WORD.sub(f"\\g<0>{_MAY_BREAK}", text)
