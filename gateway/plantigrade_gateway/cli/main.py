"""The command `plantigrade`: arguments in, exit code out; the work is done elsewhere.

Exit codes: 0 well, 1 something failed, 2 an input or option that cannot be used (one sentence on
standard error says which, where and what was expected).
"""

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from plantigrade.errors import CalibrationError
from plantigrade_gateway.cli import (
    backup,
    calibrate,
    check,
    coach,
    desk,
    drills,
    footprint,
    hub,
    pages,
    players,
    repair,
    roster,
    speed,
    sync,
    visits,
)
from plantigrade_gateway.cli import run as livecli
from plantigrade_gateway.cli.arguments import NEW_PATH, PATH, Number
from plantigrade_gateway.cli.drills import drill_options, drilling
from plantigrade_gateway.cli.forward import config_of, limit_option, settings_option
from plantigrade_gateway.cli.forward import register as register_forward
from plantigrade_gateway.cli.group import Commands
from plantigrade_gateway.cli.pages import page_options, web_options
from plantigrade_gateway.cli.players import named_player, other_hand, player_option
from plantigrade_gateway.errors import GatewayError, InputError, RecordError
from plantigrade_gateway.store import schema

if TYPE_CHECKING:
    from plantigrade_gateway.analysis.result import Analysis
    from plantigrade_gateway.store.store import Store

# What a command works with is imported in it: --help and a mistyped option answer at once.

_STORE = "plantigrade.store"
_Decorated = TypeVar("_Decorated", bound=Callable[..., Any])


def _keep_store(ctx: click.Context, _: click.Parameter, value: Path | None) -> None:
    if value is not None:
        from plantigrade_gateway.store.schema import followed

        ctx.meta[_STORE] = followed(value)


def _store_option(command: _Decorated) -> _Decorated:
    """Let --store stand before or after a command."""
    option: Callable[[_Decorated], _Decorated] = click.option(
        "--store",
        type=PATH,
        callback=_keep_store,
        expose_value=False,
        metavar="PATH",
        help="The store's file, instead of this installation's own.",
    )
    return option(command)


def _json_option(command: _Decorated) -> _Decorated:
    option: Callable[[_Decorated], _Decorated] = click.option(
        "--json", "as_json", is_flag=True, help="Print JSON for a machine to read."
    )
    return option(command)


def _replay_options(command: _Decorated) -> _Decorated:
    """Add what can be said of a record that is played as if the insoles were live."""
    options: tuple[Callable[[Any], Any], ...] = (
        _store_option,
        settings_option,
        page_options,
        limit_option,
        drill_options,
        player_option,
        click.option(
            "--wav",
            type=NEW_PATH,
            metavar="PATH",
            help="Write the sound to this WAV file instead of playing it.",
        ),
        click.option("--sound/--no-sound", default=True, help="Let the pushes be heard."),
        click.option("--fast", is_flag=True, help="Do not wait: run it as fast as it goes."),
    )
    for option in options:
        command = option(command)
    return command


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="plantigrade", message="%(prog)s %(version)s")
@_store_option
def main() -> None:
    """Measure how a golfer's feet stand, walk and push, with pressure insoles.

    A training aid, not a medical device.
    """
    os.umask(0o077)  # what is written is data on a person: its owner may open it to others
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:  # a terminal that lacks a sign shows "?" in its place
            reconfigure(errors="replace", line_buffering=True)


@main.command()
@_replay_options
@click.pass_context
def demo(ctx: click.Context, /, **options: Any) -> None:  # noqa: ANN401 - click's own
    """Replay the recorded practice session as if the insoles were live.

    The session is stored. Ctrl-C stops it with everything kept.
    """
    from plantigrade_gateway.session.recorded import INVENTED
    from plantigrade_gateway.sources.replay import demo_file

    _replay(ctx, demo_file(), "demo (invented)", INVENTED, options)


