"""Looking whether this bay reaches its hub, and if not, why."""

import time
from dataclasses import dataclass

from plantigrade_gateway.config import Config
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.store.store import new_session_id
from plantigrade_gateway.sync.link import Hub, HubAway, HubRefused


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found.

    Attributes
    ----------
    well : bool
    found : str
        A line; where it is not well, why.
    """

    well: bool
    found: str


async def check(config: Config) -> Finding:
    """Ask the hub for a session that nobody has.

    Raises
    ------
    InputError
        No hub is set, or the credential or the certificate's file cannot be used.
    """
    if config.text("hub.url") is None:
        raise InputError("hub.url: is not set, so this bay is alone; see plantigrade settings")
    async with Hub(config) as hub:
        began_s = time.monotonic()
        try:
            await hub.received(new_session_id())
        except (HubAway, HubRefused) as error:
            return Finding(False, str(error))
        took_ms = 1e3 * (time.monotonic() - began_s)
        return Finding(True, f"hub {hub.url}: answers within {took_ms:.0f} ms and knows this bay")
