"""The commands `visit …`: what was asked, worn, seen and left out at one session.

Arguments in, no work; `register` adds them to the command's group.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from plantigrade_gateway.cli.arguments import Decorator, Number, Whole
from plantigrade_gateway.cli.players import opened_register
from plantigrade_gateway.errors import InputError

if TYPE_CHECKING:
    from plantigrade.events import Swing
    from plantigrade_gateway.people.visits import Visits

RESENT = "What was sent on follows with plantigrade reanalyse."
StoreOf = Callable[[click.Context], Path | None]


@contextmanager
def opened_visit(store: Path | None, session: str) -> "Iterator[tuple[Visits, str]]":
    """Give what people say of sessions, and the id of the session that an option names."""
    from plantigrade_gateway.people.visits import Visits
    from plantigrade_gateway.store.sessions import find

    with opened_register(store) as register:
        yield Visits(register), find(register.store, session).session_id


def _swing(visits: "Visits", session_id: str, number: int) -> "Swing":
    from plantigrade_gateway.people.visits import swing_of

    return swing_of(visits.read(session_id), number)


def register(
    group: click.Group, store_option: Decorator, json_option: Decorator, store_of: StoreOf
) -> None:
    """Add the commands to a group; the parameters are those of `register` in `cli/run.py`."""

    @group.group()
    @store_option
    def visit() -> None:
        """Say something of a stored session; its id's first digits, or "last".

        What was said before stays in the log, and can be said otherwise.
        """

    _add_show(visit, store_option, json_option, store_of)
    _add_of_visit(visit, store_option, store_of)
    _add_of_set(visit, store_option, store_of)
    _add_of_swing(visit, store_option, store_of)


def _add_show(
    visit: click.Group, store_option: Decorator, json_option: Decorator, store_of: StoreOf
) -> None:
    @visit.command()
    @click.argument("session")
    @json_option
    @store_option
    @click.pass_context
    def show(ctx: click.Context, session: str, as_json: bool) -> None:
        """Show what was said of SESSION, and what of it finds no swing any more."""
        from plantigrade_gateway.converter import text_of
        from plantigrade_gateway.report.console import console
        from plantigrade_gateway.report.visit import said_json, show_said

        with opened_visit(store_of(ctx), session) as (visits, session_id):
            said = visits.said(session_id)
        if as_json:
            click.echo(text_of(said_json(session_id, said)))
        else:
            show_said(said, console())


def _add_of_visit(visit: click.Group, store_option: Decorator, store_of: StoreOf) -> None:
    @visit.command()
    @click.argument("session")
    @click.option("--by", required=True, metavar="WHO", help="Who answered: player or guardian.")
    @click.option("--hold", default="", metavar="REASON", help='Stopped: "red flag" or pain.')
    @store_option
    @click.pass_context
    def questions(ctx: click.Context, session: str, by: str, hold: str) -> None:
        """Note what came of the questions about pain and red flags; no answer is kept."""
        with opened_visit(store_of(ctx), session) as (visits, session_id):
            visits.answer(session_id, by, hold)
            stands = visits.hold(session_id)
        click.echo(f"Noted: {f'stopped, {stands}' if stands else 'no hold'}.")
        if stands and not hold:
            click.echo("A stop stands for the visit; a mistake: plantigrade visit take-back.")

    @visit.command("take-back")
    @click.argument("session")
    @click.option("--yes", is_flag=True, help="Do not ask.")
    @store_option
    @click.pass_context
    def take_back(ctx: click.Context, session: str, yes: bool) -> None:
        """Take back a stop of SESSION that was pressed, or answered, by mistake."""
        with opened_visit(store_of(ctx), session) as (visits, session_id):
            if not yes:
                click.confirm("Was it a mistake, and does nothing hurt?", abort=True)
            visits.take_back_hold(session_id)
        click.echo("Taken back; who did and when is kept.")

    @visit.command()
    @click.argument("session")
    @click.option("--shoe", metavar="TEXT", help="The shoe worn.")
    @click.option("--footbed", metavar="TEXT", help="The footbed worn.")
    @click.option("--club", metavar="TEXT", help="The club played.")
    @click.option("--stiff/--soft", "is_shoe_stiff", default=None, help="The shoe's sole.")
    @click.option(
        "--unchanged/--changed",
        "is_unchanged",
        default=None,
        help="Whether nothing was changed in the player since the visit before.",
    )
    @store_option
    @click.pass_context
    def conditions(
        ctx: click.Context, /, session: str, is_unchanged: bool | None, **given: str | bool | None
    ) -> None:
        """Note what was worn and played at SESSION; an empty text takes it back."""
        values = {name: value for name, value in given.items() if value is not None}
        if not values and is_unchanged is None:
            raise InputError("conditions: nothing is given, see --help")
        with opened_visit(store_of(ctx), session) as (visits, session_id):
            if values:
                visits.set_conditions(session_id, **values)
            if is_unchanged is not None:
                visits.mark_unchanged(session_id, is_unchanged=is_unchanged)
        click.echo("Noted.")

    @visit.command()
    @click.argument("session")
    @click.argument("t_s", type=Number(), required=False)
    @click.argument("text", required=False)
    @click.option("--remove", metavar="ID", help="Take a note back instead.")
    @store_option
    @click.pass_context
    def note(
        ctx: click.Context, session: str, t_s: float | None, text: str | None, remove: str | None
    ) -> None:
        """Note TEXT about the instant T_S of SESSION, seconds from its beginning."""
        if (remove is None) == (t_s is None or text is None):
            raise InputError("note: expected an instant and a text, or --remove with a note's id")
        with opened_visit(store_of(ctx), session) as (visits, session_id):
            if remove is not None:
                visits.remove_note(session_id, remove)
                click.echo("Taken back.")
            elif t_s is not None and text is not None:
                click.echo(f"Noted: {visits.note(session_id, t_s, text)}")


def _add_of_set(visit: click.Group, store_option: Decorator, store_of: StoreOf) -> None:
    @visit.command("set")
    @click.argument("session")
    @click.argument("number", type=Whole())
    @click.option("--intent", metavar="WORD", help="smooth, full or fast.")
    @click.option("--club", metavar="TEXT", help="Another club; empty: none.")
    @click.option("--undo", is_flag=True, help="Let it be what the record says.")
    @store_option
    @click.pass_context
    def edit(
        ctx: click.Context,
        session: str,
        number: int,
        intent: str | None,
        club: str | None,
        undo: bool,
    ) -> None:
        """Say another intent or club of a set, by its NUMBER in SESSION, than the record does."""
        from plantigrade_gateway.people.visits import set_of

        if undo == (intent is not None or club is not None):
            raise InputError("set: expected --intent, --club or both; or --undo")
        with opened_visit(store_of(ctx), session) as (visits, session_id):
            run = set_of(visits.read(session_id), number)
            if undo:
                visits.undo_set(session_id, run)
            else:
                visits.edit_set(session_id, run, intent, club)
            click.echo(f"Set {number}: {set_of(visits.read(session_id), number).name}.")
        click.echo(RESENT)


def _add_of_swing(visit: click.Group, store_option: Decorator, store_of: StoreOf) -> None:
    @visit.command()
    @click.argument("session")
    @click.argument("swing", type=Whole())
    @click.argument("reason", required=False)
    @click.option("--undo", is_flag=True, help="Let it count again.")
    @store_option
    @click.pass_context
    def exclude(
        ctx: click.Context, session: str, swing: int, reason: str | None, undo: bool
    ) -> None:
        """Leave SWING of SESSION out of all numbers, for a REASON; it stays in the lists."""
        if undo == (reason is not None):
            raise InputError("exclude: expected a reason, or --undo")
        with opened_visit(store_of(ctx), session) as (visits, session_id):
            one = _swing(visits, session_id, swing)
            if reason is None:
                visits.include(session_id, one)
                click.echo(f"Swing {swing} counts again.")
            else:
                visits.exclude(session_id, one, reason)
                click.echo(f"Swing {swing} counts nowhere.")
        click.echo(RESENT)

    @visit.command()
    @click.argument("session")
    @click.argument("swing", type=Whole())
    @click.argument("what")
    @click.argument("answer")
    @click.option("--seen", is_flag=True, help="The program's answer was known.")
    @store_option
    @click.pass_context
    def tap(
        ctx: click.Context, session: str, swing: int, what: str, answer: str, seen: bool
    ) -> None:
        """Note what the eye says of SWING: push good or "not good", heel up or down.

        The first tap on a swing counts.
        """
        with opened_visit(store_of(ctx), session) as (visits, session_id):
            one = _swing(visits, session_id, swing)
            visits.tap(session_id, one, what, answer, is_blind=not seen)
        click.echo(f"Noted: swing {swing}, {what} {answer}.")

    @visit.command()
    @click.argument("session")
    @click.argument("t_s", type=Number())
    @click.option(
        "--within",
        "error_s",
        type=Number("seconds"),
        required=True,
        metavar="S",
        help="It is off by at most.",
    )
    @store_option
    @click.pass_context
    def strike(ctx: click.Context, session: str, t_s: float, error_s: float) -> None:
        """Note that another instrument told a strike at T_S, seconds from SESSION's beginning.

        It stays in the record, and the swing's strike is the one that is known best.
        """
        from plantigrade_gateway.report.measures import strike_lines
        from plantigrade_gateway.session.owed import add_strike
        from plantigrade_gateway.store.sessions import find
        from plantigrade_gateway.store.store import Store

        with Store.open(store_of(ctx), create=False) as opened:
            session_id = find(opened, session).session_id
            number, found = add_strike(opened, session_id, t_s, error_s)
        click.echo(f"Swing {number}: {'; '.join(strike_lines(found))}.")

    @visit.command()
    @click.argument("session")
    @click.argument("swing", type=Whole())
    @click.argument("value", type=Number(), required=False)
    @click.option("--unit", default="m/s", metavar="UNIT", help="m/s, mph or km/h.")
    @click.option("--undo", is_flag=True, help="Take it back.")
    @store_option
    @click.pass_context
    def speed(
        ctx: click.Context, session: str, swing: int, value: float | None, unit: str, undo: bool
    ) -> None:
        """Note the club speed of SWING; a whole file of them: plantigrade speed."""
        from plantigrade_gateway.coach.speedfile import in_m_s

        if undo == (value is not None):
            raise InputError("speed: expected a value, or --undo")
        m_s = None if value is None else in_m_s(value, unit)
        with opened_visit(store_of(ctx), session) as (visits, session_id):
            visits.set_speed(session_id, _swing(visits, session_id, swing), m_s)
        click.echo("Taken back." if m_s is None else f"Noted: swing {swing}, {m_s:.1f} m/s.")
