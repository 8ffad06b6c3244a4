"""The insoles this installation knows: one left and one right, remembered in the store."""

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from plantigrade.block import Foot
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.store.rows import utc_text
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.gatt import KnownInsole

if TYPE_CHECKING:
    pass

FITS_MM = 5.0
"""An insole may differ from the footbed by so much (ours: half a shoe size is 3 to 4 mm)."""


def remember(store: Store, insole: KnownInsole) -> None:
    """Remember an insole, in place of the one that was known for its foot."""
    with store.database.writing() as db:
        db.execute("DELETE FROM insoles WHERE foot = ? OR serial = ?", (insole.foot, insole.serial))
        db.execute(
            "INSERT INTO insoles (serial, foot, name, address, length_mm, paired_utc)"
            " VALUES (?, ?, ?, ?, ?, ?)",
            (
                insole.serial,
                str(insole.foot),
                insole.name,
                insole.address,
                insole.length_mm,
                utc_text(datetime.now(UTC)),
            ),
        )


def known(store: Store) -> list[KnownInsole]:
    """Return the insoles that are remembered, left first."""
    rows = store.database.read(
        "SELECT serial, foot, name, address, length_mm FROM insoles ORDER BY foot"
    )
    return [KnownInsole(a, Foot(b), c, d, e) for a, b, c, d, e in rows]


def forget(store: Store, foot: Foot) -> None:
    """Forget the insole of a foot.

    Raises
    ------
    InputError
        None is known.
    """
    with store.database.writing() as db:
        if not db.execute("DELETE FROM insoles WHERE foot = ?", (str(foot),)).rowcount:
            raise InputError(f"{foot} insole: none is remembered, see plantigrade pair")


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
