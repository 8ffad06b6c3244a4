"""The commands `sheet` and `compare`: what there is to decide by, and what has changed.

Arguments in, no work; `register` adds them to a group.
"""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from plantigrade_gateway.coach.case import Case

Decorator = Callable[[Any], Any]


def register(
    group: click.Group,
    store_option: Decorator,
    json_option: Decorator,
    store_of: Callable[[click.Context], Path | None],
) -> None:
    """Add the commands to a group; the parameters are those of `register` in `cli/run.py`."""

    @group.command()
    @click.argument("player")
    @click.option(
        "--rules",
        "rule_file",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="A rule file, instead of the built-in one.",
    )
    @click.option(
        "--visit",
        metavar="SESSION",
        help="The visit that is decided by; the last one if left out.",
    )
    @json_option
    @store_option
    @click.pass_context
    def sheet(
        ctx: click.Context,
        player: str,
        rule_file: Path | None,
        visit: str | None,
        as_json: bool,
    ) -> None:
        """Show PLAYER's evidence sheet: holds, suggestions, readiness, and what each rests on.

        The rules suggest; the coach decides. There is no score.
        """
        from plantigrade_gateway.analysis.serialise import text_of
        from plantigrade_gateway.coach.sheet import evidence
        from plantigrade_gateway.report.console import console
        from plantigrade_gateway.report.sheet import sheet_json, show_sheet
        from plantigrade_gateway.rules.files import built_in, read_rules

        rules = built_in() if rule_file is None else read_rules(rule_file)
        made = evidence(_case(store_of(ctx), player, visit), rules)
        if as_json:
            click.echo(text_of(sheet_json(made)))
        else:
            show_sheet(made, console())


def _case(store: Path | None, player: str, visit: str | None) -> "Case":
    from plantigrade_gateway.people.case import case_of
    from plantigrade_gateway.people.players import Register
    from plantigrade_gateway.store.sessions import find
    from plantigrade_gateway.store.store import Store

    with Store.open(store, create=False) as opened, Register(opened) as register:
        whose = register.find(player)
        upto = None if visit is None else find(register.store, visit).session_id
        return case_of(register, whose.player_id, upto)
