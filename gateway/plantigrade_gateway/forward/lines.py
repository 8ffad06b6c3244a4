"""An item of the outbox → lines of the line protocol (`hardware_notes/tsdb_schema.md`).

Tags are few and of low number. Fields are floats; a text that is one of a few is its place in
`CODES`; absent values are absent. One tag set and time is one point, so that sending it again
changes nothing. Times are ms.
"""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from plantigrade_gateway.store.enqueue import LOADS, REGIONS, Item, unpack_loads

PREFIX = "plantigrade_"
CODES: dict[str, tuple[str, ...]] = {
    "roll": ("unclear", "skipped", "through"),
    "bearing": ("unclear", "none", "slight", "bearing"),
    "heel_lift__state": ("unclear", "down", "lifted"),
    "push__manner": ("unclear", "held", "skipped", "rolled"),
    "push__timing": ("unclear", "early", "with_shift"),
    "finish_manner": ("time", "settled", "stepped"),
    "state": ("ended", "open"),
    "link": ("stopped", "pausing", "searching", "connecting", "streaming"),
}
"""What the numbers of coded fields mean: the place in the list."""

NAMED = {"step": "foot", "stand": "foot", "swing": "lead", "cue": "cue", "set": "set"}
NAMED |= {"link": "foot", "session": ""}
"""The tag that an item's name is."""

_LEFT_OUT = {"foot", "lead", "path_t_s", "path_y", "name", "end_reason", "started_utc"}
_NO_CODE = -1.0  # a text that this version knows no code for


def lines(item: Item, place: str) -> list[str]:
    """Return an item as lines, in order.

    Parameters
    ----------
    item : Item
    place : str
        `place_tags` of the bay.
    """
    if item.kind == LOADS:
        return list(_loads(item, place))
    fields = ",".join(f"{key}={value!r}" for key, value in flat(item.body))
    return [f"{series(item, place)} {fields} {item.time_ms}"]


def place_tags(site: str, bay: str) -> str:
    """Return the tags that every point of a bay has."""
    return f"bay={bay},site={site}"


def series(item: Item, place: str) -> str:
    """Return measurement and tags; names of people are never among them."""
    tags = [PREFIX + item.kind, place]
    if name := NAMED.get(item.kind, "foot"):
        tags.append(f"{name}={item.name}")
    if item.player is not None:
        tags.append(f"player={item.player}")
    if item.session is not None:
        tags += [f"revision={item.revision}", f"session={item.session}", f"source={item.source}"]
    if item.twin:
        tags.append(f"twin={item.twin}")
    return ",".join(tags)


def flat(body: Mapping[str, Any], before: str = "") -> Iterator[tuple[str, float]]:
    """Give the fields of a body: nested names joined by ``__``, lists by their place."""
    for key, value in body.items():
        name = before + key
        if key in _LEFT_OUT or value is None:
            continue
        if isinstance(value, Mapping):
            yield from flat(value, name + "__")
        elif isinstance(value, list):
            yield from flat({f"{5 * k:02}": v for k, v in enumerate(value, 1)}, name + "_")
        elif isinstance(value, str):
            yield name, _code(name, value)
        else:
            yield name, float(value)


def _code(name: str, value: str) -> float:
    for key, texts in CODES.items():
        if name == key or name.endswith("__" + key):
            return float(texts.index(value)) if value in texts else _NO_CODE
    return _NO_CODE


def _loads(item: Item, place: str) -> Iterator[str]:
    body = item.body
    values = unpack_loads(body["data"], body["rows"])
    times = ((body["time_us"] + body["period_us"] * np.arange(body["rows"])) // 1000).tolist()
    tags = f",player={item.player}" if item.player is not None else ""
    tags += f",session={item.session},source={item.source}"
    for foot, columns in (("left", slice(0, 4)), ("right", slice(4, 8))):
        head = f"{PREFIX}{LOADS},{place},foot={foot}{tags} "
        whole = head + ",".join(f"{region}=%r" for region in REGIONS) + " %d"
        for row, time_ms in zip(values[:, columns].tolist(), times, strict=True):
            if row[0] == row[0] and row[1] == row[1] and row[2] == row[2] and row[3] == row[3]:
                yield whole % (*row, time_ms)
            elif there := [(r, v) for r, v in zip(REGIONS, row, strict=True) if v == v]:
                yield f"{head}{','.join(f'{r}={v!r}' for r, v in there)} {time_ms}"
