"""What a player's record and the coach's rules say of speed work today."""

from collections import defaultdict
from dataclasses import dataclass, replace
from datetime import date

from plantigrade_gateway import words
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.check.speedblock import Done, Plan, done_of, no_dose, plan_of
from plantigrade_gateway.coach.case import Case, Visit
from plantigrade_gateway.coach.facts import facts, known
from plantigrade_gateway.people.case import case_of
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.rulebook import RuleBook
from plantigrade_gateway.people.visits import Visits
from plantigrade_gateway.rules.model import RuleSet, State
from plantigrade_gateway.rules.sheet import sheet


def plan_now(register: Register) -> Plan:
    """Return the plan of the coach's rules.

    Raises
    ------
    InputError
        They do not say all of it.
    """
    rules = RuleBook(register).current().rules
    return plan_of(rules.speed, [stop.id for stop in rules.stops])


def work_of(case: Case) -> dict[date, list[Done]]:
    """Return a player's speed work by its day."""
    days: dict[date, list[Done]] = defaultdict(list)
    for visit in case.visits:
        if (done := done_of(visit.analysis)) is not None:
            days[visit.started.date()].append(done)
    return dict(days)


@dataclass(frozen=True, slots=True)
class Today:
    """What stands of a player's speed work today.

    Attributes
    ----------
    blocks : int
        Fast ones, so far.
    refused : str or None
        Why there is no speed block now: a hold that holds or lacks data, or the dose; a sentence.
    """

    blocks: int
    refused: str | None


def today_of(register: Register, player_id: str, session_id: str, analysis: Analysis) -> Today:
    """Return what stands of a player's speed work on the day of a visit.

    Parameters
    ----------
    register : Register
    player_id : str
    session_id : str
        The visit under way.
    analysis : Analysis
        Its results so far.

    Raises
    ------
    StoreError
        As `case_of`.
    """
    case = with_visit(register, player_id, session_id, analysis)
    rules = RuleBook(register).current().rules
    day, work = case.visits[-1].started.date(), work_of(case)
    held = hold_of(case, rules)
    if held is not None:
        refused: str | None = f"No speed block: {held}"
    else:
        refused = no_dose(work, day, plan_of(rules.speed, [stop.id for stop in rules.stops]))
    return Today(sum(done.blocks for done in work.get(day, ())), refused)


def with_visit(register: Register, player_id: str, session_id: str, analysis: Analysis) -> Case:
    """Return a player's case with the visit under way as its last."""
    case = case_of(register, player_id)
    said = Visits(register).said(session_id, analysis.swings)
    started = register.store.session(session_id).started
    visit = Visit(session_id, started, analysis, said.swings, said.questions)
    return replace(case, visits=(*case.visits, visit))


def hold_of(case: Case, rules: RuleSet) -> str | None:
    """Return what holds at the last visit, or cannot be ruled out; None: nothing does."""
    held = sheet(rules, known(facts(case, rules))).holds
    for one in held:
        if one.state is State.HOLDS:
            return one.rule.suggest
    for one in held:
        return f"not known yet: {', '.join(map(words.fact, one.missing))}."
    return None
