"""Running with insoles: which pair, by which radio, and what is said of them."""

import asyncio
import logging
import re
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import AsyncExitStack, asynccontextmanager, nullcontext
from dataclasses import dataclass, field, replace

from plantigrade_gateway.errors import BluetoothError, InputError, StoreError
from plantigrade_gateway.extras import need
from plantigrade_gateway.record.entries import INSOLE_OF
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.session.owed import OwedPages, owed_by
from plantigrade_gateway.session.recorded import STOPS
from plantigrade_gateway.session.sessions import Sessions
from plantigrade_gateway.session.stage import Stage
from plantigrade_gateway.session.visit import SessionManager
from plantigrade_gateway.sources.bluetooth import Radio, scanning
from plantigrade_gateway.sources.live import LiveSource, StreamConfig
from plantigrade_gateway.sources.sharing import SharedRadio
from plantigrade_gateway.store import calibrations
from plantigrade_gateway.store.insoles import (
    firmware_said,
    known,
    layout_of,
    note_firmware,
    size_notes,
)
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.virtual.process import Simulation, simulator_process
from plantigrade_gateway.wire.gatt import KnownInsole

_ADAPTER = re.compile("hci[0-9]+")
_log = logging.getLogger(__name__)

VIRTUAL = (
    "These insoles are virtual and the player is invented: a synthetic player behind a real "
    "Bluetooth stack. No person is measured."
)


@dataclass(frozen=True, slots=True)
class InsoleOptions:
    """Which insoles, and how they shall stream.

    Attributes
    ----------
    stream : StreamConfig
    simulation : Simulation or None
        Virtual insoles, in a process started for this.
    radio : str or None
        A transport (`virtual/backend.py`) instead of the system's Bluetooth.
    now_ns : callable
        A monotonic clock, ns.
    pair : str
        Which of several pairs of insoles; empty: the usual one.
    place : int or None
        They are virtual, and this is their place among those of a simulation that somebody else
        runs behind `radio`.
    """

    stream: StreamConfig = field(default_factory=StreamConfig)
    simulation: Simulation | None = None
    radio: str | None = None
    now_ns: Callable[[], int] = time.monotonic_ns
    pair: str = ""
    place: int | None = None

    @property
    def is_virtual(self) -> bool:
        """Whether nobody wears them."""
        return self.simulation is not None or self.place is not None


@asynccontextmanager
async def opened_insoles(
    options: InsoleOptions,
    store: Store,
    say: Callable[[str], None],
    asked: "asyncio.Queue[str] | None" = None,
) -> AsyncIterator[LiveSource]:
    """Give the remembered insoles as a source; virtual ones do what is `asked`.

    Raises
    ------
    InputError
        None is remembered, or the two have different zones.
    BluetoothError
        Bluetooth cannot be used: said now, not in the middle of a session.
    """
    async with _paired(options, store, say, asked) as (pair, radio):
        layout_of(pair)
        # Of the system's adapter; one behind a transport is this program's alone.
        is_shared = options.radio is None or _ADAPTER.fullmatch(options.radio) is not None
        is_shared = is_shared and options.simulation is None
        shared = SharedRadio(store.path, options.radio) if is_shared else None
        async with (
            shared.connecting() if shared else nullcontext(),
            scanning(radio, lambda _: None),
        ):
            pass
        name = "virtual insoles (invented)" if options.is_virtual else "insoles"

        def met(insole: KnownInsole, firmware: int, hardware: int | None) -> str | None:
            try:
                note_firmware(store, insole.serial, firmware, hardware)
                return firmware_said(store, insole)
            except StoreError as error:
                _log.warning("%s: firmware not noted: %s", insole.label, error)
                return None

        source = LiveSource(
            *(pair, radio, say, options.stream, options.now_ns, name), met=met, shared=shared
        )
        for insole in pair:
            source.links[insole.foot].calibration = calibrations.describe(store, insole)
        yield source


@asynccontextmanager
async def _paired(
    options: InsoleOptions,
    store: Store,
    say: Callable[[str], None],
    asked: "asyncio.Queue[str] | None",
) -> AsyncIterator[tuple[list[KnownInsole], Radio]]:
    """Give the insoles to connect and the radio to do it with."""
    if options.simulation is not None:
        async with (
            simulator_process(options.simulation, say, asked) as transports,
            opened_radio(transports[0], is_ours=True) as air,
        ):
            yield _virtual_pair(0), air
        return
    pair = known(store, options.pair) if options.place is None else _virtual_pair(options.place)
    if not pair:
        raise InputError(none_remembered(options.pair))
    async with opened_radio(options.radio, is_ours=options.place is not None) as radio:
        yield pair, radio


