"""The commands `players …`: who plays, what was agreed, found and decided, and whose sessions are.

Arguments in, no work; `register` adds them to the command's group.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from plantigrade_gateway.cli.arguments import NEW_PATH, Day, Decorator, Number, WholeWithin
from plantigrade_gateway.cli.forward import config_of, settings_option
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.formats import plural

if TYPE_CHECKING:
    from plantigrade_gateway.people.players import Register
    from plantigrade_gateway.people.profile import Profile
    from plantigrade_gateway.record.settings import SessionSettings


_CALLED = {"mass_kg": "mass", "is_minor": "under age"}
"""What people are told of a field whose name is not their word for it."""

player_option = click.option(
    "--player",
    metavar="PLAYER",
    help="Whose session it is: a registered player's name, or the first digits of the id.",
)


@contextmanager
def opened_register(store: Path | None, *, create: bool = False) -> "Iterator[Register]":
    """Give the players of a store."""
    from plantigrade_gateway.people.players import open_register

    with open_register(store, create=create) as register:
        yield register


def named_player(store: Path | None, text: str | None) -> "Profile | None":
    """Return the player that an option names, ready to have sessions; None where none is named.

    Where consent to record lacks, this is said; a `GatewayError` says that there is no such player.
    """
    if text is None:
        return None
    from datetime import date

    from plantigrade_gateway.formats import printable
    from plantigrade_gateway.people.profile import lacks_consent, one_called
    from plantigrade_gateway.store.schema import default_path, is_there

    if not is_there(store or default_path()):  # the session to come makes it
        return one_called({}, text)
    with opened_register(store) as register:
        found = register.find(text)
        register.anchor(found.player_id)
        consents = register.consents(found.player_id, date.today())
    if lack := lacks_consent(consents, printable(found.name)):
        click.echo(lack, err=True)
    return found


def found_player(store: Path | None, text: str) -> "Profile":
    """Return the player that an option names; raises as `named_player`."""
    with opened_register(store) as register:
        return register.find(text)


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
    from plantigrade_gateway import words

    if player is None or settings is None:
        return []
    said = words.wrong_hand(settings.handed, player.handedness, player.name)
    return [said] if said else []


def _about(command: Any) -> Any:  # noqa: ANN401 - click's own
    """Let what is kept of a player be given."""
    for option in (
        click.option("--next-check", metavar="DAY", help="When to check again, as 2026-12-31."),
        click.option("--guardian", metavar="NAME", help="Who answers for a minor."),
        click.option("--minor/--adult", "is_minor", default=None, help="Under age, or not."),
        click.option(
            "--insoles", nargs=2, metavar="LEFT RIGHT", help="Serial numbers of the usual pair."
        ),
        click.option("--size", metavar="TEXT", help="The shoe's size."),
        click.option("--footbed", metavar="TEXT", help="The usual footbed."),
        click.option("--shoe", metavar="TEXT", help="The usual shoe."),
        click.option("--mass", "mass_kg", type=Number("kg"), metavar="KG", help="The mass."),
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
        with opened_register(store_of(ctx), create=True) as found:
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
        with opened_register(store_of(ctx)) as found:
            changed = found.edit(found.find(player).player_id, **_given(options))
        told = ", ".join(_CALLED.get(name, name.replace("_", " ")) for name in changed)
        click.echo(f"Changed: {told}." if changed else "Nothing has changed.")

    @players.command()
    @click.argument("session")
    @click.argument("player")
    @click.option("--move", is_flag=True, help="Take it from the player whose it is.")
    @store_option
    @click.pass_context
    def assign(ctx: click.Context, session: str, player: str, move: bool) -> None:
        """Give the stored SESSION to PLAYER; "last" is the last one."""
        from plantigrade_gateway.people.assigned import assign as assign_to
        from plantigrade_gateway.people.case import mass_doubts
        from plantigrade_gateway.record.settings import settings_of
        from plantigrade_gateway.store.sessions import find

        with opened_register(store_of(ctx)) as found:
            chosen, whose = find(found.store, session), found.find(player)
            before = chosen.player_id
            decided = before not in (None, whose.player_id) and found.decisions(str(before))
            assign_to(found, chosen.session_id, whose.player_id, move=move)
            first = next(found.store.batches(chosen.session_id), None)
            mass = mass_doubts(found, chosen.session_id, whose)
        click.echo(f"Session {chosen.session_id[:8]} is {whose.name}'s.")
        if decided:
            click.echo("What was decided for the player before stays: look at both sheets again.")
        for text in (*other_hand(whose, None if first is None else settings_of(first)), *mass):
            click.echo(text)

    @players.command()
    @store_option
    @click.pass_context
    def demo(ctx: click.Context) -> None:
        """Put two invented players with their visits into the store, to look at its pages with.

        Takes half a minute. Players who are there already are left as they are.
        """
        from plantigrade_gateway.session.invented import STORIES, put
        from plantigrade_gateway.store.store import Store

        click.echo(f"Making {len(STORIES)} invented players; nobody was measured.")
        with Store.open(store_of(ctx), create=True) as store:
            made = put(store, datetime.now().astimezone(), click.echo)
        there = ", ".join(story.name for story in STORIES)
        click.echo(f"In the store: {there}." if made else f"In the store already: {there}.")

    _add_said(players, json_option, store_option, store_of)
    _add_files(players, json_option, store_option, store_of)
    _add_retention(players, json_option, store_option, store_of)


def _add_said(
    players: click.Group,
    json_option: Decorator,
    store_option: Decorator,
    store_of: Callable[[click.Context], Path | None],
) -> None:
    """Add the commands that show what was said of a player, and say more."""

    @players.command()
    @click.argument("player")
    @json_option
    @store_option
    @click.pass_context
    def show(ctx: click.Context, player: str, as_json: bool) -> None:
        """Show PLAYER: what is kept, consents, findings, decisions."""
        from plantigrade_gateway.converter import text_of
        from plantigrade_gateway.report.console import console
        from plantigrade_gateway.report.player import player_json, show_player

        with opened_register(store_of(ctx)) as found:
            said = player_json(found, found.find(player).player_id)
        if as_json:
            click.echo(text_of(said))
        else:
            show_player(said, console())

    @players.command()
    @click.argument("player")
    @click.argument("what")
    @click.option("--by", metavar="WHO", help="player or guardian; needed.", required=True)
    @click.option("--until", type=Day(), help="The last day, as 2026-12-31.")
    @click.option("--withdraw", is_flag=True, help="It is withdrawn.")
    @store_option
    @click.pass_context
    def consent(
        ctx: click.Context,
        player: str,
        what: str,
        by: str,
        until: datetime | None,
        withdraw: bool,
    ) -> None:
        """Note PLAYER's consent to WHAT: record, at the hub of the site too, "send on" or speed."""
        from plantigrade_gateway.people.profile import check_to_come

        if withdraw and until is not None:
            raise InputError("--until: is of a consent that is given, leave it out")
        if until is not None:
            check_to_come(until.date(), datetime.now().astimezone().date())
        with opened_register(store_of(ctx)) as found:
            player_id = found.find(player).player_id
            if withdraw:
                found.withdraw(player_id, what, by)
            else:
                found.grant(player_id, what, by, None if until is None else until.date())
        click.echo(f"Noted: {what} {'withdrawn' if withdraw else 'given'} by the {by}.")

    @players.command()
    @click.argument("player")
    @click.argument("what")
    @click.argument("state")
    @click.option("--text", default="", metavar="TEXT", help="A line about it.")
    @store_option
    @click.pass_context
    def finding(ctx: click.Context, player: str, what: str, state: str, text: str) -> None:
        """Note what was seen of PLAYER's hips, trunk, ankles or balance.

        STATE is "no limit", limit or "not looked".
        """
        with opened_register(store_of(ctx)) as found:
            found.note_finding(found.find(player).player_id, what, state, text)
        click.echo(f"Noted: {what}, {state}.")

    @players.command("print")
    @click.argument("player")
    @click.argument("foot")
    @click.argument("name")
    @store_option
    @click.pass_context
    def barefoot_print(ctx: click.Context, player: str, foot: str, name: str) -> None:
        """Note what the barefoot print of PLAYER's FOOT is called by its area.

        FOOT is left or right; NAME is high, middle, low or between. Of a foot with prints that were
        measured ("plantigrade footprint") these are shown.
        """
        with opened_register(store_of(ctx)) as found:
            found.note_print(found.find(player).player_id, foot, name)
        click.echo(f"Noted: print of the {foot} foot, {name}.")

    @players.command()
    @click.argument("player")
    @click.argument("topic")
    @click.argument("answer")
    @click.option("--cue", default="", metavar="TEXT", help="The words for the player.")
    @click.option("--plan", default="", metavar="PLAN", help="What is worked for.")
    @click.option("--on", "day", type=Day(), help="The day; today if left out.")
    @store_option
    @click.pass_context
    def decide(
        ctx: click.Context,
        player: str,
        topic: str,
        answer: str,
        cue: str,
        plan: str,
        day: datetime | None,
    ) -> None:
        """Note the decision on PLAYER's "lead heel", push or speed.

        ANSWER is go, "not yet" or "not today"; none takes the last one back. PLAN is up, down or
        either for the lead heel, deliberate or even for the push.
        """
        when = (day or datetime.now()).date()
        with opened_register(store_of(ctx)) as found:
            if answer == "none":
                found.take_back(found.find(player).player_id, topic, when)
                click.echo(f"Taken back: {topic}.")
                return
            found.decide(found.find(player).player_id, topic, answer, when, cue, plan)
        click.echo(f"Noted: {topic}, {answer}{plan and f', {plan}'}.")


