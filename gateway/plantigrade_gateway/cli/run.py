"""The commands that deal with insoles: scan, pair, run, simulate, status. Arguments in, no work.

`register` adds them to the command's group; the work is done by the modules they import.
"""

from collections.abc import Callable, Coroutine, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from plantigrade_gateway.cli.arguments import (
    Decorator,
    Number,
    NumberWithin,
    Stopped,
    WholeWithin,
    pair_option,
)
from plantigrade_gateway.cli.drills import drill_options, drilling
from plantigrade_gateway.cli.forward import config_of, limit_option, settings_option
from plantigrade_gateway.cli.insoles import choose_pair, forget_insole, scan_near
from plantigrade_gateway.cli.pages import page_options, web_options
from plantigrade_gateway.cli.players import named_player, settings_for
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.virtual.style import PlayerStyle

if TYPE_CHECKING:
    from plantigrade_gateway.config import Config
    from plantigrade_gateway.virtual.process import Simulation


RADIO = (
    "Which radio: one of the system's adapters (Linux: hci0, hci1 …), or another than the "
    "system's, such as a simulation's (needs the extra 'virtual')."
)
_radio = click.option("--radio", metavar="TRANSPORT", help=RADIO)
_pairs = click.option(
    "--pair",
    "pairs",
    multiple=True,
    metavar="NAME",
    help="Which pair of insoles; the usual one has no name. May be given more than once.",
)


def _of_a_pair(name: str, metavar: str, text: str) -> Decorator:
    """Make an option that is given once, or for each of several pairs."""
    return click.option(name, multiple=True, metavar=f"[PAIR=]{metavar}", help=text)


_player = _of_a_pair(
    "--player",
    "PLAYER",
    "Whose session it is: a registered player's name, or the first digits of the id.",
)
_seconds = click.option(
    "--seconds",
    type=NumberWithin(0.2, 120.0),
    default=6.0,
    show_default=True,
    help="How long to listen.",
)
_log = click.option(
    "--log", is_flag=True, help="Virtual insoles keep a log: what is out of reach comes late."
)
_fault = click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="SECONDS:FOOT:KIND[:VALUE]",
    help="Let something happen to a virtual insole so long after it began to stream: restart, "
    "hangup, vanish or stall (for VALUE s, 5 if left out), battery (to VALUE percent). May be "
    "given more than once.",
)
_rate = click.option(
    "--rate",
    type=NumberWithin(16.0, 400.0),
    metavar="HZ",
    help="Samples of every zone in a second; the insoles' own rate (100) if left out.",
)
_frames = click.option(
    "--frames",
    type=WholeWithin(1, 8),
    default=2,
    show_default=True,
    help="Samples per packet: more are easier on the radio and later to the ear.",
)
_seed = click.option(
    "--seed",
    type=WholeWithin(0),
    metavar="N",
    help="Another one makes another virtual player, who swings in another order.  [default: 1]",
)
_style = click.option(
    "--style",
    type=click.Choice([str(style) for style in PlayerStyle]),
    help="What the virtual player's pushes are like: half of them roll with the shift and the "
    "others skip, are held or come early (mixed); all roll with the shift (rolls); all skip; all "
    "are held; all come early.  [default: mixed]",
)


