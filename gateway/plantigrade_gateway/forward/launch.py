"""The gateway's side of the forwarding: starts its process, keeps it running, tells it the moment.

Nothing here waits for it: a live summary that does not go into the pipe at once is dropped and
counted. Without a configured sink no process is started and no library of a sink is loaded.
"""

import asyncio
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Self

import numpy as np

from plantigrade.block import Column, FloatArray, Foot, PairBlock
from plantigrade.load import total_load
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.child import Child, Message
from plantigrade_gateway.config import Config
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.forward.roster import Told
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.sinks import LOADS, MQTT
from plantigrade_gateway.sound.cues import Cue
from plantigrade_gateway.store.enqueue import Loads, Point, pack_loads, since_1970_ms
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.results import set_points
from plantigrade_gateway.store.status import FootStatus, ServiceStatus
from plantigrade_gateway.store.store import Store


class Forwarder(Child):
    """The forwarding process of this gateway.

    Parameters
    ----------
    store_path : Path
    settings : Path or None
    say : callable
        As `child.Child`.
    on_command : callable
        Told what came from the broker, from another thread.
    """

    def __init__(
        self,
        store_path: Path,
        settings: Path | None,
        say: Callable[[str], None],
        on_command: Callable[[Message], None],
    ) -> None:
        module = "plantigrade_gateway.forward.process"
        super().__init__(module, store_path, settings, "Forwarding", say, on_command)


@contextmanager
def opened_forwarder(
    config: Config | None,
    store: Store,
    say: Callable[[str], None],
    on_command: Callable[[Message], None],
) -> Iterator[Forwarder | None]:
    """Give the forwarder while it runs; None where the settings name no sink.

    Raises
    ------
    StoreError
        The store cannot be written.
    """
    outbox = Outbox(store.database)
    sinks = [] if config is None else config.sinks()
    outbox.configure(sinks)
    if not sinks:
        for depth in outbox.depths():
            if depth.waiting:
                say(
                    f"{depth.waiting} rows wait for {depth.sink}, which is no longer configured: "
                    f"plantigrade outbox --forget {depth.sink} drops them."
                )
        yield None
        return
    forwarder = Forwarder(store.path, config.file if config else None, say, on_command)
    try:
        yield forwarder
    finally:
        forwarder.close()


COP_BW = 0.05
"""Below this load, × body weight, a CoP is undefined (design: never 0, never NaN)."""


class LiveSummary:
    """Tells the forwarder the latest loads, so many times a second.

    Parameters
    ----------
    forwarder : Told
    hz : float
        0: nothing is told.
    """

    def __init__(self, forwarder: Told, hz: float) -> None:
        self._forwarder = forwarder
        self._every_s = 1.0 / hz if hz > 0 else None
        self._due_s = float("-inf")

    @classmethod
    def of(cls, forwarder: Told | None, config: Config | None) -> Self | None:
        """Return one as the settings say; None where nobody is to be told."""
        if forwarder is None or config is None or MQTT not in config.sinks():
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
        self._forwarder.tell(summary(block, settings, session))


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
        bay += f"/{status.pair}" if status.pair else ""
        time_ms = since_1970_ms(status.written)
        of_pair = {"pair": status.pair} if status.pair else {}
        bodies = {foot: link_body(link) | of_pair for foot, link in status.feet.items()}
        self._outbox.put_links(bay, time_ms, bodies)


def link_body(link: FootStatus) -> dict[str, Any]:
    """Return a sample of one insole's link."""
    error_s = link.clock_error_s
    return {
        "link": link.state,
        "battery_percent": link.battery_percent,
        "rssi_dbm": link.rssi_dbm,
        "lost_share": link.lost_share,
        "packets": link.packets,
        "lost_packets": link.lost_packets,
        "silent_s": link.silent_s,
        "drift_ppm": link.drift_ppm,
        "clock_error_ms": None if error_s is None else 1e3 * error_s,
        "clock_locked": link.clock_locked,
        "links": link.links,
    }


class Gather:
    """Makes points of what a session comes to.

    Parameters
    ----------
    sinks : collection of str
        Who is to be sent something; without any, nothing is made.
    """

    def __init__(self, sinks: Collection[str]) -> None:
        self._any = bool(set(sinks) - {LOADS})
        self._loads = Seconds() if LOADS in sinks else None

    def push(self, cues: Iterable[Cue], net: Iterable[PairBlock]) -> list[Point | Loads]:
        """Return what the last entries came to: cues, and rows net of the baseline."""
        points: list[Point | Loads] = [cue_point(cue) for cue in cues] if self._any else []
        if self._loads is not None:
            for block in net:
                self._loads.push(block)
            points += self._loads.take()
        return points

    def ended(self, result: Analysis) -> list[Point | Loads]:
        """Return what is left at a session's end: its sets, the last regional loads."""
        points: list[Point | Loads] = list(set_points(result)) if self._any else []
        return points if self._loads is None else [*points, *self._loads.end()]


def cue_point(cue: Cue) -> Point:
    """Return a cue as it is sent on."""
    body = {"t_s": cue.t_s, "decided_s": cue.decided_s, "delay_s": cue.delay_s}
    return Point("cue", str(cue.kind), cue.t_s, body)


class Seconds:
    """Cuts rows into blocks of a second at multiples of the absolute row."""

    def __init__(self) -> None:
        self._rows: list[PairBlock] = []
        self._held = 0
        self._period_s = 0.0
        self._done: list[Loads] = []

    def push(self, block: PairBlock) -> None:
        """Take rows that follow, or begin a new time line."""
        if self._period_s and self._rows and not self._follows(block):
            self._close()
        self._rows.append(block)
        self._held += len(block)
        if not self._period_s and self._held > 1:
            times = np.concatenate([rows.t_s for rows in self._rows])
            self._period_s = float(times[1] - times[0])
        first = self._rows[0].first
        if self._period_s and (first + self._held) // self._rate > first // self._rate:
            self._cut()

    def take(self) -> list[Loads]:
        """Return the blocks that are whole."""
        done, self._done = self._done, []
        return done

    def end(self) -> list[Loads]:
        """Return what is left."""
        self._close()
        return self.take()

    @property
    def _rate(self) -> int:
        return max(1, round(1.0 / self._period_s))

    def _follows(self, block: PairBlock) -> bool:
        last = self._rows[-1]
        step_s = float(block.t_s[0] - last.t_s[-1])
        return block.first == last.first + len(last) and abs(step_s / self._period_s - 1.0) < 0.01

    def _cut(self) -> None:
        whole, rate = _joined(self._rows), self._rate
        start = 0
        while (stop := ((whole.first + start) // rate + 1) * rate - whole.first) <= len(whole):
            self._done.append(_packed(whole.slice(start, stop), self._period_s))
            start = stop
        self._rows = [whole.slice(start, len(whole))] if start < len(whole) else []
        self._held = len(whole) - start

    def _close(self) -> None:
        if self._rows and self._period_s:  # a single row has no rate, and is left out
            self._done.append(_packed(_joined(self._rows), self._period_s))
        self._rows, self._held, self._period_s = [], 0, 0.0


def _joined(blocks: list[PairBlock]) -> PairBlock:
    if len(blocks) == 1:
        return blocks[0]
    return PairBlock(
        blocks[0].first,
        np.concatenate([b.t_s for b in blocks]),
        np.concatenate([b.left for b in blocks]),
        np.concatenate([b.right for b in blocks]),
    )


def _packed(block: PairBlock, period_s: float) -> Loads:
    return Loads(block.first, float(block.t_s[0]), period_s, len(block), pack_loads(block))
