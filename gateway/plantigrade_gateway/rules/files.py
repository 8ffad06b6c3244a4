"""A rule file (TOML): read, and checked before it is used (`hardware_notes/rule_file.md`).

A file that cannot be used is refused in one sentence: where, what, and what was expected.
"""

import itertools
import math
import re
from collections.abc import Iterable, Iterator, Mapping
from difflib import get_close_matches
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from plantigrade.errors import ForeignError, shown
from plantigrade.foreign import read_toml
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.foreign import read_file
from plantigrade_gateway.rules.model import (
    FEET,
    Against,
    All,
    Any,
    Comparison,
    Condition,
    Fact,
    FootName,
    Item,
    Rule,
    RuleSet,
    Stop,
    Value,
)
from plantigrade_gateway.rules.sheet import of_foot

YES_NO = ("yes", "no")
_AS = re.compile(r"as ([\w.]+)")
_TOO_MANY = 20_000
"""Combinations of facts that two rules are compared over, at most (ours)."""

Text = Annotated[str, Field(min_length=1, max_length=600)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class _Fact(_Table):
    kind: Text
    source: str = Field("", alias="from", max_length=600)
    least: int = Field(0, ge=0, le=1000)


class _Condition(_Table):
    fact: Text | None = None
    is_: Text | None = Field(None, alias="is")
    in_: list[Text] | None = Field(None, alias="in")
    at_least: float | None = None
    at_most: float | None = None
    all: "list[_Condition] | None" = None
    any: "list[_Condition] | None" = None


class _Against(_Table):
    fact: Text
    is_: Text | None = Field(None, alias="is")
    in_: list[Text] | None = Field(None, alias="in")
    say: Text


class _When(_Table):
    all: list[_Condition] | None = None
    any: list[_Condition] | None = None


class _Rule(_Table):
    id: Text
    topic: Text
    when: _When
    suggest: Text
    says: str = ""
    hold: bool = False
    player: str = ""
    against: list[_Against] = []
    drill: str = ""
    basis: str = ""
    source: str = ""


class _Item(_Table):
    id: Text
    item: Text
    when: _When
    unless: _When | None = None
    note: str = ""
    stage: str = ""


class _Foot(_Table):
    name: Text
    when: _When


class _Stop(_Table):
    id: Text
    when: Text
    then: Text


class _File(_Table):
    format: Literal[1]
    name: Text
    version: Text
    basis_default: Text
    limits: dict[str, float] = {}
    facts: dict[str, _Fact]
    foot: list[_Foot] = []
    rule: list[_Rule]
    readiness: list[_Item] = []
    speed: dict[str, float | str] = {}
    stop: list[_Stop] = []


@cache
def built_in() -> RuleSet:
    """Return the rules that come with the program."""
    return rules_of(built_in_text(), "built-in rules")


@cache
def built_in_text() -> str:
    """Return the rule file that comes with the program."""
    return (resources.files("plantigrade_gateway") / "rules" / "first.toml").read_text("utf-8")


def read_rules(path: Path) -> RuleSet:
    """Read a rule file.

    Raises
    ------
    InputError
        It cannot be read, or used: one sentence.
    """
    return rules_of(read_file(path, str(path)), str(path))


def rules_of(text: bytes | str, source: str) -> RuleSet:
    """Return the rules that a file's text holds.

    Parameters
    ----------
    text : bytes or str
    source : str
        Named in errors: the file.

    Raises
    ------
    InputError
        An unknown key or fact, a word that is none of its fact's, two rules of a topic of which one
        holds whenever the other does and says something else: one sentence.
    """
    try:
        table = _File.model_validate(read_toml(text, source))
    except ForeignError as error:
        raise InputError(str(error)) from error
    except ValidationError as error:
        raise InputError(f"{source}: {_sentence(error, read_toml(text, source))}") from error
    facts = _facts(source, table.facts)
    reader = _Reader(source, facts)
    made = RuleSet(
        name=table.name,
        version=table.version,
        basis_default=table.basis_default,
        limits=table.limits,
        facts=facts,
        feet=tuple(reader.foot(row) for row in table.foot),
        rules=tuple(reader.rule(row, table.basis_default) for row in table.rule),
        readiness=tuple(reader.item(row) for row in table.readiness),
        speed=table.speed,
        stops=tuple(Stop(row.id, row.when, row.then) for row in table.stop),
    )
    _check_ids(source, made)
    _check_contradictions(source, made)
    return made


def _sentence(error: ValidationError, table: Mapping[str, object]) -> str:
    """Return one fault in words: where, what, what was expected.

    A key that is not known comes first: what is missing may be it, misspelt.
    """
    fault = min(error.errors(include_url=False), key=lambda one: one["type"] != "extra_forbidden")
    where = _where(fault["loc"], table)
    if fault["type"] == "extra_forbidden":
        key, known = str(fault["loc"][-1]), _keys_of(fault["loc"])
        near = get_close_matches(key, known, 1)
        wanted = f"perhaps {near[0]}" if near else "one of " + ", ".join(known)
        return f"{where} is not known, expected {wanted}"
    if fault["type"] == "missing":
        return f"{where} is missing, expected it there"
    text = fault["msg"][:1].lower() + fault["msg"][1:]
    return f"{where} is {shown(fault['input'])}: {text.replace('input should', 'it should')}"


def _where(loc: tuple[int | str, ...], table: Mapping[str, object]) -> str:
    """Return a place in a file; rows by what they are called, where they are called anything."""
    parts = [f"{part + 1}" if isinstance(part, int) else part for part in loc]
    rows = table.get(str(loc[0])) if len(loc) > 1 and isinstance(loc[1], int) else None
    if isinstance(rows, list) and isinstance(row := rows[int(loc[1])], Mapping):
        name = row.get("id", row.get("name"))
        if isinstance(name, str):
            parts[:2] = [f"{loc[0]} {shown(name)}"]
    return " › ".join(parts)


def _keys_of(loc: tuple[int | str, ...]) -> list[str]:
    """Return the keys that the table at a place may have."""
    model: type[BaseModel] = _File
    below: dict[str, type[BaseModel]] = {
        "facts": _Fact,
        "foot": _Foot,
        "rule": _Rule,
        "readiness": _Item,
        "stop": _Stop,
        "when": _When,
        "unless": _When,
        "against": _Against,
        "all": _Condition,
        "any": _Condition,
    }
    for part in loc[:-1]:
        if isinstance(part, str) and part in below:
            model = below[part]
    return [field.alias or name for name, field in model.model_fields.items()]


def _facts(source: str, tables: Mapping[str, _Fact]) -> dict[str, Fact]:
    facts = {}
    for name, table in tables.items():
        kind, seen = table.kind, {name}
        while match := _AS.fullmatch(kind):
            other = match[1]
            if other not in tables:
                raise InputError(
                    f"{source}: fact {name}: kind is {kind!r}, {_known(other, tables)}"
                )
            if other in seen:
                raise InputError(f"{source}: fact {name}: kind is {kind!r}, which leads back to it")
            seen.add(other)
            kind = tables[other].kind
        words = YES_NO if kind == "yes/no" else tuple(word.strip() for word in kind.split(","))
        if kind == "number":
            words = ()
        elif len(words) < 2 or len(set(words)) < len(words) or not all(words):
            raise InputError(
                f"{source}: fact {name}: kind is {kind!r}, expected yes/no, number, as FACT, or "
                "two or more words with commas between them"
            )
        facts[name] = Fact(name, words, table.source, table.least)
    return facts


def _known(name: str, known: Iterable[str]) -> str:
    near = get_close_matches(name, list(known), 1)
    return f"{name} is no fact" + (f", perhaps {near[0]}" if near else "")


class _Reader:
    """Makes rules of their tables, with every fact and word checked."""

    def __init__(self, source: str, facts: Mapping[str, Fact]) -> None:
        self._source = source
        self._facts = facts

    def foot(self, row: _Foot) -> FootName:
        where = f"foot {row.name!r}"
        when = self._when(where, row.when, of_foot_allowed=True)
        name_facts = [f"{foot}.foot" for foot in FEET if f"{foot}.foot" in self._facts]
        for fact in name_facts:
            if row.name not in self._facts[fact].words:
                raise self._error(
                    where, f"is none of {', '.join(self._facts[fact].words)}, the kind of {fact}"
                )
        return FootName(row.name, when)

    def rule(self, row: _Rule, basis: str) -> Rule:
        where = f"rule {row.id!r}"
        return Rule(
            id=row.id,
            topic=row.topic,
            when=self._when(where, row.when),
            suggest=row.suggest,
            says=row.says,
            hold=row.hold,
            player=row.player,
            against=tuple(
                Against(self._test(f"{where}, against", one.fact, one.is_, one.in_), one.say)
                for one in row.against
            ),
            drill=row.drill,
            basis=row.basis or basis,
            source=row.source,
        )

    def item(self, row: _Item) -> Item:
        where = f"readiness {row.id!r}"
        when = self._when(where, row.when)
        unless = None if row.unless is None else self._when(where, row.unless, key="unless")
        return Item(row.id, row.item, when, row.note, row.stage, unless)

    def _when(
        self, where: str, row: _When, *, key: str = "when", of_foot_allowed: bool = False
    ) -> Condition:
        return self._group(f"{where}, {key}", row.all, row.any, of_foot_allowed)

    def _group(
        self,
        where: str,
        every: list[_Condition] | None,
        one: list[_Condition] | None,
        of_foot_allowed: bool,
    ) -> Condition:
        if (every is None) == (one is None):
            raise self._error(where, "has neither or both of all and any, expected one of them")
        rows = every if one is None else one
        if not rows:
            raise self._error(where, "has no condition, expected at least one")
        parts = tuple(self._condition(where, row, of_foot_allowed) for row in rows)
        return All(parts) if one is None else Any(parts)

    def _condition(self, where: str, row: _Condition, of_foot_allowed: bool) -> Condition:
        if row.fact is None:
            return self._group(where, row.all, row.any, of_foot_allowed)
        if row.all is not None or row.any is not None:
            raise self._error(where, f"{row.fact} stands beside all or any, expected one of them")
        name = row.fact
        if of_foot_allowed and name.startswith("FOOT."):
            for foot in FEET:
                self._test(
                    where,
                    name.replace("FOOT.", f"{foot}.", 1),
                    row.is_,
                    row.in_,
                    row.at_least,
                    row.at_most,
                )
            words = tuple(row.in_ or [row.is_ or ""])
            return Comparison(name, words, row.at_least, row.at_most)
        return self._test(where, name, row.is_, row.in_, row.at_least, row.at_most)

    def _test(
        self,
        where: str,
        name: str,
        is_: str | None,
        in_: list[str] | None,
        at_least: float | None = None,
        at_most: float | None = None,
    ) -> Comparison:
        fact = self._facts.get(name)
        if fact is None:
            raise self._error(where, _known(name, self._facts))
        given = [one is not None for one in (is_, in_, at_least, at_most)]
        if not fact.words:
            if any(given[:2]) or not any(given[2:]):
                raise self._error(where, f"{name} is a number, expected at_least or at_most")
            return Comparison(name, (), at_least, at_most)
        if any(given[2:]) or sum(given[:2]) != 1:
            raise self._error(where, f"{name} is a word, expected one of is and in")
        words = tuple(in_) if in_ is not None else (str(is_),)
        for word in words:
            if word not in fact.words:
                near = get_close_matches(word, fact.words, 1)
                wanted = f"perhaps {near[0]}" if near else "one of " + ", ".join(fact.words)
                raise self._error(where, f"{name} is never {word!r}, expected {wanted}")
        return Comparison(name, words)

    def _error(self, where: str, text: str) -> InputError:
        return InputError(f"{self._source}: {where}: {text}")


def _check_ids(source: str, rules: RuleSet) -> None:
    for what, ids in (
        ("rule", [rule.id for rule in rules.rules]),
        ("readiness", [item.id for item in rules.readiness]),
        ("stop", [stop.id for stop in rules.stops]),
        ("foot", [row.name for row in rules.feet]),
    ):
        for name in ids:
            if ids.count(name) > 1:
                raise InputError(f"{source}: {what} {name!r} stands there twice, expected once")


def _check_contradictions(source: str, rules: RuleSet) -> None:
    """Refuse two rules of a topic of which one holds whenever the other does and says otherwise."""
    for first, second in itertools.permutations(rules.rules, 2):
        if first.topic != second.topic or not first.says or not second.says:
            continue
        if first.says != second.says and _implies(rules, first.when, second.when):
            raise InputError(
                f"{source}: rules {first.id!r} and {second.id!r} of topic {first.topic!r} "
                f"contradict each other: whenever the first holds ({first.says}) the second does "
                f"({second.says})"
            )


def _implies(rules: RuleSet, first: Condition, second: Condition) -> bool:
    """Whether the second holds in every case in which the first does, and there is such a case."""
    names = list(dict.fromkeys([*first.facts(), *second.facts()]))
    sizes = [len(rules.facts[name].words) for name in names]
    if 0 in sizes or math.prod(size + 1 for size in sizes) > _TOO_MANY:
        return first == second
    holding = (known for known in _cases(rules, names) if first.holds(known) is True)
    there_is_one = False
    for known in holding:
        if second.holds(known) is not True:
            return False  # most rules differ in the first such case
        there_is_one = True
    return there_is_one


def _cases(rules: RuleSet, names: list[str]) -> Iterator[dict[str, Value | None]]:
    """Give every combination of what facts can be, not known among it."""
    values: list[tuple[Value | None, ...]] = [(*rules.facts[name].words, None) for name in names]
    for row in itertools.product(*values):
        yield dict(zip(names, row, strict=True))


def unused(rules: RuleSet) -> Iterator[str]:
    """Give the facts that are declared and never asked for."""
    asked: set[str] = set()
    for rule in rules.rules:
        asked.update(rule.when.facts(), (one.when.fact for one in rule.against))
    for item in rules.readiness:
        asked.update(item.facts())
    for row in rules.feet:
        for foot in FEET:
            asked.update(of_foot(row.when, foot).facts())
    yield from (name for name in rules.facts if name not in asked)
