"""Several pairs of insoles at one gateway: a program for each, kept running by this one.

A program of its own for each pair, and not several sessions in one: what one pair costs, or what
ends its program, then costs no other a packet, and a pair's program is the same one that runs where
there is but one pair. This one records nothing. It has what there may be but one of for a store:
what sends on, and the virtual insoles' air.
"""

import asyncio
import contextlib
import itertools
import json
import logging
import os
import signal
import sys
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import urlsplit

from rich.console import Console
from rich.text import Text

from plantigrade_gateway import formats
from plantigrade_gateway.child import ask_all_to_stop
from plantigrade_gateway.config import Config
from plantigrade_gateway.converter import made, plain
from plantigrade_gateway.errors import GatewayError, InputError
from plantigrade_gateway.forward.commands import is_for
from plantigrade_gateway.forward.launch import opened_forwarder
from plantigrade_gateway.forward.roster import TOPIC, Pair, Teller, Told
from plantigrade_gateway.report.console import paragraph
from plantigrade_gateway.session.part import PartOrder
from plantigrade_gateway.session.runner import StoppedError, given_up_at
from plantigrade_gateway.store import forwardstate
from plantigrade_gateway.store import status as linkstatus
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.sync.launch import opened_sync
from plantigrade_gateway.upkeep import Backoff, fault
from plantigrade_gateway.virtual.process import Simulation, simulator_process

Message = dict[str, Any]
REFUSED = 2
"""The exit code of a program that cannot do what it was asked for."""
_PROGRAM = "from plantigrade_gateway.cli.entry import main; main()"
_LONGEST_LINE = 1 << 20
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class PairOrder:
    """What shall be run for a pair.

    Attributes
    ----------
    name : str
    arguments : tuple of str
        Of ``plantigrade run``, without what `part` says.
    part : PartOrder
    """

    name: str
    arguments: tuple[str, ...]
    part: PartOrder


class PairProgram:
    """One pair's program: begun, heard, begun again when it dies.

    Parameters
    ----------
    order : PairOrder
    store : Store
    out : Console
    afar : Afar or None
        Told its live summaries, and how it is.

    Attributes
    ----------
    process : asyncio.subprocess.Process or None
        While it runs.
    """

    def __init__(self, order: PairOrder, store: Store, out: Console, afar: "Afar | None") -> None:
        self.process: asyncio.subprocess.Process | None = None
        self._order = order
        self._store = store
        self._out = out
        self._afar = afar
        self._prefix = f"pair {order.name}: "
        self._held: list[str] | None = None

    async def run(self, stop: asyncio.Event) -> int:
        """Keep it running until it ends well or `stop` is set; return its last exit code.

        One that refuses at its first beginning is left at that: what it was asked for is wrong.
        """
        backoff = Backoff()
        for turn in itertools.count():
            backoff.begin()
            try:
                code = await self._once(stop)
                how = f"signal {-code}" if code < 0 else f"code {code}"
            except Exception as error:  # it could not even begin; the other pairs go on
                _log.exception("%sits program", self._prefix)
                code, how = 1, fault(error)
            if stop.is_set() or code == 0 or (code == REFUSED and turn == 0):
                return code
            pause_s = backoff.end()
            self._say(
                f"its program has ended ({how}) and is begun again in {pause_s:.0f} s; what it "
                "recorded is kept, and the other pairs go on."
            )
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(pause_s):
                    await stop.wait()
        raise AssertionError  # it counts without end

    def tell(self, message: Message) -> None:
        """Pass on what came from afar, where it is for this pair."""
        process = self.process
        if is_for(message, self._order.name) and process is not None:
            assert process.stdin is not None
            process.stdin.write((json.dumps(message) + "\n").encode())

    async def _once(self, stop: asyncio.Event) -> int:
        """Run it once to its end; return its exit code."""
        async with self._begun() as process:
            self.process = process
            hearing = asyncio.create_task(self._hear(process), name=self._prefix)
            stopped = asyncio.create_task(stop.wait(), name="stop")
            try:
                await asyncio.wait([hearing, stopped], return_when=asyncio.FIRST_COMPLETED)
                if not hearing.done():
                    self._held = []  # what it says last comes in one piece
                    with contextlib.suppress(ProcessLookupError):
                        process.send_signal(signal.SIGINT)
                await hearing
                return await process.wait()
            finally:
                self.process = None
                stopped.cancel()
                hearing.cancel()
                if process.returncode is None:  # whatever ends this, it ends too
                    process.kill()
                    await process.wait()
                self._put_held()

    @contextlib.asynccontextmanager
    async def _begun(self) -> AsyncIterator[asyncio.subprocess.Process]:
        part = replace(self._order.part, usual_port=self._port())
        reading = writing = None
        if self._afar is not None:
            reading, writing = os.pipe()
            part = replace(part, live_fd=writing)
        try:
            process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-c", _PROGRAM, "run", *self._order.arguments),
                *("--part", json.dumps(plain(part))),
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.STDOUT,
                limit=_LONGEST_LINE,
                pass_fds=() if writing is None else (writing,),
                start_new_session=True,  # Ctrl-C is for this program, which then ends it
                env={**os.environ, "COLUMNS": str(max(40, self._out.width - len(self._prefix)))},
            )
        finally:
            if writing is not None:
                os.close(writing)
        if reading is None:
            yield process
            return
        passing = asyncio.create_task(self._pass_on(reading), name="live summaries")
        try:
            yield process
        finally:
            passing.cancel()
            await asyncio.wait([passing])

    def _port(self) -> int:
        """Return where its page is to be: where it was, so that open pages find it again."""
        with contextlib.suppress(InputError):
            before = linkstatus.read(linkstatus.path_for(self._store.path, self._order.name))
            if before is not None and before.is_live and before.page is not None:
                return urlsplit(before.page).port or self._order.part.usual_port
        return self._order.part.usual_port

    async def _hear(self, process: asyncio.subprocess.Process) -> None:
        assert process.stdout is not None
        while line := await _line(process.stdout):
            text = formats.printable(line.decode(errors="replace").rstrip())
            if text:
                self._say(text)

    async def _pass_on(self, reading: int) -> None:
        reader = asyncio.StreamReader()
        loop = asyncio.get_running_loop()
        file = os.fdopen(reading, "rb")
        transport, _ = await loop.connect_read_pipe(
            lambda: asyncio.StreamReaderProtocol(reader), file
        )
        try:
            while line := await reader.readline():
                assert self._afar is not None
                self._afar.tell(self._order.name, json.loads(line))
        finally:
            transport.close()

    def _say(self, text: str) -> None:
        if self._held is not None:
            self._held.append(text)
            return
        self._out.print(Text(self._prefix + text), soft_wrap=True)

    def _put_held(self) -> None:
        held, self._held = self._held, None
        for text in held or ():
            self._say(text)