@main.command()
@click.argument("file", type=PATH)
@_replay_options
@click.pass_context
def replay(ctx: click.Context, /, file: Path, **options: Any) -> None:  # noqa: ANN401
    """Run FILE, a replay file (.pgr), as if the insoles were live.

    The session is stored. Ctrl-C stops it with everything kept.
    """
    source, intro = f"replay: {file.name}", f"Replaying {file.name}."
    _replay(ctx, file, source, intro, options)


def _replay(
    ctx: click.Context,
    path: Path,
    source: str,
    intro: str,
    options: dict[str, Any],
) -> None:
    import asyncio

    from plantigrade_gateway.config import limits_of
    from plantigrade_gateway.logs import set_up
    from plantigrade_gateway.record.settings import SessionSettings
    from plantigrade_gateway.report.console import console
    from plantigrade_gateway.session.recorded import ReplayJob
    from plantigrade_gateway.session.runner import run, stops_on_signals
    from plantigrade_gateway.session.stage import RunOptions
    from plantigrade_gateway.sources.recording import ReplaySource

    out = console()
    config = config_of(ctx)
    set_up(config, "gateway")
    fast = options["fast"]  # there is nothing to look at
    whose = named_player(_store(ctx), options["player"])
    page = None if fast else web_options(options["page"], _store(ctx), show=out.is_terminal)
    usual, limits = config.limits(), limits_of(options["limits"])
    run_options = RunOptions(
        sound=options["sound"],
        wav=options["wav"],
        wav_instead=f"{path.stem}.wav",
        fast=fast,
        store=_store(ctx),
        page=page,
        drilling=drilling(
            _store(ctx),
            options["drill"],
            options["feedback"],
            options["voice"],
            SessionSettings().with_limits(usual, limits).limits,
        ),
        config=config,
        player_id=whose.player_id if whose else None,
    )
    change = (lambda s: s.with_limits(usual, limits)) if usual or limits else None
    recording = ReplaySource(path, source, fast=fast, change=change)
    for text in other_hand(whose, recording.about.settings):
        click.echo(text)

    async def until_told() -> None:
        with stops_on_signals() as stop:
            await run(ReplayJob(recording, intro, stays=out.is_terminal), run_options, out, stop)

    asyncio.run(until_told())


@main.command()
@click.argument("file", type=PATH)
@click.option(
    "--layout",
    metavar="FILE",
    help="The zone layout (TOML) of a zone CSV; the built-in eighteen zones by default.",
)
@click.option("--mass", type=Number("kg"), metavar="KG", help="The person's mass.")
@click.option("--handed", type=click.Choice(["right", "left"]), help="Right unless given.")
@limit_option
@settings_option
@_json_option
@_store_option
@click.pass_context
def analyse(ctx: click.Context, /, file: Path, as_json: bool, **options: Any) -> None:  # noqa: ANN401
    """Report what is in FILE, a zone CSV or a replay file (.pgr).

    Nothing is stored. A replay file carries its own layout, mass, handedness and limits; --mass,
    --handed and --limit take their place.
    """
    from plantigrade_gateway.analysis.serialise import document
    from plantigrade_gateway.converter import text_of
    from plantigrade_gateway.report import session as report

    found = _analysed(ctx, file, **options)
    if as_json:
        click.echo(text_of(document(found)))
    else:
        report.show(found)


def _analysed(
    ctx: click.Context,
    file: Path,
    layout: str | None,
    mass: float | None,
    handed: str | None,
    limits: tuple[str, ...],
) -> "Analysis":
    from plantigrade_gateway.analysis.record import analyse_record
    from plantigrade_gateway.analysis.result import check_mass, read_layout
    from plantigrade_gateway.analysis.zonecsv import analyse_csv
    from plantigrade_gateway.config import limits_of
    from plantigrade_gateway.record.settings import SessionSettings
    from plantigrade_gateway.sources.replay import is_replay, read_replay
    from plantigrade_gateway.sources.zonecsv import iter_zone_csv, scan_zone_csv

    usual, chosen = config_of(ctx).limits(), limits_of(limits)
    if is_replay(file):
        if layout is not None:
            raise InputError(f"{file}: a replay file carries its own layout, --layout is not taken")
        read = list(read_replay(file))  # its own faults name the file
        try:
            return analyse_record(read, file.name, mass, handed, usual, chosen)
        except (RecordError, CalibrationError) as error:
            raise type(error)(f"{file}: {error}") from error
    zones = read_layout(layout)
    check_mass(mass)  # before a long file is read
    facts = scan_zone_csv(file, zones)
    return analyse_csv(
        file.name,
        zones,
        facts,
        lambda: iter_zone_csv(file, zones, facts=facts),
        mass,
        handed or "right",
        SessionSettings().with_limits(usual, chosen).limits,
    )


