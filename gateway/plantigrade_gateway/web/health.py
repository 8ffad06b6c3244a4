"""Seen from outside: ``/healthz`` for a watchdog, ``/metrics`` for Prometheus.

Both read what the gateway and its forwarding write once a second beside the store; nothing is
computed for them. No name of a person, no address and no secret stands in either.
"""

from collections.abc import Iterator
from pathlib import Path

from fastapi import APIRouter, HTTPException, Request, Response
from fastapi.responses import JSONResponse

from plantigrade_gateway.errors import InputError
from plantigrade_gateway.sinks import display_name
from plantigrade_gateway.store import forwardstate
from plantigrade_gateway.store import status as linkstatus
from plantigrade_gateway.store.status import ServiceStatus
from plantigrade_gateway.web.door.access import Access, Rights

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"
"""The Prometheus text format, https://prometheus.io/docs/instrumenting/exposition_formats/."""

_HELP = {
    "up": ("gauge", "1 while the gateway records, waits for insoles, or replays."),
    "session_open": ("gauge", "1 while a session is recorded."),
    "packets_total": ("counter", "Packets taken of an insole in this session."),
    "lost_packets_total": ("counter", "Packets missing by the insole's counter."),
    "insole_dropped_total": ("counter", "Packets the insole made and never sent."),
    "links_total": ("counter", "How often the link came up."),
    "streaming": ("gauge", "1 while the insole streams."),
    "battery_percent": ("gauge", "Battery of an insole."),
    "silent_seconds": ("gauge", "Since data of an insole came last."),
    "clock_error_seconds": ("gauge", "How well the insole's clock is known."),
    "delay_seconds": ("gauge", "From a packet's arrival to its events, of the last seconds."),
    "forward_up": ("gauge", "1 while the sink takes what is sent."),
    "forward_waiting": ("gauge", "Rows that wait for the sink or are held."),
    "forward_oldest_seconds": ("gauge", "Age of the oldest row that was not acknowledged."),
    "forward_sent_total": ("counter", "Rows that are there for good."),
    "forward_resent_total": ("counter", "Rows sent again after a restart or a broken link."),
    "forward_aside": ("gauge", "Rows the sink would not take."),
    "forward_dropped_total": ("counter", "Seconds of regional loads dropped."),
    "forward_rows_per_second": ("gauge", "Rows acknowledged in the last second."),
}
Sample = tuple[str, str, float]
"""Name, labels, value."""


def health_router(store_path: Path, access: Access) -> APIRouter:
    """Return the two addresses: for everybody whether all is well, for the coach the figures."""
    router = APIRouter()

    @router.get("/healthz")
    def healthz() -> Response:
        well, problems = health(store_path)
        table = {"ok": well, "problems": problems}
        return JSONResponse(table, 200 if well else 503, {"Cache-Control": "no-store"})

    @router.get("/metrics")
    async def metrics(request: Request) -> Response:
        if await access.rights(request) is not Rights.COACH:
            raise HTTPException(403)
        return Response(exposition(store_path), media_type=CONTENT_TYPE)

    return router


def health(store_path: Path) -> tuple[bool, list[str]]:
    """Return whether the gateway does its work, and what is not well.

    A sink that is away is a problem that is told, and no reason to call the gateway ill: what it
    measures is kept.
    """
    found = _statuses(store_path)
    live = [status for status in found if status.is_live]
    problems = [] if live else ["the gateway does not run"]
    for status in found:
        of_pair = f"pair {status.pair}: " if status.pair else ""
        if status.is_live:
            problems += [
                f"{of_pair}{foot} insole: {link.state}"
                for foot, link in status.feet.items()
                if link.state not in ("streaming", "replayed")
            ]
        elif live and status.pair and status.running:
            problems.append(f"{of_pair}does not run")  # and nobody has ended it
    forward = forwardstate.latest(store_path)
    for sink in () if forward is None else forward.sinks:
        if sink.active and sink.problem:
            problems.append(f"{display_name(sink.sink)} takes nothing")
        if sink.aside:
            problems.append(f"{sink.aside} rows set aside for the {display_name(sink.sink)}")
    return bool(live), problems


def exposition(store_path: Path) -> str:
    """Return the metrics as Prometheus reads them."""
    samples = list(_samples(store_path))
    lines = []
    for name, (kind, text) in _HELP.items():
        mine = [s for s in samples if s[0] == name]
        if mine:
            lines += [f"# HELP plantigrade_{name} {text}", f"# TYPE plantigrade_{name} {kind}"]
            lines += [f"plantigrade_{name}{labels} {value!r}" for _, labels, value in mine]
    return "\n".join(lines) + "\n"


def _samples(store_path: Path) -> Iterator[Sample]:
    live = [status for status in _statuses(store_path) if status.is_live]
    yield "up", "", float(bool(live))
    for status in live:
        yield from _link_samples(status)
    forward = forwardstate.latest(store_path)
    for sink in () if forward is None else forward.sinks:
        label = f'{{sink="{sink.sink}"}}'
        yield "forward_up", label, float(sink.active and sink.problem is None)
        yield "forward_waiting", label, float(sink.waiting)
        yield "forward_oldest_seconds", label, sink.oldest_s or 0.0
        yield "forward_sent_total", label, float(sink.sent)
        yield "forward_resent_total", label, float(sink.resent)
        yield "forward_aside", label, float(sink.aside)
        yield "forward_dropped_total", label, float(sink.dropped)
        yield "forward_rows_per_second", label, sink.per_s


def _link_samples(status: ServiceStatus) -> Iterator[Sample]:
    of_pair = f',pair="{status.pair}"' if status.pair else ""
    alone = f"{{{of_pair[1:]}}}" if of_pair else ""
    yield "session_open", alone, float(status.session_id is not None)
    for foot, link in status.feet.items():
        label = f'{{foot="{foot}"{of_pair}}}'
        found = {
            "packets_total": link.packets,
            "lost_packets_total": link.lost_packets,
            "insole_dropped_total": link.insole_dropped,
            "links_total": link.links,
            "streaming": link.state == "streaming",
            "battery_percent": link.battery_percent,
            "silent_seconds": link.silent_s,
            "clock_error_seconds": link.clock_error_s,
        }
        for name, value in found.items():
            if value is not None:
                yield name, label, float(value)
    for quantile, delay_ms in zip(("0.5", "0.99"), status.latency_ms or (), strict=False):
        yield "delay_seconds", f'{{quantile="{quantile}"{of_pair}}}', delay_ms / 1e3


def _statuses(store_path: Path) -> list[ServiceStatus]:
    try:
        return linkstatus.read_all(store_path)
    except InputError:
        return []
