"""What `plantigrade run` says of pairs: each option's value for a pair, and each pair's program."""

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from plantigrade_gateway.cli.arguments import NEW_PATH
from plantigrade_gateway.errors import InputError

if TYPE_CHECKING:
    from plantigrade_gateway.config import Config
    from plantigrade_gateway.session.several import PairOrder
    from plantigrade_gateway.virtual.process import Simulation

OF_A_PAIR = ("player", "sound_device", "wav", "radio")
"""Options that may be given for each pair, as PAIR=VALUE."""
_ONE_PLAYERS = ("mass", "handed", "microphone_m")
_NOT_PASSED_ON = {*OF_A_PAIR, "pairs", "part", "virtual", "seed", "style", "log", "faults", "port"}
_WAV = click.Option(["--wav"])


def checked_pairs(names: Sequence[str]) -> tuple[str, ...]:
    """Return the pairs that are named, each once.

    Raises
    ------
    InputError
        No name, one that is given twice, or more than can run.
    """
    from plantigrade_gateway.store.insoles import checked_pair
    from plantigrade_gateway.virtual.process import MOST_PAIRS

    pairs = tuple(checked_pair(name) for name in names)
    if len({name.casefold() for name in pairs}) < len(pairs):
        raise InputError("--pair: one pair is named twice")
    if len(pairs) > MOST_PAIRS:
        raise InputError(f"--pair: {len(pairs)} pairs, expected up to {MOST_PAIRS}")
    return pairs


def values_of(pairs: Sequence[str], option: str, given: Iterable[str]) -> dict[str, str]:
    """Return an option's value for each pair it was given for.

    Parameters
    ----------
    pairs : sequence of str
        Those that run; without any, or with one, a value needs no name before it.
    option : str
        As people type it.
    given : iterable of str

    Raises
    ------
    InputError
        A value without a pair where there are several, or a second one for a pair.
    """
    by_key = {name.casefold(): name for name in pairs}
    found: dict[str, str] = {}
    for text in given:
        before, sign, after = text.partition("=")
        pair = by_key.get(before.casefold()) if sign else None
        if pair is None and len(pairs) > 1:
            raise InputError(f"{option} {text}: which pair's? expected PAIR=VALUE")
        name, value = (pair, after) if pair is not None else (pairs[0] if pairs else "", text)
        if name in found:
            raise InputError(f"{option}: is given twice" + (f" for pair {name}" if name else ""))
        found[name] = value
    return found


def wav_path(text: str) -> Path:
    """Return the file of ``--wav``, in a folder that is there."""
    path: Path = NEW_PATH.convert(text, _WAV, None)
    return path


def alone(pairs: Sequence[str], options: dict[str, Any]) -> dict[str, Any]:
    """Return the options of a run of one pair: what may be given for each is given once."""
    found = dict(options)
    for name in OF_A_PAIR:
        values = values_of(pairs, f"--{name.replace('_', '-')}", options[name])
        found[name] = next(iter(values.values()), None)
    if found["wav"] is not None:
        found["wav"] = wav_path(found["wav"])
    return found


def run_pairs(
    ctx: click.Context,
    store: Path | None,
    config: "Config",
    pairs: Sequence[str],
    options: dict[str, Any],
    simulation: "Simulation | None",
) -> None:
    """Run several pairs, until Ctrl-C; virtual ones by a simulation of as many."""
    import asyncio
    from dataclasses import replace

    from plantigrade_gateway.logs import set_up
    from plantigrade_gateway.report.aside import console_aside
    from plantigrade_gateway.session.runner import stops_on_signals
    from plantigrade_gateway.session.several import run_several
    from plantigrade_gateway.store.store import Store

    orders = _orders(ctx, store, pairs, options)
    if simulation is not None:
        players = values_of(pairs, "--player", options["player"])
        simulation = replace(simulation, handed=hands_of(store, pairs, players))
    set_up(config, "pairs")

    async def until_told() -> None:
        with console_aside() as out, stops_on_signals() as stop, Store.open(store) as opened:
            await run_several(orders, opened, config, simulation, out, stop)

    asyncio.run(until_told())