def _add_files(
    players: click.Group,
    json_option: Decorator,
    store_option: Decorator,
    store_of: Callable[[click.Context], Path | None],
) -> None:
    """Add the commands that give a player's data away, or end them."""

    @players.command()
    @click.argument("player")
    @store_option
    @click.pass_context
    def visits(ctx: click.Context, player: str) -> None:
        """Print PLAYER's visits as CSV: date, minutes, kind."""
        from plantigrade_gateway.report.player import visits_csv

        with opened_register(store_of(ctx)) as found:
            text = visits_csv(found.store, found.find(player).player_id)
        click.echo(text, nl=False)

    @players.command()
    @click.argument("player")
    @click.option(
        "--to",
        "folder",
        type=NEW_PATH,
        required=True,
        metavar="DIR",
        help="The folder to make.",
    )
    @json_option
    @store_option
    @click.pass_context
    def export(ctx: click.Context, player: str, folder: Path, as_json: bool) -> None:
        """Write all that is kept of PLAYER, sessions and raw frames too, into a new folder."""
        from plantigrade_gateway.converter import text_of
        from plantigrade_gateway.report.player import export_player

        with opened_register(store_of(ctx)) as found:
            player_id = found.find(player).player_id
            files = export_player(found, player_id, folder)
        if as_json:
            click.echo(text_of({"player": player_id, "files": [str(file) for file in files]}))
        else:
            for file in files:
                click.echo(str(file))

    @players.command()
    @click.argument("player")
    @click.option("--yes", is_flag=True, help="Do not ask.")
    @json_option
    @store_option
    @click.pass_context
    def delete(ctx: click.Context, player: str, yes: bool, as_json: bool) -> None:
        """Delete PLAYER with all sessions, for good, and print a receipt without the name."""
        from plantigrade_gateway.converter import text_of
        from plantigrade_gateway.people.deletion import delete_player, is_there

        with opened_register(store_of(ctx)) as found:
            # By the whole id what was deleted by half is found too.
            player_id = player if is_there(found, player) else found.find(player).player_id
            if not yes:
                count = len([s for s in found.store.sessions() if s.player_id == player_id])
                click.confirm(
                    f"Delete player {player_id[:8]} and {plural(count, 'session')} for good?",
                    abort=True,
                    err=True,
                )
            receipt = delete_player(found, player_id)
        if as_json:
            click.echo(text_of(receipt.json()))
        else:
            for line in receipt.lines():
                click.echo(line)


