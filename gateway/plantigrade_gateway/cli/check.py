"""The command `check`: which trials of a session's guided check were taken, and why not the others.

Arguments in, no work; `register` adds it to a group.
"""

from collections.abc import Callable
from pathlib import Path

import click

from plantigrade_gateway.cli.arguments import Decorator


def register(
    group: click.Group,
    store_option: Decorator,
    json_option: Decorator,
    store_of: Callable[[click.Context], Path | None],
) -> None:
    """Add the command to a group; the parameters are those of `register` in `cli/run.py`."""

    @group.command()
    @click.argument("session")
    @json_option
    @store_option
    @click.pass_context
    def check(ctx: click.Context, session: str, as_json: bool) -> None:
        """Judge the guided check in the stored SESSION; its id's first digits, or "last".

        A check itself is led through in the browser, while a session is recorded.
        """
        from plantigrade_gateway.converter import text_of
        from plantigrade_gateway.people.visits import read_session
        from plantigrade_gateway.report.check import check_json, show_check
        from plantigrade_gateway.report.console import console
        from plantigrade_gateway.store.sessions import find
        from plantigrade_gateway.store.store import Store

        with Store.open(store_of(ctx), create=False) as store:
            session_id = find(store, session).session_id
            found = read_session(store, session_id)
        if as_json:
            click.echo(text_of(check_json(session_id, found)))
        else:
            show_check(found, console())