async def _line(stream: asyncio.StreamReader) -> bytes:
    """Return the next line; of one that is longer than a line may be, its end."""
    while True:
        try:
            return await stream.readline()
        except ValueError:  # what there is of it is dropped
            continue


class Afar:
    """What several programs tell of the moment, as one gateway tells it.

    Parameters
    ----------
    forwarder : Told
    config : Config
    store : Store
    """

    def __init__(self, forwarder: Told, config: Config, store: Store) -> None:
        self._forwarder = forwarder
        self._teller = Teller.of(forwarder, config)
        self._store = store

    def tell(self, pair: str, message: Message) -> None:
        """Take a message of a pair's program; the roster is told of all pairs in one."""
        if message["type"] != TOPIC:
            self._forwarder.tell({**message, "pair": pair})
        elif self._teller is not None:
            for one in message["pairs"]:
                self._teller.tell(made(Pair, one), forwardstate.latest(self._store.path))


async def run_several(
    orders: Sequence[PairOrder],
    store: Store,
    config: Config,
    simulation: Simulation | None,
    out: Console,
    stop: asyncio.Event,
) -> None:
    """Run a program for each pair until all have ended, or `stop` is set.

    Parameters
    ----------
    orders : sequence of PairOrder
    store : Store
        The one that all of them record into.
    config : Config
        What is sent on is sent from here.
    simulation : Simulation or None
        Virtual insoles for all of them, on one air.
    out : Console
    stop : asyncio.Event

    Raises
    ------
    GatewayError
        Something cannot be used, or no pair could be run: one sentence.
    """
    loop = asyncio.get_running_loop()
    programs: list[PairProgram] = []

    def say(text: str) -> None:
        paragraph(out, text)

    def told(message: Message) -> None:
        for program in programs:
            loop.call_soon_threadsafe(program.tell, message)

    async with contextlib.AsyncExitStack() as opened:
        transports: list[str] = []
        if simulation is not None:
            try:
                async with given_up_at(stop):
                    virtual = simulator_process(simulation, say)
                    transports = await opened.enter_async_context(virtual)
            except StoppedError as error:
                say(str(error))
                return
        forwarder = opened.enter_context(opened_forwarder(config, store, say, told))
        handing = opened.enter_context(opened_sync(config, store, say))
        opened.callback(ask_all_to_stop, (forwarder, handing))
        afar = None if forwarder is None else Afar(forwarder, config, store)
        for place, order in enumerate(orders):
            if transports:
                arguments = (*order.arguments, "--radio", transports[place])
                order = replace(order, arguments=arguments, part=replace(order.part, place=place))
            programs.append(PairProgram(order, store, out, afar))
        codes = await _all([program.run for program in programs], stop)
    if not stop.is_set() and all(codes):
        raise GatewayError("no pair could be run; what each says of it stands above")


async def _all(runs: Sequence[Callable[[asyncio.Event], Any]], stop: asyncio.Event) -> list[int]:
    async with asyncio.TaskGroup() as group:
        tasks = [group.create_task(run(stop)) for run in runs]
    return [task.result() for task in tasks]
