"""The evidence sheet in the terminal, and as JSON values: the same for commands and programs."""

from collections.abc import Iterable
from typing import Any

from rich.console import Console

from plantigrade_gateway import words
from plantigrade_gateway.coach.facts import FactValue
from plantigrade_gateway.coach.sheet import EvidenceSheet
from plantigrade_gateway.converter import plain
from plantigrade_gateway.formats import NONE, printable
from plantigrade_gateway.report.console import heading, item, paragraph, put, table
from plantigrade_gateway.rules.model import State
from plantigrade_gateway.rules.sheet import Judged, Topic

NO_SCORE = "No item outweighs another and nothing is added up: the coach decides."
_DEEP = " " * 4
STAGES = {"": "Before the first fast swings", "going on": "To go on with, once they have begun"}


def sheet_json(made: EvidenceSheet) -> dict[str, Any]:
    """Return a sheet as JSON values; the player by id only."""
    return {
        "schema": 1,
        "player": made.player_id,
        "session": made.session_id or None,
        "day": plain(made.day),
        "rules": {"name": made.rules_name, "version": made.rules_version},
        "held": made.sheet.is_held,
        "holds": [_rule_json(one) for one in made.sheet.holds],
        "hold_taken_back": plain(made.hold_taken_back),
        "decisions": plain(made.decisions),
        "topics": [
            {
                "topic": topic.name,
                "conflict": topic.is_conflict,
                "rules": [_rule_json(one) for one in topic.judged],
            }
            for topic in made.sheet.topics
        ],
        "readiness": plain(made.readiness),
        "falls": plain(made.falls),
        "facts": plain(made.facts),
        "limits": plain(made.limits),
        "notes": [*made.notes, words.TRAINING_AID, words.DESCRIBES],
    }


def _rule_json(one: Judged) -> dict[str, Any]:
    rule = one.rule
    return {
        "id": rule.id,
        "state": str(one.state),
        "says": rule.says,
        "suggest": rule.suggest,
        "player": rule.player,
        "against": list(one.against),
        "missing": list(one.missing),
        "drill": rule.drill,
        "basis": rule.basis,
        "source": rule.source,
    }


def show_sheet(made: EvidenceSheet, out: Console) -> None:
    """Print a sheet: holds on top, what was decided, topics, readiness, what all of it rests on."""
    heading(out, f"Evidence sheet of {printable(made.name)}")
    day = "no visit yet" if made.day is None else f"{made.day.isoformat()}, {made.session_id[:8]}"
    item(out, "visit", day)
    item(out, "rules", f"{printable(made.rules_name)}, version {printable(made.rules_version)}")
    if made.day is None:
        paragraph(
            out,
            "Every answer lacks its data: the first visit begins with the questions about pain and "
            "a guided check, page Check of the live page.",
        )
    if made.last_check is not None:
        there = f"Its sheet: --visit {made.last_check.session_id[:8]}"
        paragraph(out, f"{made.last_check.text} {there}")
    if made.sheet.holds:
        _show_holds(made, out)
    if made.hold_taken_back is not None:
        item(out, "taken back", made.hold_taken_back.text)
    if made.decisions:
        heading(out, "Decided by the coach")
        for one in made.decisions:
            said = words.decision(one.answer, one.plan, one.day.isoformat(), one.cue)
            item(out, one.topic, said)
    held = "nothing is suggested while a hold stands" if made.sheet.is_held else ""
    heading(out, "What the rules come to", held)
    for topic in made.sheet.topics:
        if topic.judged:
            _show_topic(topic, out, is_held=made.sheet.is_held)
    _show_readiness(made, out)
    if made.falls:
        heading(out, "Good pushes, set against set")
        for fall in made.falls:
            paragraph(out, f"{fall.what}: {fall.text}.", _DEEP, "  ")
    _show_facts(made, out)
    heading(out, "Limits")
    for limit in made.limits:
        paragraph(out, f"{limit.text}: {limit.source} ({limit.name})", _DEEP, "  ")
    out.print()
    for text in (*made.notes, words.TRAINING_AID, words.DESCRIBES):
        paragraph(out, text)


def _show_holds(made: EvidenceSheet, out: Console) -> None:
    heading(out, "Holds", "before every suggestion")
    for one in made.sheet.holds:
        if one.state is State.HOLDS:
            paragraph(out, one.rule.suggest, _DEEP, "  ", style="bold")
            paragraph(out, _basis(one), _DEEP)
        else:
            paragraph(
                out,
                f"not known yet: {', '.join(map(words.fact, one.missing))}",
                _DEEP,
                "  ",
            )


def _show_topic(topic: Topic, out: Console, *, is_held: bool) -> None:
    missing = dict.fromkeys(name for one in topic.judged for name in one.missing)
    if not topic.holding:
        paragraph(out, f"{topic.name}: no data: {', '.join(map(words.fact, missing))}", _DEEP, "  ")
        return
    beside = ": the rules do not agree: the coach decides" if topic.is_conflict else ""
    paragraph(out, f"{topic.name}{beside}", "  ", style="bold")
    for one in topic.holding:
        kept_back = "(not today) " if is_held else ""
        paragraph(out, f"{kept_back}{one.rule.suggest}", "      ", _DEEP)
        for text in one.against:
            paragraph(out, f"against: {text}", "      ")
        paragraph(out, _basis(one), "      ")
    if missing:
        paragraph(
            out, f"other rules: no data: {', '.join(map(words.fact, missing))}", "      ", _DEEP
        )


def _basis(one: Judged) -> str:
    source = f"; {one.rule.source}" if one.rule.source else ""
    return f"basis: {one.rule.basis}{source}"


def _show_readiness(made: EvidenceSheet, out: Console) -> None:
    for stage in dict.fromkeys(one.stage for one in made.readiness):
        heading(out, STAGES.get(stage, stage))
        for one in made.readiness:
            if one.stage == stage:
                note = f" ({one.note})" if one.note else ""
                paragraph(out, f"{one.item}: {words.fact(one.text)}{note}", _DEEP, "  ")
    paragraph(out, NO_SCORE, "  ")


def _show_facts(made: EvidenceSheet, out: Console) -> None:
    heading(out, "What it rests on", "95 % intervals")
    shown = table("fact", "value", "measured", "days old", numbers_from=3)
    shown.columns[2].no_wrap = False
    for fact in made.facts.values():
        shown.add_row(
            words.fact(fact.name),
            NONE if fact.value is None else words.fact(str(fact.value)),
            printable(fact.text),
            NONE if fact.age_days is None else str(fact.age_days),
        )
    put(out, shown)
    for (session_id, conditions), day in _conditions(made.facts.values()).items():
        paragraph(out, f"{day} ({session_id[:8]}): {conditions}", _DEEP, "  ")


def _conditions(facts: Iterable[FactValue]) -> dict[tuple[str, str], str]:
    """Return each visit's conditions once, with its day."""
    found: dict[tuple[str, str], str] = {}

    for fact in facts:
        if fact.day is not None and fact.conditions:
            found[fact.session_id, fact.conditions] = fact.day.isoformat()
    return found