@main.command()
@_json_option
@_store_option
@click.pass_context
def sessions(ctx: click.Context, as_json: bool) -> None:
    """List the stored sessions, the latest first."""
    from plantigrade_gateway.converter import text_of
    from plantigrade_gateway.report.console import console
    from plantigrade_gateway.report.listing import names_of, session_json, show_list
    from plantigrade_gateway.store.sessions import list_sessions

    if not schema.is_unused(_store(ctx)):
        with _open_store(ctx) as store:
            lines = list_sessions(store)
            names = names_of(lines, store)
    else:
        lines, names = [], {}
    if as_json:
        click.echo(text_of([session_json(line) for line in lines]))
    else:
        show_list(lines, names, console())


@main.command()
@click.argument("session")
@_json_option
@_store_option
@click.pass_context
def show(ctx: click.Context, session: str, as_json: bool) -> None:
    """Report the stored SESSION: the first digits of its id, or "last"."""
    from plantigrade_gateway.analysis.serialise import document
    from plantigrade_gateway.converter import text_of
    from plantigrade_gateway.people.players import Register
    from plantigrade_gateway.people.visits import Visits, read_session
    from plantigrade_gateway.report.console import console
    from plantigrade_gateway.report.listing import session_json
    from plantigrade_gateway.report.session import show_session
    from plantigrade_gateway.store.sessions import detail, find

    with _open_store(ctx) as store:
        session_id = find(store, session).session_id
        found, line = read_session(store, session_id), detail(store, session_id).line
        if as_json:
            click.echo(text_of({"session": session_json(line), "analysis": document(found)}))
            return
        with Register(store) as register:
            names, said = register.names(), Visits(register).said(session_id, found.swings)
    show_session(line, found, names, said, console())


@main.command()
@click.argument("session")
@click.option(
    "--to",
    "folder",
    type=NEW_PATH,
    required=True,
    metavar="DIR",
    help="The folder to write to; made if it is missing, beside others that are there.",
)
@click.option("--replace", is_flag=True, help="Replace files that are there already.")
@_json_option
@_store_option
@click.pass_context
def export(ctx: click.Context, session: str, folder: Path, replace: bool, as_json: bool) -> None:
    """Write SESSION's steps, swings, stands, sets (CSV, Parquet) and raw frames (zone CSV)."""
    from plantigrade_gateway.analysis.late import made_whole
    from plantigrade_gateway.converter import text_of
    from plantigrade_gateway.report.export import export as write
    from plantigrade_gateway.report.frames import write_frames
    from plantigrade_gateway.store.repair import batches_and_gaps
    from plantigrade_gateway.store.sessions import find

    with _open_store(ctx) as store:
        one = find(store, session)
        session_id = one.session_id
        record = batches_and_gaps(store, one, lambda text: click.echo(f"Lost: {text}", err=True))

        def frames(to: Path) -> None:
            held = list(record)  # it says what is lost once
            write_frames(to, made_whole(lambda: held))

        files = write(
            store,
            session_id,
            folder,
            write_frames=frames,
            replace=replace,
        )
    if as_json:
        click.echo(text_of({"session": session_id, "files": [str(file) for file in files]}))
    else:
        for file in files:
            click.echo(str(file))


