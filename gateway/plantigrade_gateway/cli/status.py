"""The command `status`: what is remembered, and how each pair's gateway is."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from plantigrade_gateway.cli.insoles import calibration_texts, firmwares_said, pairs_in
from plantigrade_gateway.cli.sync import show_hub

if TYPE_CHECKING:
    from rich.console import Console

    from plantigrade_gateway.store.status import ServiceStatus


def show_status(store: Path | None, as_json: bool) -> None:
    """Show the insoles' battery, loss, latency, clocks and signal."""
    from plantigrade.block import Foot
    from plantigrade_gateway.report.console import console, paragraph
    from plantigrade_gateway.store import forwardstate, hubstate, schema
    from plantigrade_gateway.store import status as linkstatus
    from plantigrade_gateway.store.insoles import size_notes
    from plantigrade_gateway.store.store import Store

    path = schema.default_path() if store is None else store
    if not schema.is_unused(store):
        Store.open(path, read_only=True).close()  # one that is named must be there
    pairs = pairs_in(store)
    known = [insole for insoles in pairs.values() for insole in insoles]
    calibrated = calibration_texts(path, known)
    firmwares = firmwares_said(path, known)
    statuses = linkstatus.read_all(path)
    forward = forwardstate.read(forwardstate.path_for(path))
    if as_json:
        import dataclasses
        import json

        rows = [
            {
                "foot": str(insole.foot),
                "serial": f"{insole.serial:08X}",
                "name": insole.name,
                "length_mm": insole.length_mm,
                "calibration": calibrated[insole.serial],
                "firmware": firmwares[insole.serial],
                "pair": pair,
            }
            for pair, insoles in pairs.items()
            for insole in insoles
        ]
        usual = next((status for status in statuses if not status.pair), None)
        running = any(status.is_live for status in statuses)
        table: dict[str, Any] = {"schema": 1, "running": running, "insoles": rows}
        table["status"] = None if usual is None else dataclasses.asdict(usual)
        table["pairs"] = [
            dataclasses.asdict(status) | {"is_live": status.is_live}
            for status in statuses
            if status.pair
        ]
        table["forward"] = None if forward is None else dataclasses.asdict(forward)
        handed = hubstate.read(hubstate.path_for(path))
        table["hub"] = None if handed is None else dataclasses.asdict(handed)
        click.echo(json.dumps(table, default=str))
        return
    out = console()
    for pair, insoles in pairs.items():
        for insole in insoles:
            of_pair = f", pair {pair}" if pair else ""
            firmware = firmwares[insole.serial]
            paragraph(
                out,
                f"Remembered{of_pair}: {insole.label}, {insole.serial:08X}, {insole.length_mm} mm"
                + (f", {firmware}; " if firmware is not None else "; ")
                + f"{calibrated[insole.serial]}.",
            )
        lacking = [str(foot) for foot in Foot if foot not in {one.foot for one in insoles}]
        if len(lacking) == 1:
            paragraph(out, f"No {lacking[0]} insole is remembered: see plantigrade pair.")
        for text in size_notes(insoles):
            paragraph(out, text)
    if not known:
        paragraph(out, "No insole is remembered: see plantigrade pair.")
    if not statuses:
        paragraph(out, "The gateway has not run with this store: see plantigrade run.")
    for status in statuses:
        _show(out, status)
    if forward is not None:
        paragraph(out, "Sent on:" if forward.is_fresh else "Sent on, when it last was:")
        for line in forwardstate.lines(forward):
            paragraph(out, line, "    ", "  ")
    show_hub(out, path)


def _show(out: "Console", status: "ServiceStatus") -> None:
    """Show one pair's status, and of the usual one no name."""
    from plantigrade_gateway.report.console import paragraph
    from plantigrade_gateway.store import status as linkstatus

    who = f"Pair {status.pair}" if status.pair else "The gateway"
    if not status.is_live:
        when = status.written.astimezone().strftime("%Y-%m-%d %H:%M:%S %z")
        paragraph(out, f"{who} is not running. As it was on {when}:")
    elif status.pair:
        paragraph(out, f"{who} is running" + (f", page {status.page}:" if status.page else ":"))
    for line in linkstatus.lines(status) or ["no insole was heard"]:
        paragraph(out, line, "  ")
