"""The commands `players …`: who plays, what was agreed, found and decided, and whose sessions are.

Arguments in, no work; `register` adds them to the command's group.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from plantigrade_gateway.people.players import Register
    from plantigrade_gateway.people.profile import Profile
    from plantigrade_gateway.record.settings import SessionSettings

Decorator = Callable[[Any], Any]

player_option = click.option(
    "--player",
    metavar="PLAYER",
    help="Whose session it is: a registered player's name, or the first digits of the id.",
)


@contextmanager
def _register(store: Path | None, *, create: bool = False) -> "Iterator[Register]":
    from plantigrade_gateway.people.players import Register
    from plantigrade_gateway.store.store import Store

    with Store.open(store, create=create) as opened, Register(opened) as register:
        yield register


def named_player(store: Path | None, text: str | None) -> "Profile | None":
    """Return the player that an option names, ready to have sessions; None where none is named.

    Raises
    ------
    GatewayError
        There is no such player: one sentence.
    """
    if text is None:
        return None
    with _register(store) as register:
        found = register.find(text)
        register.anchor(found.player_id)
        return found


def settings_for(
    player: "Profile | None", mass_kg: float | None, handed: str | None
) -> "SessionSettings":
    """Return a session's settings: by the options, where they say nothing by the player."""
    from plantigrade_gateway.record.settings import SessionSettings

    if player is not None:
        mass_kg = player.mass_kg if mass_kg is None else mass_kg
        handed = handed or player.handedness
    return SessionSettings(mass_kg=mass_kg, handed=handed or "right")


def other_hand(player: "Profile | None", settings: "SessionSettings | None") -> list[str]:
    """Return what is to be said where a record was made for the other hand than the player's."""
    if player is None or settings is None or settings.handed == player.handedness:
        return []
    return [
        f"The recording is of a {settings.handed}-handed player, {player.name} is registered as "
        f"{player.handedness}-handed: the recording's own is kept."
    ]


def _about(command: Any) -> Any:  # noqa: ANN401 - click's own
    """Let what is kept of a player be given."""
    for option in (
        click.option("--guardian", metavar="NAME", help="Who answers for a minor."),
        click.option("--minor/--adult", "is_minor", default=None, help="Under age, or not."),
        click.option(
            "--insoles", nargs=2, metavar="LEFT RIGHT", help="Serial numbers of the usual pair."
        ),
        click.option("--size", metavar="TEXT", help="The shoe's size."),
        click.option("--footbed", metavar="TEXT", help="The usual footbed."),
        click.option("--shoe", metavar="TEXT", help="The usual shoe."),
        click.option("--mass", "mass_kg", type=float, metavar="KG", help="The mass."),
        click.option("--handed", "handedness", metavar="HAND", help="right or left."),
    ):
        command = option(command)
    return command


def _given(options: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in options.items() if value is not None}


def register(
    group: click.Group,
    store_option: Decorator,
    json_option: Decorator,
    store_of: Callable[[click.Context], Path | None],
) -> None:
    """Add the commands to a group; the parameters are those of `register` in `cli/run.py`."""

    @group.group(invoke_without_command=True)
    @click.option("--search", metavar="TEXT", default="", help="Only those whose name holds it.")
    @json_option
    @store_option
    @click.pass_context
    def players(ctx: click.Context, search: str, as_json: bool) -> None:
        """List the players, with their sessions and the last visit; or do something with one.

        PLAYER is a name, or the first digits of an id.
        """
        if ctx.invoked_subcommand is None:
            _list(store_of(ctx), search, as_json)

    @players.command()
    @click.argument("name")
    @_about
    @store_option
    @click.pass_context
    def add(ctx: click.Context, /, name: str, **options: Any) -> None:  # noqa: ANN401
        """Register a player by NAME, or by a code; --handed is needed. Nothing medical goes in."""
        with _register(store_of(ctx), create=True) as found:
            player_id = found.add(name=name, **_given(options))
        click.echo(f"Registered: {name.strip()}, {player_id}")

    @players.command()
    @click.argument("player")
    @click.option("--name", metavar="NAME", help="Another name or code.")
    @_about
    @store_option
    @click.pass_context
    def edit(ctx: click.Context, /, player: str, **options: Any) -> None:  # noqa: ANN401
        """Change what is kept of PLAYER; what was said before stays in the log."""
        with _register(store_of(ctx)) as found:
            changed = found.edit(found.find(player).player_id, **_given(options))
        click.echo(f"Changed: {', '.join(changed)}." if changed else "Nothing has changed.")

    @players.command()
    @click.argument("session")
    @click.argument("player")
    @click.option("--move", is_flag=True, help="Take it from the player whose it is.")
    @store_option
    @click.pass_context
    def assign(ctx: click.Context, session: str, player: str, move: bool) -> None:
        """Give the stored SESSION to PLAYER; "last" is the last one."""
        from plantigrade_gateway.record.settings import settings_of
        from plantigrade_gateway.store.sessions import find

        with _register(store_of(ctx)) as found:
            chosen, whose = find(found.store, session), found.find(player)
            found.assign(chosen.session_id, whose.player_id, move=move)
            first = next(found.store.batches(chosen.session_id), None)
        click.echo(f"Session {chosen.session_id[:8]} is {whose.name}'s.")
        for text in other_hand(whose, None if first is None else settings_of(first)):
            click.echo(text)


def _list(store: Path | None, search: str, as_json: bool) -> None:
    from plantigrade_gateway.analysis.serialise import text_of
    from plantigrade_gateway.converter import plain
    from plantigrade_gateway.formats import NONE, printable
    from plantigrade_gateway.report.console import console, paragraph, put, table
    from plantigrade_gateway.store import schema

    rows = []
    if (store or schema.default_path()).exists():
        with _register(store) as found:
            rows = found.rows(search)
    if as_json:
        listed = [
            {**plain(row.profile), "sessions": row.sessions, "last": _iso(row.last)} for row in rows
        ]
        click.echo(text_of({"schema": 1, "players": listed}))
        return
    if not rows:
        none = "No player's name holds that." if search else "No player is registered yet."
        paragraph(console(), f"{none} plantigrade players add NAME --handed right adds one.")
        return
    made = table("player", "id", "handed", "last visit", "sessions", numbers_from=4)
    for row in rows:
        last = NONE if row.last is None else f"{row.last:%Y-%m-%d}"
        made.add_row(
            printable(row.profile.name),
            row.profile.player_id[:8],
            row.profile.handedness,
            last,
            str(row.sessions),
        )
    put(console(), made, indent=0)


def _iso(when: datetime | None) -> str | None:
    return None if when is None else when.isoformat()