@main.command()
@click.argument("session", required=False)
@limit_option
@_json_option
@_store_option
@click.pass_context
def reanalyse(
    ctx: click.Context, session: str | None, limits: tuple[str, ...], as_json: bool
) -> None:
    """Make the results of SESSION, or of all that have ended, again from the recorded bytes.

    For results made by another version, for sessions that were cut off, and to see what other
    limits would have decided: they are kept with the results until these are made again.
    """
    from plantigrade_gateway.config import limits_of
    from plantigrade_gateway.converter import text_of
    from plantigrade_gateway.people.visits import with_said
    from plantigrade_gateway.report.session import redone_line
    from plantigrade_gateway.store import results
    from plantigrade_gateway.store.sessions import find

    done, failed, others = [], [], limits_of(limits)
    with _open_store(ctx, read_only=False) as store:
        store.recover()
        ended = [one for one in store.sessions() if one.state != "open"]
        chosen = [find(store, session)] if session else ended
        for one in chosen:
            try:
                found, changed = results.reanalyse(store, one.session_id, with_said, others)
            except GatewayError as error:
                if session:
                    raise
                failed.append(str(error))
                continue
            done.append(
                {
                    "session": one.session_id,
                    "steps": len(found.steps),
                    "swings": len(found.swings),
                    "stands": len(found.stands),
                    "changed": changed,
                }
            )
            if not as_json:
                click.echo(redone_line(one, found, changed))
    if as_json:
        click.echo(text_of({"sessions": done, "failed": failed}))
    elif not chosen:
        click.echo("No session is there to be analysed again.")
    for text in failed:
        click.echo(f"Error: {text}", err=True)
    if failed:
        ctx.exit(1)


@main.command()
@click.option(
    "--store-check",
    is_flag=True,
    help="Read all of the store instead, page by page and piece by piece, and say what is damaged.",
)
@_json_option
@_store_option
@click.pass_context
def doctor(ctx: click.Context, store_check: bool, as_json: bool) -> None:
    """Look whether this machine can do the job, and say what to do if not.

    Exit code 1 when something stands in the way of recording, or --store-check finds damage.
    """
    from plantigrade_gateway.cli.doctor import State, check_whole_store, examine
    from plantigrade_gateway.converter import plain, text_of
    from plantigrade_gateway.report.console import console, item, paragraph

    if store_check:
        path = _store(ctx) or schema.default_path()
        checks = check_whole_store(path, lambda text: click.echo(f"Reading {text}.", err=True))
    else:
        checks = examine(_store(ctx))
    if as_json:
        click.echo(text_of([plain(check) for check in checks]))
    else:
        out = console()
        for check in checks:
            item(out, f"{check.state:<5}{check.name}", check.found)
            if check.advice:
                paragraph(out, check.advice, " " * 18)
    if any(check.state is State.FAIL for check in checks):
        ctx.exit(1)


def _store(ctx: click.Context) -> Path | None:
    """Return the store that was named, before or after the command."""
    named = ctx.meta.get(_STORE)
    return named if isinstance(named, Path) else None


def _open_store(ctx: click.Context, *, read_only: bool = True) -> "Store":
    """Open the store that is there already."""
    from plantigrade_gateway.store.store import Store

    return Store.open(_store(ctx), create=False, read_only=read_only)


livecli.register(main, _store_option, _json_option, _store)
pages.register(main, _store_option, _store)
desk.register(main, _store_option, _store)
repair.register(main, _store_option, _json_option, _store)
backup.register(main, _store_option, _json_option, _store)
calibrate.register(main, _store_option, _store)
register_forward(main, _store_option, _json_option, _store)
drills.register(main, _store_option, _json_option, _store)
players.register(main, _store_option, _json_option, _store)
coach.register(main, _store_option, _json_option, _store)
check.register(main, _store_option, _json_option, _store)
visits.register(main, _store_option, _json_option, _store)
speed.register(main, _store_option, _json_option, _store)
footprint.register(main, _store_option, _json_option, _store)
hub.register(main, _json_option)
sync.register(main, _store_option, _json_option, _store)
roster.register(main, _store_option, _json_option, _store)
