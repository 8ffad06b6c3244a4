"""A session's settings: what its results depend on beside the packets. Kept in the record."""

import json
from dataclasses import asdict, dataclass

from plantigrade.block import Foot
from plantigrade.errors import ForeignError, shown
from plantigrade.foreign import read_json
from plantigrade.limits import G_M_S2
from plantigrade.zones import ZoneLayout, eighteen, parse_layout
from plantigrade_gateway.errors import RecordError
from plantigrade_gateway.record.entries import Batch, Kind

ASSUMED_MASS_KG = 75.0
"""Taken where nobody gave a mass; said wherever × BW is shown (ours)."""
HANDED = {"right": Foot.LEFT, "left": Foot.RIGHT}
"""Lead foot by handedness."""


@dataclass(frozen=True, slots=True)
class SessionSettings:
    """Settings as the record keeps them.

    Attributes
    ----------
    mass_kg : float or None
        The player's mass; None: not given.
    handed : str
        "right" or "left".
    layout : str
        "eighteen", or the TOML text of another layout.
    bw_n : float or None
        Body weight as the insoles see it, N, where it was measured; else from the mass.
    note : str
        For people.
    """

    mass_kg: float | None = None
    handed: str = "right"
    layout: str = "eighteen"
    bw_n: float | None = None
    note: str = ""

    def __post_init__(self) -> None:
        if self.handed not in HANDED:
            raise RecordError(f"settings: handed is {shown(self.handed)}, expected right or left")
        if self.mass_kg is not None and not 10.0 <= self.mass_kg <= 300.0:
            raise RecordError(f"settings: mass is {self.mass_kg:g} kg, expected 10 to 300")

        if self.bw_n is not None and not 50.0 <= self.bw_n <= 3000.0:
            raise RecordError(f"settings: body weight is {self.bw_n:g} N, expected 50 to 3000")

    @property
    def lead(self) -> Foot:
        """The foot nearer the target."""
        return HANDED[self.handed]

    @property
    def body_weight_n(self) -> float:
        """The yardstick of × BW, N."""
        if self.bw_n is not None:
            return self.bw_n
        return (ASSUMED_MASS_KG if self.mass_kg is None else self.mass_kg) * G_M_S2

    @property
    def body_weight_from(self) -> str:
        """Where `body_weight_n` comes from: "recording", "mass" or "assumed"."""
        if self.bw_n is not None:
            return "recording"
        return "assumed" if self.mass_kg is None else "mass"

    def zone_layout(self) -> ZoneLayout:
        """Return the layout itself."""
        return eighteen() if self.layout == "eighteen" else parse_layout(self.layout)

    def to_json(self) -> bytes:
        """Return the data of a SETTINGS entry."""
        return json.dumps({"schema": 1, **asdict(self)}).encode()

    @classmethod
    def from_json(cls, data: bytes) -> "SessionSettings":
        """Read the data of a SETTINGS entry.

        Raises
        ------
        RecordError
            Not JSON of schema 1; unknown keys are left out, so that later ones do no harm.
        """
        try:
            table = read_json(data, "settings entry")
            if table["schema"] != 1:
                raise RecordError(f"settings of schema {shown(table['schema'])}, expected 1")
            mass, bw = table.get("mass_kg"), table.get("bw_n")
            return cls(
                mass_kg=None if mass is None else float(mass),
                handed=str(table.get("handed", "right")),
                layout=str(table.get("layout", "eighteen")),
                bw_n=None if bw is None else float(bw),
                note=str(table.get("note", "")),
            )
        except ForeignError as error:
            raise RecordError(str(error)) from error
        except (ValueError, KeyError, TypeError) as error:
            raise RecordError(f"settings entry: not readable: {shown(error)}") from error


def settings_of(batch: Batch) -> SessionSettings | None:
    """Return the first settings in a batch, None where it holds none."""
    for entry in batch:
        if entry.kind is Kind.SETTINGS:
            return SessionSettings.from_json(entry.data)
    return None
