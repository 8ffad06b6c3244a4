"""The way into a bay from its hub: answers, as the bay's own client has read them off the wire."""

import asyncio
import json
from pathlib import Path
from typing import Any

from tests.support.fakehub import TOKEN
from tests.support.ways import Way

from plantigrade_gateway.config import load
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.sync.changes import Exchange
from plantigrade_gateway.sync.link import LARGEST_ANSWER, Hub

_ID = "ab" * 16


class _Said(Hub):
    """A hub that says what it is told to."""

    said = b""

    async def _ask(
        self, method: str, path: str, body: object = None, most_bytes: int = LARGEST_ANSWER
    ) -> tuple[int, bytes]:
        return 200, self.said


def hub_answers(folder: Path, register: Register) -> Way:
    """Every answer to a question after a session, and as changes merged into a real log."""
    (folder / "s.toml").write_text("", "utf-8")
    environment = {"PLANTIGRADE_HUB_URL": "https://hub", "PLANTIGRADE_HUB_TOKEN": TOKEN}
    hub = _Said(load(folder / "s.toml", environment))
    exchange = Exchange(register, hub)

    def take(data: bytes) -> bool:
        hub.said = data
        about = b"pieces" in data
        asyncio.run(_asked(hub) if about else _merged(exchange))
        return True

    change: dict[str, Any] = {
        **{"change_id": "1" * 32, "entity": "player", "entity_id": "2" * 32, "field": "name"},
        **{"value": ["Ann", 1.5, None], "author": "coach", "wall_utc_ms": 10**12, "hlc": 5 << 16},
        **{"site": "3" * 32, "seq": 1},
    }
    whole = {"changes": [change], "restamps": [["4" * 32, 7]], "has": {"3" * 32: 1, "5" * 32: 3}}
    received = {"pieces": 7, "is_whole": False, "is_deleted": False}
    return Way("hub answer", [json.dumps(each).encode() for each in (whole, received)], take)


async def _asked(hub: Hub) -> None:
    await hub.received(_ID)


async def _merged(exchange: Exchange) -> None:
    await exchange.round()