def _virtual_pair(place: int) -> list[KnownInsole]:
    from plantigrade_gateway.virtual.player import LENGTH_MM, usual_pair

    return [
        KnownInsole(k.serial, k.foot, "virtual", k.address, LENGTH_MM) for k in usual_pair(place)
    ]


def none_remembered(pair: str) -> str:
    """Return what is said of a pair of which no insole is remembered."""
    if pair:
        return (
            f"pair {pair}: no insole of it is remembered: put its insoles near and run "
            f"plantigrade pair --pair {pair}, or use virtual ones with --virtual"
        )
    return (
        "no insole is remembered: put the insoles near and run plantigrade pair, or use "
        "virtual ones with --virtual"
    )


@asynccontextmanager
async def opened_radio(transport: str | None, is_ours: bool = False) -> AsyncIterator[Radio]:
    """Give the system's Bluetooth, one of its adapters (``hci1``), or that of a transport.

    Parameters
    ----------
    transport : str or None
    is_ours : bool
        A program of ours gives it: its answer is waited for until that program ends.

    Raises
    ------
    InputError
        The transport needs the extra, which is not installed.
    BluetoothError
        Nothing answers on it; or adapters cannot be chosen here.
    """
    if transport is None:
        yield Radio()
        return
    if _ADAPTER.fullmatch(transport):
        if sys.platform != "linux":
            raise BluetoothError(
                f"radio {transport}: adapters can be chosen on Linux only; this system uses its own"
            )
        yield Radio(adapter=transport)
        return
    need(f"radios such as {transport}", "bumble", "virtual")
    from plantigrade_gateway.virtual.backend import open_radio

    # What it logs are its own tracebacks of answers that come too late; errors are told by us.
    logging.getLogger("bumble").setLevel(logging.CRITICAL)
    async with AsyncExitStack() as opened:
        try:
            opening = open_radio(transport, None) if is_ours else open_radio(transport)
            air = await opened.enter_async_context(opening)
        except Exception as error:  # whatever the transport's library raises
            raise BluetoothError(
                f"radio {transport}: cannot be used ({error or 'no answer'}); is the simulation "
                "running, or the dongle plugged in?"
            ) from error
        yield Radio(air.scanner, air.client)


class InsoleJob:
    """Records what the insoles send, session by session (a `Job`).

    Parameters
    ----------
    options : InsoleOptions
    settings : SessionSettings, optional
    """

    _source: LiveSource
    _store: Store
    _late: OwedPages

    def __init__(self, options: InsoleOptions, settings: SessionSettings | None = None) -> None:
        self._options = options
        self._settings = settings or SessionSettings()
        self._asked = asyncio.Queue[str]()

    @asynccontextmanager
    async def opened(self, store: Store, say: Callable[[str], None]) -> AsyncIterator[LiveSource]:
        """Give the insoles."""
        self._store = store
        self._late = OwedPages(store.path, say)
        async with opened_insoles(self._options, store, say, self._asked) as self._source:
            self._source.bridged_s = self._settings.limits.bridge_s
            self._source.give_owed_to(self._late.take)
            try:
                yield self._source
            finally:
                await self._late.close()

    def intro(self) -> Iterable[str]:
        """Return whether they are real ones."""
        return [VIRTUAL] if self._options.is_virtual else []

    def work(self, stage: Stage) -> Sessions:
        """Return what records, analyses and shows what they send."""
        source = self._source
        if self._options.simulation is not None:
            stage.handler.ask_player = self._asked.put_nowait
        pair = [info.insole for info in source.links.values()]
        settings = replace(self._settings, layout=layout_of(pair))
        source.owe(owed_by(self._store, pair))  # now: what was cut off has been ended
        made = {
            INSOLE_OF[foot]: calibration.to_json().encode()
            for foot, calibration in calibrations.with_descriptions(self._store, pair).items()
        }
        return Sessions(
            stage,
            source,
            settings,
            lambda begin, end: SessionManager(settings, begin, end, stage.live_feed.tap, made),
            now_ns=self._options.now_ns,
            remake=self._late.remake,
        )

    def greeting(self) -> Iterable[str]:
        """Return what is known of the insoles, and how it is stopped."""
        pair = [info.insole for info in self._source.links.values()]
        for insole in pair:
            yield f"{insole.label}: {calibrations.describe(self._store, insole)}."
        yield from size_notes(pair)
        yield "Looking for " + " and ".join(k.label for k in pair) + "."
        yield STOPS
