"""Measured footprints of players: what was read of each, and its picture where that may be kept.

The numbers are said of the player like anything else; the pictures are apart, so that nobody loads
them who reads the numbers. A deletion takes both.
"""

import base64
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from plantigrade.footprint import ArchIndex, Marks, PrintIndex, arch_index
from plantigrade_gateway.converter import made, plain
from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.people.change import Change
from plantigrade_gateway.people.log import new_id
from plantigrade_gateway.people.players import PLAYER, Register
from plantigrade_gateway.people.profile import FEET, one_of, utc

PHOTO = "print"
"""The log's word for the picture of a print, whose id it has: it is deleted by itself."""
_JPEG = "jpeg"
FIELD = "footprint:"
"""Fields of the form ``footprint:ID``; one that is None was taken away."""
HOW = ("walking", "standing")
"""How the foot made its print; the first is the better one, and is shown where there are both."""
MOST_PICTURE = 600_000
"""Bytes of a picture that is kept (ours)."""


@dataclass(frozen=True, slots=True)
class Footprint:
    """A print as it was read.

    Attributes
    ----------
    foot, how : str
        One of `FEET`, one of `HOW`.
    is_mirrored : bool
        Whether the photo was, as somebody said or the target page showed.
    index, half_width : float
        Arch index, and half its interval but for what other prints would show.
    area_mm2, length_mm : float
        Without toes; right where the target page was printed at 100 %.
    level : float
        The threshold.
    marks : tuple of tuple of float
        Heel, second toe, two points of the toe line: mm on the flat picture.
    sheet : str
        What it lies on.
    """

    foot: str
    how: str
    is_mirrored: bool
    index: float
    half_width: float
    area_mm2: float
    length_mm: float
    level: float
    marks: tuple[tuple[float, float], ...]
    sheet: str

    @property
    def said(self) -> str:
        """Return it as one sentence."""
        return (
            f"{self.foot} foot, {self.how}: arch index {self.index:.3f} ± {self.half_width:.3f} "
            f"for this print, {self.area_mm2 / 100:.0f} cm² without toes, "
            f"{self.length_mm:.0f} mm long."
        )

    @classmethod
    def of(
        cls,
        found: PrintIndex,
        marks: Marks,
        *,
        foot: str,
        how: str,
        is_mirrored: bool,
        level: float,
        sheet: str,
    ) -> "Footprint":
        """Return what is kept of a print that was read.

        Raises
        ------
        InputError
            There is no such foot, or no such way to make a print.
        """
        return cls(
            one_of(foot, FEET, "foot"),
            one_of(how, HOW, "print"),
            is_mirrored,
            found.index,
            found.half_width,
            found.thirds.area_mm2,
            found.thirds.length_mm,
            level,
            (marks.heel, marks.second_toe, *marks.toe_line),
            sheet,
        )


@dataclass(frozen=True, slots=True)
class Taken:
    """A print that is kept: its id, when it was taken in, and whether its picture is there."""

    print_id: str
    footprint: Footprint
    when: datetime
    has_picture: bool


class Prints:
    """The footprints of a store's players."""

    def __init__(self, register: Register) -> None:
        self._register = register

    def keep(self, player_id: str, footprint: Footprint, picture: bytes | None = None) -> str:
        """Keep a print, and its picture; return its id.

        Parameters
        ----------
        player_id : str
        footprint : Footprint
        picture : bytes or None
            Of the sheet alone, made anew from its pixels: it says nothing of place, time or camera.

        Raises
        ------
        InputError
            The same print is kept already, which would count twice; or the picture may not be kept:
            there is no consent to it, or it is too large.
        StoreError
            There is no such player.
        """
        register = self._register
        register.profile(player_id)
        if any(one.footprint == footprint for one in self.of(player_id)):
            raise InputError("print: the same is kept already; take another print of this foot")
        if picture is not None:
            self._check_picture(player_id, picture)
        print_id = new_id()
        with register.explained():
            said = {"footprint": plain(footprint), "has_picture": picture is not None}
            register.log.say(PLAYER, player_id, {f"{FIELD}{print_id}": said}, register.author)
            if picture is not None:
                text = base64.b64encode(picture).decode("ascii")
                register.log.say(PHOTO, print_id, {_JPEG: text}, register.author)
        return print_id

    def _check_picture(self, player_id: str, picture: bytes) -> None:
        today = datetime.now().astimezone().date()
        consents = self._register.consents(player_id, today)
        if not any(one.what == "record" and one.state == "given" for one in consents):
            raise InputError(
                "photo: is kept only with the consent to record, which this player has not given"
            )
        if len(picture) > MOST_PICTURE:
            raise InputError(f"photo: longer than {MOST_PICTURE:,} bytes, expected no more")

    def take_away(self, player_id: str, print_id: str) -> None:
        """Take a print away, its picture for good.

        Raises
        ------
        StoreError
            There is no such player, or no such print.
        """
        self._check_whose(player_id, print_id)
        register = self._register
        with register.explained():
            # The picture first: where the second is cut off, the print can be taken away again.
            register.log.delete([(PHOTO, print_id)], register.author)
            register.log.say(PLAYER, player_id, {f"{FIELD}{print_id}": None}, register.author)

    def _check_whose(self, player_id: str, print_id: str) -> None:
        if all(one.print_id != print_id for one in self.of(player_id)):
            raise StoreError(f"print {print_id[:8]}: not among this player's")

    def of(self, player_id: str) -> list[Taken]:
        """Return a player's prints, the first taken first."""
        last: dict[str, Change] = {}
        for change in self._register.changes(player_id):
            if change.field.startswith(FIELD):
                last[change.field.removeprefix(FIELD)] = change
        return [
            Taken(
                key,
                made(Footprint, change.value["footprint"]),
                utc(change),
                change.value["has_picture"],
            )
            for key, change in last.items()
            if change.value is not None
        ]

    def pictures(self, player_id: str) -> dict[str, bytes]:
        """Return the JPEGs that are kept of a player's prints, by the prints' ids."""
        return self._jpegs([one.print_id for one in self.of(player_id) if one.has_picture])

    def picture(self, player_id: str, print_id: str) -> bytes:
        """Return the JPEG of a player's print.

        Raises
        ------
        StoreError
            There is no such print of this player, or no picture of it is kept.
        """
        self._check_whose(player_id, print_id)
        found = self._jpegs([print_id])
        if not found:
            raise StoreError(f"print {print_id[:8]}: no picture of it is kept")
        return found[print_id]

    def _jpegs(self, print_ids: Sequence[str]) -> dict[str, bytes]:
        with self._register.explained():
            shown = self._register.log.all_shown(PHOTO, print_ids)
        return {key: base64.b64decode(fields[_JPEG]) for key, fields in shown.items()}


def indices(taken: Sequence[Taken], foot: str) -> dict[str, ArchIndex]:
    """Return a foot's arch index over its prints of each kind there are, the better kind first."""
    found = {}
    for how in HOW:
        mine = [
            one.footprint for one in taken if (one.footprint.foot, one.footprint.how) == (foot, how)
        ]
        if mine:
            found[how] = arch_index([(one.index, one.half_width) for one in mine])
    return found


def pictures_of(changes: Iterable[Change]) -> list[str]:
    """Return the ids of all prints whose picture was ever kept, from a player's changes."""
    return [
        change.field.removeprefix(FIELD)
        for change in changes
        if change.field.startswith(FIELD) and change.value and change.value["has_picture"]
    ]
