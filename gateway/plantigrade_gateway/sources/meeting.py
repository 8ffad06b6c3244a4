"""Meeting an insole that is to be remembered: connect once, and ask what it is."""

from dataclasses import dataclass

from plantigrade.calibrate import Calibration
from plantigrade_gateway.errors import BluetoothError
from plantigrade_gateway.sources.bluetooth import Radio, Sighting
from plantigrade_gateway.sources.link import open_insole
from plantigrade_gateway.wire.information import Information


@dataclass(frozen=True, slots=True)
class Met:
    """What an insole said of itself.

    Attributes
    ----------
    information : Information or None
        None: it has no such block.
    curve : Calibration or None
        The curve that it stores.
    firmware : int or None
        Major × 256 + minor; None: its firmware is a plug-in's.
    """

    information: Information | None = None
    curve: Calibration | None = None
    firmware: int | None = None


async def meet(sighting: Sighting, radio: Radio, bond: bool = False) -> Met:
    """Connect to an insole that was heard, and return what it says of itself.

    Parameters
    ----------
    sighting : Sighting
    radio : Radio
    bond : bool
        Pair with it by Bluetooth's own means first (`gatt_profile.md` §9).

    Raises
    ------
    BluetoothError
        It cannot be connected to, is not who it announces, or cannot be used: one sentence.
    """
    if sighting.firmware is not None:
        return Met()
    link = await open_insole(sighting, radio, lambda: None, bond=bond)
    try:
        said = sighting.announcement
        if link.who != (said.serial, said.foot):
            raise BluetoothError(
                f"{sighting.label}: says it is the {link.who[1]} insole {link.who[0]:08X}; "
                "it is left alone"
            )
        return Met(link.information, await link.stored_curve(), link.firmware)
    finally:
        await link.close()
