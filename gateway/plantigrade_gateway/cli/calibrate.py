"""The command `calibrate`: arguments in; the work is elsewhere. `register` adds it to a group."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from plantigrade_gateway.cli.arguments import PATH, Decorator, NumberWithin, pair_option
from plantigrade_gateway.errors import InputError


def register(
    group: click.Group,
    store_option: Decorator,
    store_of: Callable[[click.Context], Path | None],
) -> None:
    """Add the command to a group.

    Parameters
    ----------
    group : click.Group
    store_option : callable
        The group's decorator for ``--store``.
    store_of : callable
        The store that was named, or None.
    """

    @group.command()
    @click.option("--check", is_flag=True, help="The daily check: a minute; changes nothing.")
    @click.option(
        "--mass", type=NumberWithin(10.0, 300.0, "kg"), metavar="KG", help="The player's."
    )
    @click.option(
        "--footbed",
        type=NumberWithin(100.0, 400.0, "mm"),
        metavar="MM",
        help="Inner length of the shoe, to hold the insoles' size against.",
    )
    @click.option(
        "--bench",
        type=PATH,
        metavar="FILE",
        help="Take each zone's curve from bench readings (CSV) instead; see calibration.md.",
    )
    @click.option("--virtual", is_flag=True, help="Use virtual insoles (extra 'virtual').")
    @click.option("--speed", type=NumberWithin(1.0, 30.0), default=1.0, help="Of virtual ones.")
    @click.option(
        "--flaw",
        "flaws",
        multiple=True,
        metavar="KIND[:FOOT:VALUE]",
        help="Let something be wrong with virtual ones: gain, dead, full, swapped, moved, short…",
    )
    @click.option(
        "--radio",
        metavar="TRANSPORT",
        help="One of the system's adapters (Linux: hci0, hci1 …), or another than the system's "
        "(needs the extra 'virtual').",
    )
    @pair_option
    @store_option
    @click.pass_context
    def calibrate(ctx: click.Context, /, **options: Any) -> None:  # noqa: ANN401
        """Guide the player through a calibration of both insoles, and store it.

        Lift each foot, stand on both and on each, rock heel to toe and edge to edge. Every step is
        refused with a reason where its data are not good enough. Ctrl-C keeps the old calibration.
        """
        bench = options.pop("bench")
        if bench is None:
            _calibrate(ctx, store_of(ctx), options)
        elif options["check"] or options["virtual"]:
            raise InputError("--bench reads a file: leave --check and --virtual out")
        else:
            _keep_bench(store_of(ctx), bench, options["pair_name"] or "")


def _keep_bench(path: Path | None, file: Path, pair_name: str) -> None:
    """Keep a bench file's curves for a pair's insoles, and say what they are worth."""
    from plantigrade.errors import shown
    from plantigrade_gateway.analysis.bench import read_bench
    from plantigrade_gateway.foreign import read_file
    from plantigrade_gateway.record.settings import zones_of
    from plantigrade_gateway.report.console import console, paragraph
    from plantigrade_gateway.store.calibrations import keep_curves
    from plantigrade_gateway.store.insoles import known
    from plantigrade_gateway.store.store import Store

    source = f"bench file {shown(str(file))}"
    data = read_file(file, source)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"{source}: is not UTF-8 text") from None
    out = console()
    with Store.open(path) as store:
        pair = {insole.foot: insole for insole in known(store, pair_name)}
        scales = {
            foot: (zones_of(insole.layout).n_zones, insole.full_scale)
            for foot, insole in pair.items()
        }
        read = read_bench(text, source, scales)
        keep_curves(store, {pair[foot].serial: one.calibration for foot, one in read.items()})
    for foot, one in read.items():
        width = one.hysteresis_percent
        wide = "" if width is None else f", hysteresis {width:.1f} % of the highest pressure"
        paragraph(
            out,
            f"{pair[foot].label}: curves of {one.calibration.n_zones} zones are kept{wide}.",
        )
    paragraph(out, "They are not fitted to a player: run plantigrade calibrate --mass KG.")


def _calibrate(ctx: click.Context, store: Path | None, options: dict[str, Any]) -> None:
    import asyncio
    import time

    from plantigrade_gateway.report.aside import console_aside
    from plantigrade_gateway.session.calibrate import CalibrationOptions, calibrate
    from plantigrade_gateway.session.runner import stops_on_signals
    from plantigrade_gateway.virtual.player import ScriptedFaults
    from plantigrade_gateway.virtual.process import Simulation

    virtual, flaws, speed = options["virtual"], options["flaws"], options["speed"]
    if not virtual and (flaws or speed != 1.0):
        raise InputError("--flaw and --speed are for virtual insoles only, add --virtual")
    if virtual and options["radio"]:
        raise InputError("--virtual starts its own radio: leave --radio out")
    ScriptedFaults.parse(flaws)  # refuses an unknown flaw before anything starts
    request = CalibrationOptions(
        store,
        options["mass"],
        options["check"],
        options["footbed"],
        Simulation(speed=speed, calibrates=True, flaws=flaws) if virtual else None,
        options["radio"],
        now_ns=lambda: int(speed * time.monotonic_ns()),
        pair=options["pair_name"] or "",
    )

    async def until_told() -> bool:
        with console_aside() as out, stops_on_signals() as stop:
            return await calibrate(request, out, stop)

    if not asyncio.run(until_told()):
        ctx.exit(1)