def _orders(
    ctx: click.Context, store: Path | None, pairs: Sequence[str], options: dict[str, Any]
) -> "list[PairOrder]":
    """Return what each pair's program is asked for, once all of it can be."""
    from plantigrade_gateway.cli.pages import web_options
    from plantigrade_gateway.session.part import PartOrder
    from plantigrade_gateway.session.several import PairOrder
    from plantigrade_gateway.web.live.page import PORT

    for name in _ONE_PLAYERS:
        if options[name] is not None:
            option = f"--{name.removesuffix('_m')}"
            raise InputError(f"{option}: is one player's, and there are {len(pairs)} pairs")
    of = {
        name: values_of(pairs, f"--{name.replace('_', '-')}", options[name]) for name in OF_A_PAIR
    }
    if not options["virtual"]:
        _see_to_insoles(store, pairs)
    _see_to_players(store, of["player"])
    for text in of["wav"].values():
        wav_path(text)
    web_options(options["page"], store, show=False)  # sees to the password, once
    silent = _silent(pairs, of, options["sound"])
    common = _passed_on(ctx) + ([] if store is None else ["--store", str(store)])
    port = options["page"].port
    orders = []
    for place, name in enumerate(pairs):
        arguments = [*common, "--pair", name]
        for option, values in of.items():
            if name in values:
                arguments += [f"--{option.replace('_', '-')}", values[name]]
        if port:
            arguments += ["--port", str(port + place)]
        # Any free one is asked for as the usual: its page is to come back to it.
        usual = PORT + place if port is None else 0
        part = PartOrder(usual_port=usual, silent=silent.get(name))
        orders.append(PairOrder(name, tuple(arguments), part))
    return orders


def _see_to_insoles(store: Path | None, pairs: Sequence[str]) -> None:
    from plantigrade_gateway.cli.insoles import pairs_in
    from plantigrade_gateway.session.insoles import none_remembered

    there = {name.casefold() for name in pairs_in(store)}
    for name in pairs:
        if name.casefold() not in there:
            raise InputError(none_remembered(name))


def _see_to_players(store: Path | None, players: dict[str, str]) -> None:
    """See that each is there, and plays with one pair."""
    from plantigrade_gateway.cli.players import found_player

    chosen: dict[str, str] = {}
    for pair, text in players.items():
        player_id = found_player(store, text).player_id
        if player_id in chosen:
            raise InputError(f"--player {text}: plays with pair {chosen[player_id]} already")
        chosen[player_id] = pair


def hands_of(store: Path | None, pairs: Sequence[str], players: dict[str, str]) -> tuple[str, ...]:
    """Return how each pair's sessions are read: by its player's handedness."""
    from plantigrade_gateway.cli.players import found_player, settings_for

    found = (found_player(store, players[name]) if name in players else None for name in pairs)
    return tuple(settings_for(player, None, None).handed for player in found)


def _silent(
    pairs: Sequence[str], of: dict[str, dict[str, str]], sound: bool
) -> dict[str, str | None]:
    """Return why pairs may not have the sound device: two pairs' cues are not mixed unasked.

    The first pair has the usual device; where devices are named, only the pairs they are named for
    have one.
    """
    named = of["sound_device"]
    loud = set(named) if named else set(pairs[:1])
    return {
        name: f"No sound device is pair {name}'s: name one with --sound-device {name}=DEVICE, or "
        "let its live page play the sound."
        for name in pairs
        if sound and name not in loud and name not in of["wav"]
    }


def _passed_on(ctx: click.Context) -> list[str]:
    """Return the options that were given and are every pair's, as they were given."""
    from plantigrade_gateway.cli.forward import settings_file

    arguments: list[str] = []
    for parameter in ctx.command.params:
        name = parameter.name
        if not isinstance(parameter, click.Option) or name is None or name in _NOT_PASSED_ON:
            continue
        if not parameter.expose_value or _is_default(ctx, name):
            continue
        value = ctx.params[name]
        if parameter.is_flag:
            arguments.append(parameter.opts[0] if value else parameter.secondary_opts[0])
            continue
        for one in value if parameter.multiple else (value,):
            arguments += [parameter.opts[0], str(one)]
    if (settings := settings_file(ctx)) is not None:
        arguments += ["--settings", str(settings)]
    return arguments


def _is_default(ctx: click.Context, name: str) -> bool:
    source = ctx.get_parameter_source(name)
    return source is None or source.name.startswith("DEFAULT")
