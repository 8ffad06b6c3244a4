"""A session's settings: what its results depend on beside the packets. Kept in the record."""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace

from plantigrade.block import Foot
from plantigrade.errors import ForeignError, SignalError, shown
from plantigrade.foreign import read_json
from plantigrade.limits import G_M_S2, LIMITS, Limits, setup_for
from plantigrade.zones import ZoneLayout, eighteen, parse_layout
from plantigrade_gateway.errors import InputError, RecordError
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind

ASSUMED_MASS_KG = 75.0
"""Taken where nobody gave a mass; said wherever × BW is shown (ours)."""
HANDED = {"right": Foot.LEFT, "left": Foot.RIGHT}
"""Lead foot by handedness."""
_LIMITS = {info.name for info in LIMITS}


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
    limits : Limits
        What the measures are decided by. Only those that differ from their defaults are kept: the
        others follow the program, as all that it does.
    """

    mass_kg: float | None = None
    handed: str = "right"
    layout: str = "eighteen"
    bw_n: float | None = None
    note: str = ""
    limits: Limits = field(default_factory=Limits)

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

    @property
    def heel_lift_n(self) -> float:
        """The load under which the lead heel is unloaded, N; it depends on no sample rate."""
        setup = setup_for(self.zone_layout(), 100.0, self.body_weight_n, self.lead, self.limits)
        return setup.heel_lift_n

    def zone_layout(self) -> ZoneLayout:
        """Return the layout itself."""
        return zones_of(self.layout)

    def to_json(self) -> bytes:
        """Return the data of a SETTINGS entry."""
        table = {**asdict(self), "limits": self.limits.changed()}
        return json.dumps({"schema": 1, **table}).encode()

    def with_limits(
        self, installation: Mapping[str, float], session: Mapping[str, float]
    ) -> "SessionSettings":
        """Return these settings with other limits.

        Parameters
        ----------
        installation : mapping of str to float
            Limits by name that are usual here: they give way to those of these settings.
        session : mapping of str to float
            Limits by name that go before all others.

        Raises
        ------
        InputError
            Together they cannot be used: one sentence says which and why.
        """
        chosen = {**installation, **self.limits.changed(), **session}
        try:
            return replace(self, limits=Limits(**chosen))
        except SignalError as error:
            raise InputError(str(error)) from error

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
            limits = {k: float(v) for k, v in table.get("limits", {}).items() if k in _LIMITS}
            return cls(
                mass_kg=None if mass is None else float(mass),
                handed=str(table.get("handed", "right")),
                layout=str(table.get("layout", "eighteen")),
                bw_n=None if bw is None else float(bw),
                note=str(table.get("note", "")),
                limits=Limits(**limits),
            )
        except ForeignError as error:
            raise RecordError(str(error)) from error
        except SignalError as error:
            raise RecordError(f"settings entry: {error}") from error
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise RecordError(f"settings entry: not readable: {shown(error)}") from error


def zones_of(layout: str) -> ZoneLayout:
    """Return a layout of settings: "eighteen", or the TOML text of another."""
    return eighteen() if layout == "eighteen" else parse_layout(layout)


def settings_of(batch: Batch) -> SessionSettings | None:
    """Return the first settings in a batch, None where it holds none."""
    for entry in batch:
        if entry.kind is Kind.SETTINGS:
            return SessionSettings.from_json(entry.data)
    return None


def with_settings(
    batches: Iterable[Batch], change: Callable[[SessionSettings], SessionSettings]
) -> Iterator[Batch]:
    """Give a record with other settings, and with settings where it holds none.

    Parameters
    ----------
    batches : iterable of Batch
        A record from its beginning, however it is cut.
    change : callable
        Returns what stands in place of given settings.
    """
    first = True
    for batch in batches:
        if first and len(batch):
            first = False
            at, data = int(batch.arrival_ns[0]), change(SessionSettings()).to_json()
            yield Batch.of([Entry(at, SESSION, Kind.SETTINGS, data)])
        if not (batch.kind == Kind.SETTINGS).any():
            yield batch
            continue
        yield Batch.of([_changed(entry, change) for entry in batch])


def _changed(entry: Entry, change: Callable[[SessionSettings], SessionSettings]) -> Entry:
    if entry.kind is not Kind.SETTINGS:
        return entry
    return replace(entry, data=change(SessionSettings.from_json(entry.data)).to_json())