def _shown(*names: str, **options: Any) -> Decorator:  # noqa: ANN401 - click's own
    """Make an option whose help shows its default."""
    return click.option(*names, show_default=True, **options)


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
        scan_near(store_of(ctx), seconds, radio, as_json)

    @group.command()
    @click.option("--left", metavar="SERIAL", help="Which left insole, by its serial number.")
    @click.option("--right", metavar="SERIAL", help="Which right insole.")
    @click.option("--left-name", metavar="NAME", default="", help="What to call the left insole.")
    @click.option("--right-name", metavar="NAME", default="", help="What to call the right insole.")
    @click.option(
        "--bond",
        is_flag=True,
        help="Pair by Bluetooth's own means too, for insoles that insist on encryption.",
    )
    @click.option("--forget", type=click.Choice(["left", "right"]), help="Forget that insole.")
    @pair_option
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
        bond: bool,
        forget: str | None,
        pair_name: str | None,
        seconds: float,
        radio: str | None,
    ) -> None:
        """Choose, name and remember the left and the right insole.

        Only remembered insoles are ever connected.
        """
        if forget is not None:
            forget_insole(store_of(ctx), forget, pair_name or "")
        else:
            names = {"left": left_name, "right": right_name}
            wanted = {"left": left, "right": right}
            choose_pair(
                *(store_of(ctx), wanted, names, seconds, radio), bond=bond, pair=pair_name or ""
            )

    @group.command()
    @click.option("--virtual", is_flag=True, help="Use virtual insoles (extra 'virtual').")
    @_pairs
    @_player
    @click.option(
        "--mass",
        type=Number("kg"),
        metavar="KG",
        help="The player's mass, instead of the registered one.",
    )
    @click.option(
        "--handed",
        type=click.Choice(["right", "left"]),
        help="How the player swings, instead of what is registered.  [default: right]",
    )
    @_rate
    @_frames
    @click.option("--sound/--no-sound", default=True, help="Let the pushes be heard.")
    @_of_a_pair("--sound-device", "DEVICE", "The sound device, by its name or a part of it.")
    @_of_a_pair("--wav", "PATH", "Sound to a file.")
    @click.option(
        "--for",
        "for_s",
        type=Number("seconds"),
        metavar="SECONDS",
        help="Stop by itself after so long.",
    )
    @_seed
    @_log
    @_style
    @_fault
    @_of_a_pair("--radio", "TRANSPORT", RADIO)
    @click.option("--part", hidden=True)
    @click.option(
        "--microphone",
        "microphone_m",
        type=NumberWithin(0.0, 30.0),
        metavar="METRES",
        help="Listen for strikes by the default microphone, so far from the ball (within 0.5 m). "
        "Times, levels and shapes of clicks are kept, and no sound.",
    )
    @drill_options
    @limit_option
    @page_options
    @settings_option
    @store_option
    @click.pass_context
    def run(ctx: click.Context, /, **options: Any) -> None:  # noqa: ANN401
        """Connect both insoles, record, analyse and cue, until Ctrl-C.

        A session ends on a stop or after 15 minutes without load; the next begins with the next
        load.

        Several pairs: --pair A --pair B, each with its own page and sessions. What is one pair's is
        given as A=VALUE, such as --player A=Mira. The first pair has the sound device, unless
        --sound-device names others.
        """
        from plantigrade_gateway.cli.pairs import alone, checked_pairs, run_pairs

        pairs = checked_pairs(options["pairs"])
        if len(pairs) > 1:
            run_pairs(
                *(ctx, store_of(ctx), config_of(ctx), pairs, options),
                _simulated(options, len(pairs)),
            )
        else:
            pair = pairs[0] if pairs else ""
            _run(store_of(ctx), config_of(ctx), pair, alone(pairs, options))

    @group.command()
    @_rate
    @_frames
    @_shown("--loss", type=Number(), default=0.0, help="Fraction of packets never sent.")
    @_shown(
        "--delay", type=Number("seconds"), default=0.015, metavar="S", help="Connection interval."
    )
    @_shown("--retry", type=Number(), default=0.05, help="Fraction of radio tries that fail.")
    @_shown(
        "--drift",
        type=(Number("ppm"), Number("ppm")),
        default=(32.0, -41.0),
        metavar="L R",
        help="How fast the left and the right clock run, ppm.",
    )
    @_shown(
        "--battery",
        type=Number("percent"),
        default=87.0,
        metavar="PERCENT",
        help="Its level at first.",
    )
    @_shown("--speed", type=Number(), default=1.0, help="Seconds of the player's in a second.")
    @_seed
    @_log
    @_style
    @click.option(
        "--calibrates", is_flag=True, help="The player goes through the poses of a calibration."
    )
    @click.option(
        "--companion",
        is_flag=True,
        help="The firmware's own C as a third insole, a left one; needs a C compiler.",
    )
    @_shown("--pairs", type=WholeWithin(1, 4), default=1, help="As many pairs, each with a player.")
    @_shown(
        "--port",
        type=WholeWithin(0, 65535),
        default=0,
        help="TCP port of 127.0.0.1 for --radio; 0: any free one.",
    )
    @_fault
    @store_option
    def simulate(**options: Any) -> None:  # noqa: ANN401
        """Run virtual insoles until Ctrl-C, for the other commands' --radio.

        They keep nothing: --store is taken, as by every command, and not used.
        """
        _simulate(options)

    @group.command()
    @json_option
    @store_option
    @click.pass_context
    def status(ctx: click.Context, as_json: bool) -> None:
        """Show the insoles' battery, loss, latency, clocks and signal."""
        from plantigrade_gateway.cli.status import show_status

        show_status(store_of(ctx), as_json)


def _run(store: Path | None, config: "Config", pair: str, options: dict[str, Any]) -> None:
    import asyncio

    try:
        work = _made(store, config, pair, options)
    except KeyboardInterrupt as error:
        raise Stopped("Stopped before recording began: nothing is recorded.") from error
    asyncio.run(work)


