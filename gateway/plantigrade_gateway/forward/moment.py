"""What is told of the moment, and not kept: the live summary; and samples of link health."""

import asyncio
from collections.abc import Iterable
from contextlib import suppress
from typing import Any, Self

import numpy as np

from plantigrade.block import Column, FloatArray, Foot, PairBlock
from plantigrade.load import total_load
from plantigrade_gateway.config import Config
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.forward.launch import Forwarder
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.store.enqueue import since_1970_ms
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.status import FootStatus, ServiceStatus
from plantigrade_gateway.store.store import Store

COP_BW = 0.05
"""Below this load, × body weight, a CoP is undefined (design: never 0, never NaN)."""


class LiveSummary:
    """Tells the forwarder the latest loads, so many times a second.

    Parameters
    ----------
    forwarder : Forwarder
    hz : float
        0: nothing is told.
    """

    def __init__(self, forwarder: Forwarder, hz: float) -> None:
        self._forwarder = forwarder
        self._every_s = 1.0 / hz if hz > 0 else None
        self._due_s = float("-inf")

    @classmethod
    def of(cls, forwarder: Forwarder | None, config: Config | None) -> Self | None:
        """Return one as the settings say; None where nobody is to be told."""
        if forwarder is None or config is None or "mqtt" not in config.sinks():
            return None
        return cls(forwarder, config.number("mqtt.live_hz"))

    def show(self, net: Iterable[PairBlock], settings: SessionSettings, session: str) -> None:
        """Take rows net of the baseline; tell the last of them, where it is due."""
        if self._every_s is None:
            return
        blocks = list(net)
        if not blocks:
            return
        block = blocks[-1]
        t_s = float(block.t_s[-1])
        if t_s < self._due_s and t_s > self._due_s - 10.0:  # a new session begins at 0
            return
        self._due_s = t_s + self._every_s
        self._forwarder.live(summary(block, settings, session))


def summary(block: PairBlock, settings: SessionSettings, session: str) -> dict[str, Any]:
    """Return the last row of a block as a live summary; absent values are None."""
    bw_n = settings.body_weight_n
    feet = {foot: _foot(block.foot(foot)[-1], bw_n) for foot in Foot}
    loads = [feet[foot]["load_n"] for foot in (settings.lead, settings.lead.other)]
    both = None if None in loads else sum(loads)
    return {
        "type": "live",
        "session": session,
        "t_s": round(float(block.t_s[-1]), 3),
        "lead": str(settings.lead),
        "lead_share": None if both is None or both < COP_BW * bw_n else round(loads[0] / both, 3),
        "feet": {str(foot): row for foot, row in feet.items()},
    }


def _foot(row: FloatArray, bw_n: float) -> dict[str, Any]:
    load_n = float(total_load(row[np.newaxis])[0])
    if load_n != load_n:
        return {"load_n": None, "load_bw": None, "cop": None, "away": True}
    carries = load_n >= COP_BW * bw_n
    moments = row[[Column.MOMENT_X, Column.MOMENT_Y]] / load_n if carries else None
    return {
        "load_n": round(load_n, 1),
        "load_bw": round(load_n / bw_n, 3),
        "cop": None if moments is None else [round(float(m), 3) for m in moments],
        "away": False,
    }


class LinkSamples:
    """Puts samples of link health into the outbox, where anybody is to be sent them.

    Parameters
    ----------
    store : Store
    config : Config or None
        None: nobody is.
    """

    def __init__(self, store: Store, config: Config | None) -> None:
        self._outbox = Outbox(store.database)
        self._config = config if config is not None and set(config.sinks()) else None
        self._due_ns = 0

    async def take(self, status: ServiceStatus, now_ns: int) -> None:
        """Take the status; a sample of it is kept where one is due."""
        if self._config is None or now_ns < self._due_ns or not status.feet:
            return
        self._due_ns = now_ns + round(1e9 * self._config.number("link_every_s"))
        # Off the loop: a commit waits for the disk. One that is refused is a sample less.
        with suppress(StoreError):
            await asyncio.to_thread(self._put, status)

    def _put(self, status: ServiceStatus) -> None:
        assert self._config is not None
        bay = f"{self._config.word('site')}/{self._config.word('bay')}"
        time_ms = since_1970_ms(status.written)
        bodies = {foot: link_body(link) for foot, link in status.feet.items()}
        self._outbox.put_links(bay, time_ms, bodies)


def link_body(link: FootStatus) -> dict[str, Any]:
    """Return a sample of one insole's link."""
    made = link.packets + link.lost_packets
    error_s = link.clock_error_s
    return {
        "link": link.state,
        "battery_percent": link.battery_percent,
        "rssi_dbm": link.rssi_dbm,
        "lost_share": link.lost_packets / made if made else None,
        "packets": link.packets,
        "lost_packets": link.lost_packets,
        "silent_s": link.silent_s,
        "drift_ppm": link.drift_ppm,
        "clock_error_ms": None if error_s is None else 1e3 * error_s,
        "clock_locked": link.clock_locked,
        "links": link.links,
    }
