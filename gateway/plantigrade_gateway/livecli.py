"""The commands that deal with insoles: scan, pair, run, simulate, status. Arguments in, no work.

`register` adds them to the command's group; the work is done by the modules they import.
"""

import contextlib
import signal
import sys
from collections.abc import Callable, Coroutine, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from plantigrade_gateway.errors import InputError

if TYPE_CHECKING:
    import asyncio

    from plantigrade_gateway.ble import Sighting
    from plantigrade_gateway.pair import KnownInsole
    from plantigrade_gateway.simulator import Simulation

Decorator = Callable[[Any], Any]

_radio = click.option(
    "--radio",
    metavar="TRANSPORT",
    help="Another radio than the system's, such as a simulation's (needs the extra 'virtual').",
)
_seconds = click.option(
    "--seconds",
    type=click.FloatRange(0.2, 120.0),
    default=6.0,
    show_default=True,
    help="How long to listen.",
)
_fault = click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="SECONDS:FOOT:KIND[:VALUE]",
    help="Let something happen to a virtual insole: restart, vanish, stall, hangup or battery.",
)
_rate = click.option("--rate", type=click.FloatRange(16.0, 400.0), metavar="HZ")
_frames = click.option(
    "--frames", type=click.IntRange(1, 8), default=2, show_default=True, help="Per packet."
)


def page_options(command: Any) -> Any:  # noqa: ANN401 - click's own signature
    """Let a command serve the live page."""
    shown = click.option("--page/--no-page", default=True, help="Serve the live page.")
    port = click.option(
        "--port",
        type=click.IntRange(0, 65535),
        metavar="N",
        help="The page's port; 0: any free one.  [default: 8642]",
    )
    return shown(port(command))


def register(
    group: click.Group,
    store_option: Decorator,
    json_option: Decorator,
    store_of: Callable[[click.Context], Path | None],
) -> None:
    """Add the commands to a group.

    Parameters
    ----------
    group : click.Group
    store_option, json_option : callable
        The group's decorators for ``--store`` and ``--json``.
    store_of : callable
        The store that was named, or None.
    """

    @group.command()
    @_seconds
    @_radio
    @json_option
    @store_option
    @click.pass_context
    def scan(ctx: click.Context, seconds: float, radio: str | None, as_json: bool) -> None:
        """List the insoles that are near, without connecting to any."""
        _scan(store_of(ctx), seconds, radio, as_json)

    @group.command()
    @click.option("--left", metavar="SERIAL", help="Which left insole, by its serial number.")
    @click.option("--right", metavar="SERIAL", help="Which right insole.")
    @click.option("--left-name", metavar="NAME", default="", help="What to call the left insole.")
    @click.option("--right-name", metavar="NAME", default="", help="What to call the right insole.")
    @click.option("--forget", type=click.Choice(["left", "right"]), help="Forget that insole.")
    @_seconds
    @_radio
    @store_option
    @click.pass_context
    def pair(
        ctx: click.Context,
        left: str | None,
        right: str | None,
        left_name: str,
        right_name: str,
        forget: str | None,
        seconds: float,
        radio: str | None,
    ) -> None:
        """Choose, name and remember the left and the right insole.

        Only remembered insoles are ever connected.
        """
        if forget is not None:
            _forget(store_of(ctx), forget)
        else:
            names = {"left": left_name, "right": right_name}
            _pair(store_of(ctx), {"left": left, "right": right}, names, seconds, radio)

    @group.command()
    @click.option("--virtual", is_flag=True, help="Use virtual insoles (extra 'virtual').")
    @click.option("--mass", type=float, metavar="KG", help="The player's mass.")
    @click.option("--handed", type=click.Choice(["right", "left"]), default="right")
    @_rate
    @_frames
    @click.option("--sound/--no-sound", default=True, help="Let the pushes be heard.")
    @click.option("--wav", type=click.Path(path_type=Path), metavar="PATH", help="Sound to a file.")
    @click.option("--for", "for_s", type=float, metavar="SECONDS", help="Stop by itself.")
    @_fault
    @_radio
    @page_options
    @store_option
    @click.pass_context
    def run(ctx: click.Context, /, **options: Any) -> None:  # noqa: ANN401
        """Connect both insoles, record, analyse and cue, until Ctrl-C.

        A session ends on a stop or after 15 minutes without load; the next begins with the next
        load.
        """
        _run(store_of(ctx), options)

    @group.command()
    @_rate
    @_frames
    @click.option("--loss", type=float, default=0.0, help="Fraction of packets never sent.")
    @click.option("--delay", type=float, default=0.015, metavar="S", help="Connection interval.")
    @click.option("--retry", type=float, default=0.05, help="Fraction of radio tries that fail.")
    @click.option(
        "--drift", type=(float, float), default=(32.0, -41.0), metavar="L R", help="Clocks, ppm."
    )
    @click.option("--battery", type=float, default=87.0, metavar="PERCENT")
    @click.option("--speed", type=float, default=1.0, help="Seconds of the player's in a second.")
    @click.option("--seed", type=int, default=1)
    @click.option("--port", type=click.IntRange(0, 65535), default=0, help="0: any free one.")
    @_fault
    def simulate(**options: Any) -> None:  # noqa: ANN401
        """Run virtual insoles until Ctrl-C, for the other commands' --radio."""
        _simulate(options)

    @group.command()
    @json_option
    @store_option
    @click.pass_context
    def status(ctx: click.Context, as_json: bool) -> None:
        """Show the insoles' battery, loss, latency, clocks and signal."""
        _status(store_of(ctx), as_json)