def _add_retention(
    players: click.Group,
    json_option: Decorator,
    store_option: Decorator,
    store_of: Callable[[click.Context], Path | None],
) -> None:
    """Add the command that lists whose data are kept for longer than they are to be."""

    @players.command()
    @click.option("--days", type=WholeWithin(1, 36500), help="Instead of the setting's.")
    @click.option("--delete", is_flag=True, help="Delete each, after asking, for good.")
    @click.option("--yes", is_flag=True, help="Do not ask.")
    @settings_option
    @json_option
    @store_option
    @click.pass_context
    def retention(
        ctx: click.Context, days: int | None, delete: bool, yes: bool, as_json: bool
    ) -> None:
        """List the players who were not here for longer than players.keep_days.

        Nothing is ever deleted without --delete.
        """
        from plantigrade_gateway.converter import plain, text_of
        from plantigrade_gateway.formats import printable
        from plantigrade_gateway.people.deletion import complete, delete_player, due

        kept = config_of(ctx).whole("players.keep_days") if days is None else days
        if not kept:
            raise InputError("players.keep_days: is not set, set it or say --days")
        with opened_register(store_of(ctx)) as found:
            listed = due(found, kept, datetime.now().astimezone().date())
            if not delete:
                if as_json:
                    click.echo(text_of({"schema": 1, "keep_days": kept, "due": plain(listed)}))
                for one in () if as_json else listed:
                    click.echo(f"{one.player_id[:8]}  {printable(one.name)}, last {one.last}")
                if not as_json and not listed:
                    click.echo("No player is due.")
                return
            for text in complete(found.store):
                click.echo(text, err=True)
            receipts = []
            for one in listed:
                asked = f"Delete {printable(one.name)}, last {one.last}, for good?"
                if yes or click.confirm(asked, err=True):
                    receipts.append(delete_player(found, one.player_id))
        if as_json:
            click.echo(text_of({"schema": 1, "deleted": [one.json() for one in receipts]}))
        else:
            for line in (line for one in receipts for line in one.lines()):
                click.echo(line)


def _list(store: Path | None, search: str, as_json: bool) -> None:
    from plantigrade_gateway.converter import plain, text_of
    from plantigrade_gateway.formats import NONE, printable
    from plantigrade_gateway.report.console import console, paragraph, put, table
    from plantigrade_gateway.store import schema

    rows = []
    if not schema.is_unused(store):
        with opened_register(store) as found:
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
    made.columns[0].no_wrap, made.columns[0].overflow = False, "fold"  # no id gives way to a name
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
