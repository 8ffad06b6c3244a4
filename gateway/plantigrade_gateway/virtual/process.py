"""The virtual insoles in a process of their own, reached as one reaches a Bluetooth chip: by HCI.

``python -m plantigrade_gateway.virtual.process JSON`` runs a `Simulation`: it prints one line, the
transport by which a host takes its radio, and runs until its standard input is closed, so that it
never outlives who started it. Needs the optional extra ``virtual``.
"""

import asyncio
import contextlib
import dataclasses
import itertools
import json
import logging
import signal
import socket
import sys
from collections.abc import AsyncIterator, Callable, Coroutine, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

from plantigrade.block import Foot
from plantigrade.fitting import FITTING
from plantigrade_gateway.converter import made_from_text, plain
from plantigrade_gateway.errors import BluetoothError, InputError
from plantigrade_gateway.extras import need
from plantigrade_gateway.virtual.style import PlayerStyle

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from plantigrade_gateway.virtual.peripheral import AirInsole
    from plantigrade_gateway.virtual.player import ScriptedPlayer

_SLOW_S = 10.0
_STOP_LIMIT_S = 5.0
MOST_PAIRS = 4
"""At one gateway (ours): as many as its message to the roster has room for."""
_SLOW = (
    "Virtual insoles: slow to start, as on a machine that is busy with other work; waiting for "
    "them. Ctrl-C ends."
)
_FAULTS = ("restart", "vanish", "stall", "hangup", "battery")


class Follower(Protocol):
    """A virtual player who does what is asked for."""

    def learn(self, what: str) -> None:
        """Make up how something is done, which may take seconds."""

    def do(self, what: str, t_s: float) -> None:
        """Do something from a time of the body's on, s."""

    def at(self, foot: Foot, t_s: "NDArray[np.float64]") -> "NDArray[np.uint16]":
        """Return a foot's counts at times of the body, s."""
        ...


@dataclass(frozen=True, slots=True)
class Fault:
    """Something that happens to an insole while the simulation runs.

    Attributes
    ----------
    at_s : float
        After the insole first began to stream, s.
    foot : Foot
    kind : str
        ``restart``; ``vanish`` (out of range) and ``stall`` (silent, the link up) for `value`
        seconds; ``hangup`` (the insole ends the link); ``battery`` to `value` percent.
    value : float
    """

    at_s: float
    foot: Foot
    kind: str
    value: float = 0.0

    @classmethod
    def parse(cls, text: str) -> "Fault":
        """Read ``SECONDS:FOOT:KIND[:VALUE]``.

        Raises
        ------
        InputError
            Anything else.
        """
        parts = text.split(":")
        try:
            if len(parts) in (3, 4) and parts[2] in _FAULTS:
                value = float(parts[3]) if len(parts) == 4 else 5.0
                return cls(float(parts[0]), Foot(parts[1]), parts[2], value)
        except ValueError:
            pass
        raise InputError(
            f"fault {text!r}: expected SECONDS:FOOT:KIND[:VALUE], FOOT left or right, KIND "
            + ", ".join(_FAULTS)
        )


@dataclass(frozen=True, slots=True)
class Simulation:
    """What is simulated.

    Attributes
    ----------
    rate_hz : float
        Sample rate until the host asks for another.
    frames : int
        Frames per packet, likewise.
    loss : float
        Fraction of packets that are made but never sent.
    interval_s, retry, supervision_s : float
        The air's (`air.Weather`).
    drift_ppm : tuple of float
        How much the left and the right clock run fast.
    battery_percent : float
    speed : float
        Seconds of the player's that pass in a second.
    seed : int
        Of the player and the radio.
    style : PlayerStyle
        What the player's pushes are like, where none is calibrated.
    handed : tuple of str
        "right" or "left": how each pair's player swings, the first one's until asked otherwise.
        One that nothing is said of is right-handed.
    faults : tuple of Fault
    port : int
        TCP port of 127.0.0.1 on which the radio is given; 0: any free one.
    calibrates : bool
        The player stands until told a pose of the calibration, and performs it.
    flaws : tuple of str
        What is wrong then (`follower.Flaws`).
    companion : bool
        The firmware's own C is on the air too, as another left insole.
    log : bool
        The insoles keep a log of what they sample.
    pairs : int
        As many pairs, each with a player of its own and a radio of its own to reach it by, on one
        air: each radio hears all of them. What else is said here is of each, and a fault of the
        first.
    """

    rate_hz: float = 100.0
    frames: int = 2
    loss: float = 0.0
    interval_s: float = 0.015
    retry: float = 0.05
    supervision_s: float = 2.0
    drift_ppm: tuple[float, float] = (32.0, -41.0)
    battery_percent: float = 87.0
    speed: float = 1.0
    seed: int = 1
    style: PlayerStyle = PlayerStyle.MIXED
    handed: tuple[str, ...] = ()
    faults: tuple[Fault, ...] = field(default=())
    port: int = 0
    calibrates: bool = False
    flaws: tuple[str, ...] = ()
    companion: bool = False
    log: bool = False
    pairs: int = 1

    def __post_init__(self) -> None:
        if not 16.0 <= self.rate_hz <= 400.0:
            raise InputError(f"simulation: rate is {self.rate_hz:g} Hz, expected 16 to 400")
        if self.seed < 0:
            raise InputError(f"simulation: seed is {self.seed}, expected 0 or more")
        if not 1 <= self.pairs <= MOST_PAIRS:
            raise InputError(f"simulation: {self.pairs} pairs, expected 1 to {MOST_PAIRS}")

    def to_json(self) -> str:
        """Return it for the command line of its process."""
        return json.dumps(plain(self))

    @classmethod
    def from_json(cls, text: str) -> "Simulation":
        """Read what `to_json` wrote."""
        return made_from_text(cls, text)


