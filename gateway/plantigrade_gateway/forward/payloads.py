"""What is published: topics and JSON payloads (`hardware_notes/mqtt_topics.md`). Pure.

Names of people stand in no topic and no payload; ids do. A message's ``id`` is the identity of what
it tells: one that has been seen before is the same again.
"""

import json
from datetime import UTC, datetime
from typing import Any

from plantigrade_gateway.forward.lines import NAMED
from plantigrade_gateway.store.enqueue import Item

VERSION = 1
"""Of topics and payloads: raised when a key goes or changes its meaning, not when one comes."""
EVENTS = ("step", "stand", "swing", "set", "cue", "session")
COMMANDS = ("start", "stop", "mark", "drill")
_LONGEST_TEXT = 200


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
    return _text({**table, "body": item.body})


def state(word: str, time_ms: int | None) -> str:
    """Return the bay's state: ``online``, ``stopped``, or as a will ``away``."""
    return _text({"v": VERSION, "state": word, "time": None if time_ms is None else utc(time_ms)})


def live(message: dict[str, Any]) -> str:
    """Return a live summary; it is of the moment, and none is sent twice."""
    return _text({"v": VERSION, **{k: v for k, v in message.items() if k != "type"}})


def command(data: bytes | bytearray | str) -> dict[str, Any]:
    """Read a command.

    Returns
    -------
    dict
        As a page's message (`hardware_notes/live_messages.md`), with the command's ``id``.

    Raises
    ------
    ValueError
        It is none; one sentence.
    """
    try:
        table = json.loads(data)
    except ValueError:
        raise ValueError("command: is not JSON") from None
    if not isinstance(table, dict) or table.get("v") != VERSION:
        raise ValueError(f"command: expected an object with v {VERSION}")
    name, text, ident = table.get("command"), table.get("text", ""), table.get("id")
    if name not in COMMANDS:
        raise ValueError(f"command: is {name!r}, expected {', '.join(COMMANDS)}")
    if not isinstance(text, str) or len(text) > _LONGEST_TEXT:
        raise ValueError(f"command: text is no text of up to {_LONGEST_TEXT} characters")
    if not isinstance(ident, str) or not 0 < len(ident) <= 64:
        raise ValueError("command: expected an id, so that one that comes twice is obeyed once")
    if name == "start":
        return {"type": "record", "id": ident}
    if name == "drill":
        return {"type": "drill", "name": text or None, "id": ident}
    return (
        {"type": "mark", "text": text, "id": ident}
        if name == "mark"
        else {
            "type": "stop",
            "id": ident,
        }
    )


def utc(time_ms: int) -> str:
    """Return a time as ISO text with milliseconds."""
    when = datetime.fromtimestamp(time_ms / 1e3, UTC)
    return when.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _text(table: dict[str, Any]) -> str:
    return json.dumps(table, allow_nan=False, separators=(",", ":"))
