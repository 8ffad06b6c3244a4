"""Insoles with other firmware: what a plug-in gives, and which plug-ins are installed.

A plug-in is a package with an entry point in the group ``plantigrade.firmware`` that names an
object with the members of `Firmware`. What it makes of each notification is recorded in the wire
format, so that a stored session can be analysed without the plug-in.
"""

from collections.abc import Callable, Mapping, Sequence
from importlib.metadata import entry_points
from typing import Protocol, runtime_checkable

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.wire.gatt import Announcement
from plantigrade_gateway.wire.messages import DataPacket

GROUP = "plantigrade.firmware"

Decode = Callable[[bytes], Sequence[DataPacket]]
"""One notification's bytes → the packets in it, in order; called at once, for every one."""


@runtime_checkable
class Firmware(Protocol):
    """What a plug-in knows of its insoles.

    Attributes
    ----------
    name : str
    service : str
        UUID of a service that they advertise, in full and in small letters.
    data : str
        UUID of the characteristic that notifies.
    """

    name: str
    service: str
    data: str

    def announcement(
        self,
        local_name: str,
        service_data: Mapping[str, bytes],
        manufacturer_data: Mapping[int, bytes],
    ) -> Announcement | None:
        """Return who an advertisement is from; None where it is not one of these insoles."""

    def begin(self) -> Sequence[tuple[str, bytes]]:
        """Return what is written to which characteristics, in order, to have it stream."""

    def end(self) -> Sequence[tuple[str, bytes]]:
        """Return what is written to end that."""

    def decoder(self, said: Announcement) -> Decode:
        """Return a new decoder for one connection to one insole.

        Its packets keep the wire format's promises (`wire_format.md` §3): the counter tells of
        lost packets, the clock of when samples were taken, and both begin again only with `first`.
        """


def installed() -> list[Firmware]:
    """Return the plug-ins that are installed.

    Raises
    ------
    InputError
        One cannot be loaded, or lacks something; says which.
    """
    found: list[Firmware] = []
    for point in entry_points(group=GROUP):
        try:
            plugin = point.load()
        except Exception as error:  # whatever a stranger's module raises
            raise InputError(
                f"plug-in {point.name} ({point.value}): cannot be loaded: {error!r}; "
                "repair it or uninstall it"
            ) from error
        if not isinstance(plugin, Firmware):
            raise InputError(
                f"plug-in {point.name} ({point.value}): expected an object with the members of "
                "plantigrade_gateway.sources.plugin.Firmware"
            )
        found.append(plugin)
    return found