def _scan(store: Path | None, seconds: float, radio: str | None, as_json: bool) -> None:
    import asyncio

    from plantigrade_gateway.paper import console, paragraph

    found = asyncio.run(_heard(seconds, radio))
    known = {insole.serial for insole in _known(store)}
    if as_json:
        import json

        rows = [
            {
                "serial": f"{s.announcement.serial:08X}",
                "foot": str(s.announcement.foot),
                "length_mm": s.announcement.length_mm,
                "battery_percent": s.announcement.battery_percent,
                "rssi_dbm": s.rssi,
                "address": s.address,
                "remembered": s.announcement.serial in known,
            }
            for s in found
        ]
        click.echo(json.dumps({"schema": 1, "insoles": rows}, indent=1))
        return
    out = console()
    for sighting in found:
        mark = ", remembered" if sighting.announcement.serial in known else ""
        paragraph(out, _line(sighting) + mark)
    if not found:
        paragraph(
            out, "No insole was heard: charge them, bring them near, free them from other hosts."
        )


def _line(sighting: "Sighting") -> str:
    said = sighting.announcement
    battery = "–" if said.battery_percent is None else f"{said.battery_percent} %"
    return (
        f"{said.foot:<5} {said.serial:08X}  {said.length_mm} mm, battery {battery}, "
        f"{sighting.rssi} dBm, {sighting.address}"
    )


async def _heard(seconds: float, transport: str | None) -> "list[Sighting]":
    from plantigrade_gateway.ble import scan
    from plantigrade_gateway.service import opened_radio

    async with opened_radio(transport) as radio:
        return await scan(radio, seconds)


def _known(store: Path | None) -> "list[KnownInsole]":
    from plantigrade_gateway import schema
    from plantigrade_gateway.pair import known
    from plantigrade_gateway.store import Store

    path = schema.default_path() if store is None else store
    if not path.exists():
        return []
    with Store.open(path) as opened:
        return known(opened)


def _pair(
    store: Path | None,
    wanted: dict[str, str | None],
    names: dict[str, str],
    seconds: float,
    radio: str | None,
) -> None:
    import asyncio

    from plantigrade_gateway.pair import KnownInsole, remember
    from plantigrade_gateway.paper import console, paragraph
    from plantigrade_gateway.store import Store

    serials = {foot: _serial(text) for foot, text in wanted.items() if text is not None}
    found = asyncio.run(_heard(seconds, radio))
    chosen = []
    for foot in ("left", "right"):
        if serials and foot not in serials:
            continue
        of_foot = [s for s in found if s.announcement.foot == foot]
        sighting = _choose(foot, of_foot, serials.get(foot))
        if sighting is not None:
            chosen.append(
                KnownInsole.of(sighting.announcement, sighting.address, names[foot].strip())
            )
    if not chosen:
        raise InputError(
            "no insole was heard: charge them, bring them near, and free them from other hosts"
        )
    out = console()
    with Store.open(store) as opened:
        for insole in chosen:
            remember(opened, insole)
            paragraph(
                out, f"Remembered: {insole.label}, {insole.serial:08X}, {insole.length_mm} mm."
            )
    if len({insole.length_mm for insole in chosen}) > 1:
        paragraph(out, "The two insoles differ in size: check that they are a pair.")
    missing = {"left", "right"} - {str(insole.foot) for insole in chosen} - serials.keys()
    if not serials and missing:
        paragraph(out, f"No {missing.pop()} insole was heard.")


def _serial(text: str) -> int:
    try:
        return int(text, 16)
    except ValueError:
        raise InputError(
            f"serial number {text!r}: expected hexadecimal digits, as plantigrade scan shows them"
        ) from None


def _choose(foot: str, found: "Iterable[Sighting]", serial: int | None) -> "Sighting | None":
    near = sorted(found, key=lambda s: -s.rssi)
    if serial is not None:
        match = [s for s in near if s.announcement.serial == serial]
        if not match:
            raise InputError(f"{foot} insole {serial:08X}: was not heard, see plantigrade scan")
        return match[0]
    if len(near) < 2:
        return near[0] if near else None
    for number, sighting in enumerate(near, 1):
        click.echo(f"{number}  {_line(sighting)}")
    if not sys.stdin.isatty():
        raise InputError(f"{len(near)} {foot} insoles are near: choose one with --{foot} SERIAL")
    answer = click.prompt(f"Which is the {foot} one", type=click.IntRange(1, len(near)), default=1)
    return near[int(answer) - 1]


