"""The insoles this installation knows: one left and one right of each pair, in the store.

A pair has a name where there are several; the usual one's is empty.
"""

import re
from collections.abc import Iterable
from datetime import UTC, datetime

from plantigrade.block import Foot
from plantigrade.errors import shown
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.store.rows import utc_text
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.gatt import KnownInsole
from plantigrade_gateway.wire.information import Information, read_information, version_text

FITS_MM = 5.0
"""An insole may differ from the footbed by so much (ours: half a shoe size is 3 to 4 mm)."""


_PAIR_NAME = re.compile("[A-Za-z0-9_-]{1,16}")


def checked_pair(name: str) -> str:
    """Return a pair's name; it stands in files' names and before what is said of the pair.

    Raises
    ------
    InputError
        It cannot be one.
    """
    if not _PAIR_NAME.fullmatch(name):
        raise InputError(f"pair {shown(name)}: expected up to 16 letters, digits, - and _")
    return name


def remember(store: Store, insole: KnownInsole, pair: str = "") -> None:
    """Remember an insole of a pair, in place of the one that was known for its foot.

    It is of no other pair any more.
    """
    said = insole.information
    with store.database.writing() as db:
        db.execute(
            "DELETE FROM insoles WHERE (foot = ? AND pair = ?) OR serial = ?",
            (insole.foot, pair, insole.serial),
        )
        db.execute(
            "INSERT INTO insoles (serial, foot, name, address, length_mm, paired_utc, information,"
            " bonded, pair) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                insole.serial,
                str(insole.foot),
                insole.name,
                insole.address,
                insole.length_mm,
                utc_text(datetime.now(UTC)),
                None if said is None else said.encode(),
                insole.bonded,
                pair,
            ),
        )
    if said is not None:
        note_firmware(store, insole.serial, said.firmware, said.hardware)


def known(store: Store, pair: str = "") -> list[KnownInsole]:
    """Return the insoles of a pair that are remembered, left first."""
    found = [k for name, k in pairs(store).items() if name.casefold() == pair.casefold()]
    return found[0] if found else []


def pairs(store: Store) -> dict[str, list[KnownInsole]]:
    """Return all that are remembered, by the pair's name; the usual pair first, left first."""
    found: dict[str, list[KnownInsole]] = {}
    name = ""
    for a, b, c, d, e, f, g, h, pair in store.database.read(
        "SELECT serial, foot, name, address, length_mm, information, firmware, bonded, pair"
        " FROM insoles ORDER BY pair, foot"
    ):
        said = None if f is None else read_information(f)
        name = name if pair.casefold() == name.casefold() else pair  # as one of them has it
        found.setdefault(name, []).append(KnownInsole(a, Foot(b), c, d, e, said, g, bool(h)))
    return found


def forget(store: Store, foot: Foot, pair: str = "") -> None:
    """Forget a pair's insole of a foot.

    Raises
    ------
    InputError
        None is known.
    """
    with store.database.writing() as db:
        gone = db.execute("DELETE FROM insoles WHERE foot = ? AND pair = ?", (str(foot), pair))
        if not gone.rowcount:
            of_pair = f" of pair {pair}" if pair else ""
            raise InputError(f"{foot} insole: none{of_pair} is remembered, see plantigrade pair")


def note_firmware(store: Store, serial: int, firmware: int, hardware: int | None) -> None:
    """Note the firmware that an insole runs, and on which kind of insole it was seen."""
    with store.database.writing() as db:
        db.execute("UPDATE insoles SET firmware = ? WHERE serial = ?", (firmware, serial))
        if hardware is not None:
            db.execute(
                "INSERT INTO firmware (hardware, newest) VALUES (?, ?) ON CONFLICT (hardware)"
                " DO UPDATE SET newest = max(newest, excluded.newest)",
                (hardware, firmware),
            )


def firmware_said(store: Store, insole: KnownInsole) -> str | None:
    """Return an insole's firmware as it was seen last, and whether there is a newer one.

    None where it has not been seen. Newer is what was ever seen here on the same kind of insole.
    """
    rows = list(
        store.database.read("SELECT firmware FROM insoles WHERE serial = ?", (insole.serial,))
    )
    if not rows or rows[0][0] is None:
        return None
    (firmware,) = rows[0]
    text = f"firmware {version_text(firmware)}"
    if insole.information is None:
        return text
    newest = [
        row[0]
        for row in store.database.read(
            "SELECT newest FROM firmware WHERE hardware = ?", (insole.information.hardware,)
        )
    ]
    if not newest or newest[0] <= firmware:
        return text
    return (
        f"{text}, older than {version_text(newest[0])}, which was seen on an insole of its kind: "
        "update it"
    )


def layout_of(pair: Iterable[KnownInsole]) -> str:
    """Return the zones of a pair, as a session's settings keep them.

    Raises
    ------
    InputError
        The two insoles have different ones.
    """
    pair = list(pair)
    if text := layout_difference(pair):
        raise InputError(text)
    return pair[0].layout if pair else "eighteen"


def layout_difference(pair: list[KnownInsole]) -> str:
    """Say how the zones of two insoles differ; empty where they do not."""
    tables = {None if k.information is None else k.information.table for k in pair}
    if len(tables) < 2:
        return ""
    counts = " and ".join(f"the {k.foot} {_zones(k.information)}" for k in pair)
    return (
        f"the two insoles have different zones ({counts}) and cannot be used together: pair two of "
        "one kind"
    )


def _zones(said: Information | None) -> str:
    if said is None or said.table is None:
        return "the built-in eighteen"
    return f"{said.zones} of kind {said.hardware:04X}"


def size_notes(pair: list[KnownInsole], footbed_mm: float | None = None) -> list[str]:
    """Say what is wrong with the insoles' sizes, as far as lengths tell.

    Parameters
    ----------
    pair : list of KnownInsole
    footbed_mm : float or None
        Inner length of the player's shoe.
    """
    notes = []
    if len({insole.length_mm for insole in pair}) > 1:
        sizes = " and ".join(f"{k.foot} {k.length_mm} mm" for k in pair)
        notes.append(f"The two insoles differ in size ({sizes}): check that they are a pair.")
    for insole in pair:
        if footbed_mm is not None and abs(insole.length_mm - footbed_mm) > FITS_MM:
            notes.append(
                f"The {insole.label} is {insole.length_mm} mm long and the footbed "
                f"{footbed_mm:.0f} mm: the insole must end where the footbed ends."
            )
    return notes