async def simulate(
    simulation: Simulation,
    ready: Callable[[Sequence[str]], None],
    asked: "asyncio.Queue[str] | None" = None,
) -> None:
    """Run a simulation until cancelled.

    Parameters
    ----------
    simulation : Simulation
    ready : callable
        Told the transport of each pair's radio, once all can be taken.
    asked : asyncio.Queue of str, optional
        What the first pair's player is asked for: poses, else steps of a check. Without it, every
        pose in turn, or nothing.

    Raises
    ------
    InputError
        The extra is not installed.
    BluetoothError
        The port is taken.
    """
    need("virtual insoles", "bumble", "virtual")
    from plantigrade_gateway.virtual.air import Air, AirController, RadioConditions, serve_radio
    from plantigrade_gateway.virtual.flash import CHIP_PAGES
    from plantigrade_gateway.virtual.peripheral import AirInsole
    from plantigrade_gateway.virtual.player import (
        ScriptedFaults,
        ScriptedPlayer,
        ZoneSource,
        invented_steps,
        usual_pair,
    )
    from plantigrade_gateway.virtual.prompted import LEADS, PromptedPlayer

    if simulation.companion:
        from plantigrade_gateway.virtual.companion import usual_companion
    logging.getLogger("bumble").setLevel(logging.ERROR)
    air = Air(
        RadioConditions(
            simulation.interval_s, simulation.retry, simulation.supervision_s, simulation.seed
        )
    )
    hands = dict(enumerate(simulation.handed))
    leads = [LEADS[f"{hands.get(k, 'right')}-handed"] for k in range(simulation.pairs)]
    follower: Follower | None = None
    if simulation.calibrates:
        follower = ScriptedPlayer(
            flaws=ScriptedFaults.parse(simulation.flaws), seed=simulation.seed
        )
    elif asked is not None:
        follower = PromptedPlayer(simulation.seed, simulation.style, leads[0])
    began_s = asyncio.get_running_loop().time()
    pairs: list[dict[Foot, AirInsole]] = []
    for place in range(simulation.pairs):
        steps: ZoneSource
        if follower is not None and (simulation.calibrates or place == 0):
            steps = follower
        else:
            steps = invented_steps(simulation.seed + place, simulation.style, leads[place])
        pair = usual_pair(
            place,
            period_us=round(1e6 / simulation.rate_hz),
            frames=simulation.frames,
            loss=simulation.loss,
            battery_percent=simulation.battery_percent,
            speed=simulation.speed,
            log_pages=CHIP_PAGES if simulation.log else 0,
        )
        pairs.append(
            {
                settings.foot: AirInsole(
                    dataclasses.replace(settings, drift_ppm=ppm), air, steps, began_s
                )
                for settings, ppm in zip(pair, simulation.drift_ppm, strict=True)
            }
        )
    async with contextlib.AsyncExitStack() as stack:
        transports = []
        for place, insoles in enumerate(pairs):
            listener = _listen(0 if place else simulation.port)
            transports.append(f"tcp-client:127.0.0.1:{listener.getsockname()[1]}")
            gateway = AirController(f"gateway {place}", link=air)
            await stack.enter_async_context(serve_radio(gateway, listener))
            for insole in insoles.values():
                stack.push_async_callback(insole.close)
                await _whole(insole.start())
        if simulation.companion:
            pressed = invented_steps(simulation.seed, simulation.style)
            third = await usual_companion(air, pressed, began_s, simulation.speed)
            stack.push_async_callback(third.close)
            await _whole(third.start())
        ready(transports)
        async with asyncio.TaskGroup() as group:
            for fault in simulation.faults:
                group.create_task(
                    _apply_fault(pairs[0][fault.foot], fault), name=f"fault {fault.kind}"
                )
            if follower is not None:
                asks = asyncio.Queue[str]() if asked is None else asked
                if isinstance(follower, ScriptedPlayer) and asked is None:
                    group.create_task(_in_turn(follower, asks, simulation.speed), name="poses")
                group.create_task(_follow(follower, asks, began_s, simulation.speed), name="player")
            await asyncio.Event().wait()


