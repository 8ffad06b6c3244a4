"""The commands `sheet`, `compare` and `report`: what to decide by, what changed, what to hand over.

Arguments in, no work; `register` adds them to a group.
"""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from plantigrade_gateway.cli.arguments import NEW_PATH, PATH, Decorator
from plantigrade_gateway.cli.players import opened_register
from plantigrade_gateway.errors import InputError

if TYPE_CHECKING:
    from plantigrade_gateway.coach.case import Case
    from plantigrade_gateway.coach.compare import Comparison
    from plantigrade_gateway.coach.progress import Progress
    from plantigrade_gateway.coach.repeats import Reliability
    from plantigrade_gateway.people.players import Register
    from plantigrade_gateway.rules.model import RuleSet


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
        type=PATH,
        metavar="FILE",
        help="A rule file, instead of the one that is kept (page /rules).",
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
        from plantigrade_gateway import words
        from plantigrade_gateway.coach.limits import check_limits
        from plantigrade_gateway.coach.sheet import evidence
        from plantigrade_gateway.converter import text_of
        from plantigrade_gateway.people.assigned import decided_elsewhere
        from plantigrade_gateway.report.console import console, paragraph
        from plantigrade_gateway.report.sheet import sheet_json, show_sheet
        from plantigrade_gateway.rules.files import read_rules

        with opened_register(store_of(ctx)) as found:
            rules = _kept_rules(found) if rule_file is None else read_rules(rule_file)
            check_limits(rules)
            case = _case_of(found, player, visit)
            elsewhere = words.decided_elsewhere(decided_elsewhere(found, case.player_id))
        made = evidence(case, rules)
        if as_json:
            click.echo(text_of(sheet_json(made)))
            return
        out = console()
        show_sheet(made, out)
        if elsewhere:
            paragraph(out, elsewhere)

    @group.command()
    @click.argument("player")
    @click.option(
        "--to",
        "path",
        type=NEW_PATH,
        metavar="FILE",
        required=True,
        help="The PDF to write.",
    )
    @click.option(
        "--paper",
        type=click.Choice(["a4", "letter"]),
        default="a4",
        show_default=True,
        help="Its size.",
    )
    @click.option("--replace", is_flag=True, help="Write over a file that is there.")
    @store_option
    @click.pass_context
    def report(ctx: click.Context, player: str, path: Path, paper: str, replace: bool) -> None:
        """Write one page for PLAYER to take home, as a PDF: what was found, decided, and to do."""
        from plantigrade_gateway.report.page import write_page

        with opened_register(store_of(ctx)) as found:
            player_id = found.find(player).player_id
            write_page(found, player_id, path, paper, replace=replace)
        click.echo(f"Written: {path}")

    @group.command()
    @click.argument("player")
    @click.argument("visits", nargs=-1, metavar="[VISIT VISIT]")
    @click.option(
        "--measure",
        "key",
        metavar="NAME",
        help='One measure by its name, as "full: load tempo".',
    )
    @json_option
    @store_option
    @click.pass_context
    def compare(
        ctx: click.Context, player: str, visits: tuple[str, ...], key: str | None, as_json: bool
    ) -> None:
        """Compare two visits of PLAYER: the last two unless two sessions are named.

        Without visits, --measure follows one measure over all of them. Two sets of one visit are
        SESSION:SET each, with the names of the sets.
        """
        from plantigrade_gateway.converter import text_of
        from plantigrade_gateway.report import change
        from plantigrade_gateway.report.console import console

        if len(visits) not in (0, 2):
            raise InputError(f"visits: {len(visits)} given, expected two or none")
        with opened_register(store_of(ctx)) as found:
            sessions = [_session(found, visit) for visit in visits]
            case, rules = _case_of(found, player, None), _kept_rules(found)
        if key is not None and not visits:
            shown, repeated = _followed(case, rules, key)
            if as_json:
                click.echo(text_of(change.progress_json(shown, repeated)))
            else:
                change.show_progress(shown, repeated, console())
            return
        made = _comparison(case, rules, sessions, key)
        if as_json:
            click.echo(text_of(change.comparison_json(made)))
        else:
            change.show_comparison(made, console())


def _kept_rules(register: "Register") -> "RuleSet":
    """Return the rules that the coach keeps: what the pages go by."""
    from plantigrade_gateway.people.rulebook import RuleBook

    return RuleBook(register).current().rules


def _followed(case: "Case", rules: "RuleSet", key: str) -> "tuple[Progress, Reliability]":
    from plantigrade_gateway.coach.follow import find_followed
    from plantigrade_gateway.coach.progress import progress
    from plantigrade_gateway.coach.repeats import reliability

    key = find_followed(key).key
    return progress(case, rules, key), reliability(case, rules, key)


def _comparison(
    case: "Case", rules: "RuleSet", sessions: "list[tuple[str, str]]", key: str | None
) -> "Comparison":
    """Compare the sessions, each with the name of a set or none; the last two visits if none."""
    from plantigrade_gateway.coach.compare import compare, compare_sets, set_of, visit_of
    from plantigrade_gateway.coach.follow import find_followed

    if not sessions:
        if len(case.visits) < 2:
            raise InputError(f"visits: this player has {len(case.visits)}, expected two")
        sessions = [(visit.session_id, "") for visit in case.visits[-2:]]
    (before, first), (after, second) = sessions
    if first or second:
        if before != after or not (first and second) or key is not None:
            raise InputError("sets: expected two of one visit, SESSION:SET each, and no --measure")
        visit = visit_of(case, before)
        return compare_sets(visit, rules, set_of(visit, first), set_of(visit, second))
    if key is not None:
        key = find_followed(key).key
    return compare(case, rules, before, after, key)


def _session(register: "Register", text: str) -> tuple[str, str]:
    """Return the session that an argument names, and the set after a colon."""
    from plantigrade_gateway.store.sessions import find

    session, _, name = text.partition(":")
    return find(register.store, session).session_id, name


def _case_of(register: "Register", player: str, visit: str | None) -> "Case":
    from plantigrade_gateway.people.case import case_of

    whose = register.find(player)
    upto = None if visit is None else _session(register, visit)[0]
    return case_of(register, whose.player_id, upto)