def _forget(store: Path | None, foot: str) -> None:
    from plantigrade.block import Foot
    from plantigrade_gateway.pair import forget
    from plantigrade_gateway.store import Store

    with Store.open(store) as opened:
        forget(opened, Foot(foot))
    click.echo(f"The {foot} insole is forgotten.")


def _run(store: Path | None, options: dict[str, Any]) -> None:
    import asyncio

    from plantigrade_gateway.demo import Wishes
    from plantigrade_gateway.livesource import Wish
    from plantigrade_gateway.paper import console
    from plantigrade_gateway.service import Order, run
    from plantigrade_gateway.settings import SessionSettings
    from plantigrade_gateway.simulator import Fault, Simulation
    from plantigrade_gateway.web.page import PageOrder

    faults = tuple(Fault.parse(text) for text in options["faults"])
    if faults and not options["virtual"]:
        raise InputError("--fault: happens to virtual insoles only, add --virtual")
    if options["virtual"] and options["radio"]:
        raise InputError("--virtual starts its own radio: leave --radio out")
    rate = options["rate"]
    out = console()
    page = PageOrder(port=options["port"], show=out.is_terminal) if options["page"] else None
    order = Order(
        Wishes(sound=options["sound"], wav=options["wav"], store=store, page=page),
        SessionSettings(mass_kg=options["mass"], handed=options["handed"]),
        Wish(None if rate is None else round(1e6 / rate), options["frames"]),
        Simulation(faults=faults) if options["virtual"] else None,
        options["radio"],
        options["for_s"],
    )

    async def until_told() -> None:
        stop = asyncio.Event()
        loop = asyncio.get_running_loop()
        for number in _stop_signals():
            loop.add_signal_handler(number, _stop_once, loop, stop)
        await run(order, out, stop)

    asyncio.run(until_told())


def _stop_signals() -> list[int]:
    names = ("SIGINT", "SIGTERM", "SIGHUP")
    return [int(getattr(signal, name)) for name in names if hasattr(signal, name)]


def _stop_once(loop: "asyncio.AbstractEventLoop", stop: "asyncio.Event") -> None:
    """Stop in good order; a second Ctrl-C ends at once."""
    stop.set()
    for number in _stop_signals():
        with contextlib.suppress(ValueError):
            loop.remove_signal_handler(number)


def _simulate(options: dict[str, Any]) -> None:
    import asyncio

    from plantigrade_gateway.simulator import Fault, run_until_told

    simulation = _simulation(options, tuple(Fault.parse(text) for text in options["faults"]))

    def ready(transport: str) -> None:
        click.echo(
            "Virtual insoles of an invented player are on the air, until Ctrl-C. Use them with"
        )
        for command in ("scan", "pair", "run"):
            click.echo(f"  plantigrade {command} --radio {transport}")

    work: Coroutine[None, None, None] = run_until_told(simulation, ready)
    asyncio.run(work)


def _simulation(options: dict[str, Any], faults: tuple[Any, ...]) -> "Simulation":
    from plantigrade_gateway.simulator import Simulation

    return Simulation(
        rate_hz=options["rate"] or 100.0,
        frames=options["frames"],
        loss=options["loss"],
        interval_s=options["delay"],
        retry=options["retry"],
        drift_ppm=options["drift"],
        battery_percent=options["battery"],
        speed=options["speed"],
        seed=options["seed"],
        faults=faults,
        port=options["port"],
    )


def _status(store: Path | None, as_json: bool) -> None:
    from plantigrade_gateway import linkstatus, schema
    from plantigrade_gateway.paper import console, paragraph

    path = schema.default_path() if store is None else store
    status = linkstatus.read(linkstatus.path_for(path))
    running = status is not None and status.is_live
    if as_json:
        import dataclasses
        import json

        table = None if status is None else dataclasses.asdict(status)
        click.echo(json.dumps({"schema": 1, "running": running, "status": table}, default=str))
        return
    out = console()
    known = _known(store)
    for insole in known:
        paragraph(out, f"Remembered: {insole.label}, {insole.serial:08X}, {insole.length_mm} mm.")
    if not known:
        paragraph(out, "No insole is remembered: see plantigrade pair.")
    if status is None:
        paragraph(out, "The gateway has not run with this store: see plantigrade run.")
        return
    if not running:
        when = status.written.astimezone().strftime("%Y-%m-%d %H:%M:%S %z")
        paragraph(out, f"The gateway is not running. As it was on {when}:")
    for line in linkstatus.lines(status):
        paragraph(out, line, "  ")