async def _whole(starting: Coroutine[None, None, None]) -> None:
    """Let a start end before what cancels it is heard.

    An answer to a command that nobody waits for any more is a traceback of the Bluetooth library's.
    """
    task = asyncio.create_task(starting, name="start")
    try:
        await asyncio.shield(task)
    except asyncio.CancelledError:
        await task
        raise


async def _follow(
    follower: Follower, asked: "asyncio.Queue[str]", began_s: float, speed: float
) -> None:
    """Perform what is asked for."""
    while True:
        what = await asked.get()
        await asyncio.to_thread(follower.learn, what)  # what is on the air goes on meanwhile
        follower.do(what, (asyncio.get_running_loop().time() - began_s) * speed)


async def _in_turn(follower: "ScriptedPlayer", asked: "asyncio.Queue[str]", speed: float) -> None:
    """Ask for every pose of a calibration, over and over."""
    for pose in itertools.cycle(FITTING):
        asked.put_nowait(pose)
        await asyncio.sleep(follower.duration_s(pose) / speed)


async def _apply_fault(insole: "AirInsole", fault: Fault) -> None:
    await insole.started.wait()
    await asyncio.sleep(fault.at_s)
    match fault.kind:
        case "restart":
            insole.restart()
        case "vanish":
            insole.vanish(fault.value)
        case "stall":
            insole.stall(fault.value)
        case "battery":
            insole.set_battery(fault.value)
        case _:
            await insole.hang_up()


def _listen(port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind(("127.0.0.1", port))
    except OSError as error:
        listener.close()
        raise BluetoothError(
            f"port {port}: cannot be used ({error.strerror}); choose another with --port"
        ) from error
    return listener


@contextlib.asynccontextmanager
async def simulator_process(
    simulation: Simulation,
    say: Callable[[str], None],
    asked: "asyncio.Queue[str] | None" = None,
) -> AsyncIterator[list[str]]:
    """Run a simulation in a process of its own; give the transport of each pair's radio.

    However slow the machine is, it is waited for: a process that cannot begin ends, and says why.

    Parameters
    ----------
    simulation : Simulation
    say : callable
        Told, in a sentence, that it takes long to start.
    asked : asyncio.Queue of str, optional
        What its player is asked for.

    Raises
    ------
    BluetoothError
        It does not start; says why.
    """
    need("virtual insoles", "bumble", "virtual")
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        __name__,
        simulation.to_json(),
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        start_new_session=True,  # Ctrl-C is for the gateway, which then ends it in its own time
    )
    assert process.stdin and process.stdout and process.stderr
    try:
        slow = asyncio.get_running_loop().call_later(_SLOW_S, say, _SLOW)
        try:
            line = await process.stdout.readline()
        finally:
            slow.cancel()
        if not line:
            said = (await process.stderr.read()).decode(errors="replace").strip().splitlines()
            raise BluetoothError(f"virtual insoles: {said[-1] if said else 'ended at once'}")
        errors = process.stderr.read()
        tasks: list[asyncio.Task[Any]] = [asyncio.create_task(errors, name="simulator's errors")]
        if asked is not None:
            asking = _pass_on(asked, process.stdin)
            tasks.append(asyncio.create_task(asking, name="what is asked for"))
        try:
            yield line.decode().split()
        finally:
            for task in tasks:
                task.cancel()
    finally:
        process.stdin.close()
        try:
            await asyncio.wait_for(process.wait(), _STOP_LIMIT_S)
        except TimeoutError:
            process.kill()
            await process.wait()


async def _pass_on(asked: "asyncio.Queue[str]", stdin: asyncio.StreamWriter) -> None:
    while True:
        stdin.write(f"{await asked.get()}\n".encode())
        await stdin.drain()


async def run_until_stopped(simulation: Simulation, ready: Callable[[Sequence[str]], None]) -> None:
    """Run a simulation until Ctrl-C or until the process is told to end."""
    loop = asyncio.get_running_loop()
    task = asyncio.create_task(simulate(simulation, ready), name="simulation")
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, task.cancel)
    with contextlib.suppress(asyncio.CancelledError):
        await task


async def _until_input_ends(simulation: Simulation) -> None:
    reader = asyncio.StreamReader()
    loop = asyncio.get_running_loop()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    asked = asyncio.Queue[str]()
    task = asyncio.create_task(
        simulate(simulation, lambda where: print(*where, flush=True), asked), name="simulation"
    )
    ended = asyncio.create_task(_read_asked(reader, asked), name="input")
    await asyncio.wait((task, ended), return_when=asyncio.FIRST_COMPLETED)
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task


async def _read_asked(reader: asyncio.StreamReader, asked: "asyncio.Queue[str]") -> None:
    """Pass on what the player is asked for, a word a line, until the input ends."""
    while line := await reader.readline():
        asked.put_nowait(line.decode().strip())


if __name__ == "__main__":
    try:
        asyncio.run(_until_input_ends(Simulation.from_json(sys.argv[1])))
    except BluetoothError as error:
        sys.exit(str(error))
