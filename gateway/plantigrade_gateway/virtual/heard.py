"""What a scan hears of one device, as bleak tells it; needs the optional extra ``virtual``.

Anybody near may send anything: what cannot be read is left out, for nothing else would catch it.
"""

import contextlib
import struct
from typing import Any

from bleak.backends.scanner import AdvertisementData
from bleak.uuids import normalize_uuid_str
from bumble import core
from bumble.core import AdvertisingData
from bumble.device import Advertisement

_AD = AdvertisingData.Type
_SERVICE_LISTS = (
    _AD.COMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS,
    _AD.INCOMPLETE_LIST_OF_16_BIT_SERVICE_CLASS_UUIDS,
    _AD.COMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS,
    _AD.INCOMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS,
)
_SERVICE_DATA = (_AD.SERVICE_DATA_16_BIT_UUID, _AD.SERVICE_DATA_128_BIT_UUID)


def uuid_text(uuid: core.UUID) -> str:
    """Return a UUID as bleak writes them."""
    return normalize_uuid_str(uuid.to_hex_str("-"))


def heard(advertisement: Advertisement) -> AdvertisementData:
    """Return what an advertisement says."""
    data = advertisement.data
    services = (group for kind in _SERVICE_LISTS for group in _parts(data, kind))
    names = (*_parts(data, _AD.COMPLETE_LOCAL_NAME), *_parts(data, _AD.SHORTENED_LOCAL_NAME))
    makers = _parts(data, _AD.MANUFACTURER_SPECIFIC_DATA)
    return AdvertisementData(
        local_name=next(iter(names), None),
        manufacturer_data={int(number): bytes(value) for number, value in makers},
        service_data={
            uuid_text(u): bytes(value) for kind in _SERVICE_DATA for u, value in _parts(data, kind)
        },
        service_uuids=list(dict.fromkeys(uuid_text(u) for group in services for u in group)),
        tx_power=next(iter(_parts(data, _AD.TX_POWER_LEVEL)), None),
        rssi=advertisement.rssi,
        platform_data=(advertisement,),
    )


def _parts(data: AdvertisingData, kind: int) -> list[Any]:
    """Return an advertisement's parts of a kind, of whatever type these are.

    A name that is no UTF-8 is read as far as it is.
    """
    found: list[Any] = []
    for there, raw in data.ad_structures:
        if there != kind:
            continue
        if kind in (_AD.COMPLETE_LOCAL_NAME, _AD.SHORTENED_LOCAL_NAME):
            found.append(raw.decode(errors="replace"))
            continue
        with contextlib.suppress(core.BaseBumbleError, struct.error, ValueError):
            found.append(AdvertisingData.ad_data_to_object(_AD(kind), raw))
    return found
