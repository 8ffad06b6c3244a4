"""The commands `backup` and `restore`: arguments in, no work."""

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from plantigrade_gateway.cli.arguments import NEW_PATH, PATH, BadInput, WholeWithin


def register(
    group: click.Group,
    store_option: Callable[[Any], Any],
    json_option: Callable[[Any], Any],
    store_of: Callable[[click.Context], Path | None],
) -> None:
    """Add the commands to a group; parameters as `register` of `cli/run.py`."""

    @group.command()
    @click.argument("to", metavar="FILE|DIR", type=NEW_PATH)
    @click.option(
        "--keep",
        type=WholeWithin(1),
        metavar="N",
        help="Of the backups in the folder DIR keep the N latest, and delete the others.",
    )
    @click.option("--replace", is_flag=True, help="Replace FILE if it is a backup already.")
    @json_option
    @store_option
    @click.pass_context
    def backup(
        ctx: click.Context, to: Path, keep: int | None, replace: bool, as_json: bool
    ) -> None:
        """Write the whole store into one file, while it is used and recorded into.

        A backup gets the name FILE, or in the folder DIR a number and a name of its own. It is
        read again and compared before it gets its name.
        """
        from plantigrade_gateway.converter import text_of
        from plantigrade_gateway.formats import plural
        from plantigrade_gateway.people.backup import take
        from plantigrade_gateway.store import schema

        if keep is not None and not to.is_dir():
            raise BadInput(f"--keep: counts the backups of a folder, and {to} is none")
        made = take(store_of(ctx) or schema.default_path(), to, keep=keep, replace=replace)
        if as_json:
            removed = [str(path) for path in made.removed]
            table = {"file": str(made.path), "bytes": made.size, "sessions": made.sessions}
            click.echo(text_of({**table, "removed": removed}))
            return
        click.echo(
            f"{made.path}: {plural(made.sessions, 'session')}, {made.size / 1e6:.1f} MB, whole"
        )
        for path in made.removed:
            click.echo(f"Deleted: {path}")

    @group.command()
    @click.argument("backup", metavar="FILE", type=PATH)
    @click.option(
        "--replace", is_flag=True, help="Replace the store that is there; a copy of it is kept."
    )
    @json_option
    @store_option
    @click.pass_context
    def restore(ctx: click.Context, backup: Path, replace: bool, as_json: bool) -> None:
        """Put the backup FILE in the store's place, once all of it has been read and is whole.

        What was deleted since the backup stays deleted, and every device signs in again.
        """
        from plantigrade_gateway.converter import plain, text_of
        from plantigrade_gateway.formats import plural
        from plantigrade_gateway.people.restore import restore as put
        from plantigrade_gateway.store import schema

        if backup.is_dir():
            raise BadInput(f"{backup}: is a folder, expected one of the backups in it")
        done = put(backup, store_of(ctx) or schema.default_path(), replace=replace)
        if as_json:
            click.echo(text_of(plain(done)))
            return
        made = datetime.fromisoformat(done.made_utc).astimezone(UTC)
        click.echo(
            f"{done.store}: {plural(done.sessions, 'session')} as of {made:%Y-%m-%d %H:%M} UTC"
        )
        if done.players_deleted or done.sessions_deleted:
            click.echo(
                f"Left out, since they were deleted after that: "
                f"{plural(done.players_deleted, 'player')}, "
                f"{plural(done.sessions_deleted, 'session')}"
            )
        if done.kept is not None:
            click.echo(
                f"What was there before is kept in {done.kept}. No deletion reaches it: delete it "
                "when it is not needed any more."
            )
