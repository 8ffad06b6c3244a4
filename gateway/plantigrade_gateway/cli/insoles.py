"""The commands `scan` and `pair`: list the insoles that are near, remember the chosen pair."""

import sys
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from plantigrade_gateway.cli.arguments import WholeWithin
from plantigrade_gateway.errors import InputError

if TYPE_CHECKING:
    from plantigrade_gateway.sources.bluetooth import Sighting
    from plantigrade_gateway.sources.meeting import Met
    from plantigrade_gateway.wire.gatt import KnownInsole


def scan_near(store: Path | None, seconds: float, radio: str | None, as_json: bool) -> None:
    """List the insoles that are near."""
    import asyncio

    from plantigrade_gateway.report.console import console, paragraph

    found = asyncio.run(_heard(seconds, radio))
    known = {insole.serial for insoles in pairs_in(store).values() for insole in insoles}
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
    from plantigrade_gateway.session.insoles import opened_radio
    from plantigrade_gateway.sources.bluetooth import scan

    async with opened_radio(transport) as radio:
        return await scan(radio, seconds)


def pairs_in(store: Path | None) -> "dict[str, list[KnownInsole]]":
    """Return the insoles that a store remembers, by pair; none where there is no store."""
    from plantigrade_gateway.store import schema
    from plantigrade_gateway.store.insoles import pairs
    from plantigrade_gateway.store.store import Store

    path = schema.default_path() if store is None else store
    if not path.exists():
        return {}
    with Store.open(path, read_only=True) as opened:
        return pairs(opened)


def choose_pair(
    store: Path | None,
    wanted: dict[str, str | None],
    names: dict[str, str],
    seconds: float,
    radio: str | None,
    *,
    bond: bool,
    pair: str,
) -> None:
    """Let the user choose a left and a right insole of those heard, and remember them.

    Those of another pair are chosen by their serial number alone.
    """
    import asyncio

    from plantigrade_gateway.formats import sentence
    from plantigrade_gateway.report.console import console, paragraph
    from plantigrade_gateway.store.calibrations import keep_curves
    from plantigrade_gateway.store.insoles import (
        known,
        layout_difference,
        layout_of,
        note_firmware,
        remember,
        size_notes,
    )
    from plantigrade_gateway.store.store import Store
    from plantigrade_gateway.wire.gatt import KnownInsole

    serials = {foot: _serial(text) for foot, text in wanted.items() if text is not None}
    others = {
        insole.serial
        for name, insoles in pairs_in(store).items()
        if name.casefold() != pair.casefold()
        for insole in insoles
    }
    met = asyncio.run(_met(serials, others - set(serials.values()), seconds, radio, bond))
    if not met:
        raise InputError(
            "no insole was heard: charge them, bring them near, and free them from other hosts"
            + ("; those of other pairs are chosen by --left and --right alone" if others else "")
        )
    chosen, curves = [], {}
    for sighting, said in met:
        foot = sighting.announcement.foot
        insole = KnownInsole.of(
            sighting.announcement, sighting.address, names[foot].strip(), said.information
        )
        chosen.append(replace(insole, bonded=bond))
        if said.curve is not None:
            curves[sighting.announcement.serial] = said.curve
    layout_of(chosen)
    out = console()
    with Store.open(store) as opened:
        for insole in chosen:
            remember(opened, insole, pair)
            of_pair = f" for pair {pair}" if pair else ""
            paragraph(out, f"Remembered{of_pair}: {insole.label}, {_what(insole)}.")
        for insole, (_, said) in zip(chosen, met, strict=True):
            if said.firmware is not None:
                hardware = None if said.information is None else said.information.hardware
                note_firmware(opened, insole.serial, said.firmware, hardware)
        keep_curves(opened, curves)
        now = known(opened, pair)
    for text in size_notes(chosen):
        paragraph(out, text)
    if text := layout_difference(now):
        paragraph(out, sentence(text))
    missing = {"left", "right"} - {str(insole.foot) for insole in chosen} - serials.keys()
    if not serials and missing:
        paragraph(out, f"No {missing.pop()} insole was heard.")