def _made(
    store: Path | None, config: "Config", pair: str, options: dict[str, Any]
) -> "Coroutine[None, None, None]":
    """Load what a run needs, and return its work."""
    from contextlib import nullcontext
    from dataclasses import replace

    from plantigrade_gateway.config import limits_of
    from plantigrade_gateway.converter import made_from_text
    from plantigrade_gateway.logs import set_up
    from plantigrade_gateway.report.aside import console_aside
    from plantigrade_gateway.report.console import console
    from plantigrade_gateway.session.ears import Ear
    from plantigrade_gateway.session.insoles import InsoleJob, InsoleOptions
    from plantigrade_gateway.session.part import Part, PartOrder
    from plantigrade_gateway.session.runner import run, stops_on_signals
    from plantigrade_gateway.session.stage import RunOptions
    from plantigrade_gateway.sources.live import StreamConfig

    set_up(config, f"gateway-{pair.lower()}" if pair else "gateway")
    part = None if options["part"] is None else Part(made_from_text(PartOrder, options["part"]))
    order = PartOrder() if part is None else part.order

    simulation = _simulated(options, 1)
    for_s = options["for_s"]
    if for_s is not None and not for_s > 0:  # NaN neither
        raise InputError(f"--for: is {for_s:g} s, expected more than 0")
    rate = options["rate"]
    whose = named_player(store, options["player"])
    settings = settings_for(whose, options["mass"], options["handed"])
    settings = settings.with_limits(config.limits(), limits_of(options["limits"]))
    if simulation is not None:
        simulation = replace(simulation, handed=(settings.handed,))
    page = web_options(options["page"], store, show=console().is_terminal)
    page = None if page is None else replace(page, pair=pair, usual=order.usual_port)
    run_options = RunOptions(
        sound=options["sound"],
        wav=options["wav"],
        store=store,
        page=page,
        drilling=drilling(
            store, options["drill"], options["feedback"], options["voice"], settings.limits
        ),
        config=config,
        player_id=whose.player_id if whose else None,
        ear=None if options["microphone_m"] is None else Ear(options["microphone_m"]),
        pair=pair,
        sound_device=options["sound_device"],
        part=part,
    )
    stream = StreamConfig(None if rate is None else round(1e6 / rate), options["frames"])
    insoles = InsoleOptions(stream, simulation, options["radio"], pair=pair, place=order.place)
    job = InsoleJob(insoles, settings)

    async def until_told() -> None:
        with (
            console_aside() as out,
            stops_on_signals() as stop,
            part.listening(stop) if part else nullcontext(),
        ):
            await run(job, run_options, out, stop, for_s)

    return until_told()


def _simulated(options: dict[str, Any], pairs: int) -> "Simulation | None":
    """Return the simulation that a run begins, of as many pairs; None without ``--virtual``."""
    from plantigrade_gateway.virtual.process import Fault, Simulation

    faults = tuple(Fault.parse(text) for text in options["faults"])
    if faults and not options["virtual"]:
        raise InputError("--fault: happens to virtual insoles only, add --virtual")
    for name in ("seed", "style", "log"):
        if options[name] is not None and options[name] is not False and not options["virtual"]:
            raise InputError(f"--{name}: makes a virtual player, add --virtual")
    if not options["virtual"]:
        return None
    if options["radio"]:
        raise InputError("--virtual starts its own radio: leave --radio out")
    return Simulation(faults=faults, pairs=pairs, **_player_of(options))


def _simulate(options: dict[str, Any]) -> None:
    import asyncio

    from plantigrade_gateway.virtual.process import Fault, run_until_stopped

    simulation = _simulation(options, tuple(Fault.parse(text) for text in options["faults"]))

    def ready(transports: Sequence[str]) -> None:
        click.echo(
            "Virtual insoles of an invented player are on the air, until Ctrl-C. Use them with"
        )
        for transport in transports:
            for command in ("scan", "pair", "run"):
                click.echo(f"  plantigrade {command} --radio {transport}")

    work: Coroutine[None, None, None] = run_until_stopped(simulation, ready)
    asyncio.run(work)


def _simulation(options: dict[str, Any], faults: tuple[Any, ...]) -> "Simulation":
    from plantigrade_gateway.virtual.process import Simulation

    return Simulation(
        rate_hz=options["rate"] or 100.0,
        frames=options["frames"],
        loss=options["loss"],
        interval_s=options["delay"],
        retry=options["retry"],
        drift_ppm=options["drift"],
        battery_percent=options["battery"],
        speed=options["speed"],
        faults=faults,
        port=options["port"],
        calibrates=options["calibrates"],
        companion=options["companion"],
        pairs=options["pairs"],
        **_player_of(options),
    )


def _player_of(options: dict[str, Any]) -> dict[str, Any]:
    """Return what was said of the virtual player; what was not is a simulation's own."""
    wanted: dict[str, Any] = {}
    if options["seed"] is not None:
        wanted["seed"] = options["seed"]
    if options["style"] is not None:
        wanted["style"] = PlayerStyle(options["style"])
    if options["log"]:
        wanted["log"] = True
    return wanted
