"""A time-series database within the test: what it was sent, and what it is told to answer instead.

It reads the line protocol as its specification has it (measurement, tags, fields, time) and keeps a
series for each field, as `hardware_notes/tsdb_schema.md` says VictoriaMetrics does.
"""

import contextlib
import json
import re
from collections.abc import AsyncIterator
from typing import Any

from aiohttp import web
from tests.support.bay import http_server

_TESTED = re.compile(r'(\w+)(=~|!=|=)"([^"]*)"')


class FakeDatabase:
    """Keeps points, gives them back and deletes them.

    Attributes
    ----------
    url : str
    series : dict
        Times and values, by sorted labels.
    asked : list of str
        Method and path of each request.
    requests : list of web.Request
    wrote : list of str
        What was written, a text for each request.
    instead : dict of str to (int, str, dict)
        What is answered at a path instead.
    started : int
        When it was, s since 1970.
    """

    def __init__(self) -> None:
        self.url = ""
        self.series: dict[tuple[tuple[str, str], ...], list[tuple[int, float]]] = {}
        self.asked: list[str] = []
        self.requests: list[web.Request] = []
        self.wrote: list[str] = []
        self.instead: dict[str, tuple[int, str, dict[str, str]]] = {}
        self.started = 1_772_442_000
        self.deletes = True

    async def __call__(self, request: web.Request) -> web.StreamResponse:
        body = (await request.read()).decode()
        self.asked.append(f"{request.method} {request.path}")
        self.requests.append(request)
        if request.path.endswith("/write"):
            self.wrote.append(body)
        if told := self.instead.get(request.path):
            return web.Response(status=told[0], text=told[1], headers=told[2])
        match request.path:
            case "/metrics":
                return web.Response(
                    text='vm_app_version{version="a-test"} 1\n'
                    f"vm_app_start_timestamp {self.started}\n"
                )
            case "/api/v2/write":
                self.take(body)
                return web.Response(status=204)
            case "/api/v1/export":
                return web.Response(text=self._export(request.query))
            case "/api/v1/query":
                many = len(self._matched(request.query["query"]))
                result = [{"metric": {}, "value": [0, str(many)]}] if many else []
                return web.json_response({"data": {"result": result}})
            case "/api/v1/admin/tsdb/delete_series":
                for key in self._matched(request.query["match[]"]) if self.deletes else []:
                    del self.series[key]
                return web.Response(status=204)
        return web.Response(status=404)

    def take(self, text: str) -> None:
        """Keep lines."""
        for line in text.splitlines():
            head, fields, time_ms = line.split(" ")
            measurement, *tags = head.split(",")
            labels = dict(tag.split("=") for tag in tags)
            for field in fields.split(","):
                name, value = field.split("=")
                whole = {"__name__": f"{measurement}_{name}", **labels}
                points = self.series.setdefault(tuple(sorted(whole.items())), [])
                points.append((int(time_ms), float(value)))

    def _matched(self, selector: str) -> list[tuple[tuple[str, str], ...]]:
        tests = _TESTED.findall(selector)
        assert tests, selector
        return [key for key in self.series if all(_holds(dict(key), *each) for each in tests)]

    def _export(self, query: Any) -> str:
        first_ms, last_ms = (round(1e3 * float(query[name])) for name in ("start", "end"))
        rows = []
        for key in self._matched(query["match[]"]):
            points = [(at, value) for at, value in self.series[key] if first_ms <= at <= last_ms]
            if points:
                times, values = zip(*points, strict=True)
                row = {"metric": dict(key), "values": values, "timestamps": times}
                rows.append(json.dumps(row))
        return "\n".join(rows)


def _holds(labels: dict[str, str], name: str, how: str, value: str) -> bool:
    found = labels.get(name, "")
    if how == "=~":
        return re.fullmatch(value, found) is not None
    return (found == value) is (how == "=")


@contextlib.asynccontextmanager
async def fake_database() -> AsyncIterator[FakeDatabase]:
    """Give one that listens."""
    made = FakeDatabase()
    async with http_server(made) as url:
        made.url = url
        yield made