def _what(insole: "KnownInsole") -> str:
    """Say what an insole is, where it is not the usual thing its zones too."""
    text = f"{insole.serial:08X}, {insole.length_mm} mm"
    said = insole.information
    if said is None or (said.table is None and said.bits == 12):
        return text
    return f"{text}, {said.zones} zones, {said.bits} bits"


async def _met(
    serials: dict[str, int],
    others: set[int],
    seconds: float,
    transport: str | None,
    bond: bool,
) -> "list[tuple[Sighting, Met]]":
    """Let the user choose of the insoles that are near, and ask the chosen ones what they are."""
    from plantigrade_gateway.session.insoles import opened_radio
    from plantigrade_gateway.sources.bluetooth import scan
    from plantigrade_gateway.sources.meeting import meet

    met = []
    async with opened_radio(transport) as radio:
        heard = await scan(radio, seconds)
        found = [s for s in heard if s.announcement.serial not in others]
        for foot in ("left", "right"):
            if serials and foot not in serials:
                continue
            sighting = _choose(foot, found, serials.get(foot))
            if sighting is not None:
                met.append((sighting, await meet(sighting, radio, bond)))
    return met


def _serial(text: str) -> int:
    try:
        return int(text, 16)
    except ValueError:
        raise InputError(
            f"serial number {text!r}: expected hexadecimal digits, as plantigrade scan shows them"
        ) from None


def _choose(foot: str, found: "Iterable[Sighting]", serial: int | None) -> "Sighting | None":
    if serial is not None:
        match = [s for s in found if s.announcement.serial == serial]
        if not match:
            raise InputError(f"{foot} insole {serial:08X}: was not heard, see plantigrade scan")
        is_one = match[0].announcement.foot
        if is_one != foot:
            raise InputError(f"--{foot} {serial:08X}: is a {is_one} insole; name it by --{is_one}")
        return match[0]
    near = sorted((s for s in found if s.announcement.foot == foot), key=lambda s: -s.rssi)
    if len(near) < 2:
        return near[0] if near else None
    for number, sighting in enumerate(near, 1):
        click.echo(f"{number}  {_line(sighting)}")
    if not sys.stdin.isatty():
        raise InputError(f"{len(near)} {foot} insoles are near: choose one with --{foot} SERIAL")
    answer = click.prompt(f"Which is the {foot} one", type=WholeWithin(1, len(near)), default=1)
    return near[int(answer) - 1]


def forget_insole(store: Path | None, foot: str, pair: str = "") -> None:
    """Forget a pair's insole of a foot."""
    from plantigrade.block import Foot
    from plantigrade_gateway.store.insoles import forget
    from plantigrade_gateway.store.store import Store

    with Store.open(store) as opened:
        forget(opened, Foot(foot), pair)
    click.echo(f"The {foot} insole is forgotten.")


def calibration_texts(path: Path, insoles: "list[KnownInsole]") -> dict[int, str]:
    """Return what is said of each insole's calibration, by serial number.

    Parameters
    ----------
    path : Path
        The store.
    insoles : list of KnownInsole
        Those it remembers.
    """
    from plantigrade_gateway.store.calibrations import describe
    from plantigrade_gateway.store.store import Store

    if not insoles:
        return {}
    with Store.open(path, read_only=True) as opened:
        return {insole.serial: describe(opened, insole) for insole in insoles}


def firmwares_said(path: Path, insoles: "list[KnownInsole]") -> dict[int, str | None]:
    """Return what is said of each insole's firmware, by serial number; arguments as above."""
    from plantigrade_gateway.store.insoles import firmware_said
    from plantigrade_gateway.store.store import Store

    if not insoles:
        return {}
    with Store.open(path, read_only=True) as opened:
        return {insole.serial: firmware_said(opened, insole) for insole in insoles}
