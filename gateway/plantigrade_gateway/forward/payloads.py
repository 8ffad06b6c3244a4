"""The broker's topics and messages as text (`hardware_notes/mqtt_topics.md`)."""

import json
from typing import Any

from plantigrade_gateway.forward.commands import VERSION
from plantigrade_gateway.forward.roster import utc
from plantigrade_gateway.store.enqueue import NAMED, Item


def base(site: str, bay: str) -> str:
    """Return what a bay's topics begin with."""
    return f"plantigrade/v{VERSION}/{site}/{bay}"


def topic(item: Item) -> str:
    """Return an item's topic, below the bay's."""
    return "link" if item.kind == "link" else f"events/{item.kind}"


def payload(item: Item) -> str:
    """Return an item's message."""
    table: dict[str, Any] = {
        "v": VERSION,
        "id": item.point_id,
        "kind": item.kind,
        "time": utc(item.time_ms),
    }
    if name := NAMED.get(item.kind):
        table[name] = int(item.name) if item.kind == "set" else item.name
    if item.kind != "link":
        table |= {
            "session": item.session,
            "player": item.player,
            "source": item.source,
            "revision": item.revision,
        }
    # The body goes as it is stored: reading and writing it again is a quarter of the work.
    return f'{_text(table)[:-1]},"body":{item.text}}}'


def state(word: str, time_ms: int | None) -> str:
    """Return the bay's state: ``online``, ``stopped``, or as a will ``away``."""
    return _text({"v": VERSION, "state": word, "time": None if time_ms is None else utc(time_ms)})


def live(message: dict[str, Any]) -> str:
    """Return a live summary or the bay's status; it is of the moment, and none is sent twice."""
    return _text({"v": VERSION, **{k: v for k, v in message.items() if k != "type"}})


def _text(table: dict[str, Any]) -> str:
    return json.dumps(table, allow_nan=False, separators=(",", ":"))
