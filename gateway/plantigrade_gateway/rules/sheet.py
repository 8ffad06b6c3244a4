"""What a set of rules comes to for one player: holds, suggestions by topic, readiness.

Nothing is added up: there is no score. A pure function of the rules and the facts.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from plantigrade_gateway.rules.model import (
    FEET,
    VAGUE,
    Comparison,
    Condition,
    Item,
    Known,
    Rule,
    RuleSet,
    State,
    Value,
    state_of,
)


@dataclass(frozen=True, slots=True)
class Judged:
    """A rule, and what it comes to.

    Attributes
    ----------
    rule : Rule
    state : State
    against : tuple of str
        What speaks against it in this player.
    missing : tuple of str
        Facts that are not known, where it has no data.
    """

    rule: Rule
    state: State
    against: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Topic:
    """The rules of one topic.

    Attributes
    ----------
    name : str
    judged : tuple of Judged
        Those that hold or have no data.
    is_conflict : bool
        Two that hold say different things: neither is suggested, the coach decides.
    """

    name: str
    judged: tuple[Judged, ...]
    is_conflict: bool

    @property
    def suggested(self) -> tuple[Judged, ...]:
        """Return what is suggested: what holds, unless it is in conflict."""
        return () if self.is_conflict else self.holding

    @property
    def holding(self) -> tuple[Judged, ...]:
        """Return the rules that hold."""
        return tuple(one for one in self.judged if one.state is State.HOLDS)


@dataclass(frozen=True, slots=True)
class Readiness:
    """An item, and whether it was seen.

    Attributes
    ----------
    item : Item
    state : State
        Holds: seen; fails: not seen; not asked: not seen, and need not be.
    missing : tuple of str
        Facts that are not known.
    vague : tuple of str
        Facts that are known and cannot tell yet.
    """

    item: Item
    state: State
    missing: tuple[str, ...] = ()
    vague: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Sheet:
    """What the rules come to.

    Attributes
    ----------
    rules : RuleSet
    known : dict of str to str or float or None
        The facts, with what the feet are called.
    holds : tuple of Judged
        Reasons not to train today, and those that cannot be ruled out.
    topics : tuple of Topic
        In the order of the file; shown, and suggested only where nothing holds.
    readiness : tuple of Readiness
    """

    rules: RuleSet
    known: Mapping[str, Value | None]
    holds: tuple[Judged, ...]
    topics: tuple[Topic, ...]
    readiness: tuple[Readiness, ...]

    @property
    def is_held(self) -> bool:
        """Whether nothing is suggested: a hold holds, or could."""
        return bool(self.holds)


def sheet(rules: RuleSet, facts: Known) -> Sheet:
    """Return what a set of rules comes to.

    Parameters
    ----------
    rules : RuleSet
    facts : mapping of str to str, float or None
        Values must be of their fact's kind; a foot's name is worked out, not taken.
    """
    known: dict[str, Value | None] = {name: facts.get(name) for name in rules.facts}
    for foot in FEET:
        if f"{foot}.foot" in rules.facts:
            known[f"{foot}.foot"] = foot_name(rules, foot, known)
    judged = [_judged(rule, known) for rule in rules.rules]
    holds = tuple(one for one in judged if one.rule.hold and one.state is not State.FAILS)
    return Sheet(
        rules,
        known,
        holds,
        _topics([one for one in judged if not one.rule.hold]),
        tuple(_readiness(item, known) for item in rules.readiness),
    )


def foot_name(rules: RuleSet, foot: str, known: Known) -> str | None:
    """Return what a foot is called: by the first row that holds; None where none does."""
    for row in rules.feet:
        if of_foot(row.when, foot).holds(known) is True:
            return row.name
    return None


def of_foot(when: Condition, foot: str) -> Condition:
    """Return a condition on ``FOOT.…`` as one on a foot."""
    if isinstance(when, Comparison):
        name = when.fact.replace("FOOT.", f"{foot}.", 1)
        return Comparison(name, when.words, when.at_least, when.at_most)
    return type(when)(tuple(of_foot(part, foot) for part in when.parts))


def _judged(rule: Rule, known: Known) -> Judged:
    state = state_of(rule.when.holds(known))
    if state is State.HOLDS:
        said = tuple(one.say for one in rule.against if one.when.holds(known))
        return Judged(rule, state, against=said)
    if state is State.NO_DATA:
        return Judged(rule, state, missing=_unknown(rule.when, known))
    return Judged(rule, state)


def _unknown(when: Condition | Item, known: Known) -> tuple[str, ...]:
    return tuple(dict.fromkeys(name for name in when.facts() if known.get(name) is None))


def _topics(judged: list[Judged]) -> tuple[Topic, ...]:
    by_topic: dict[str, list[Judged]] = {}
    for one in judged:
        rows = by_topic.setdefault(one.rule.topic, [])
        if one.state is not State.FAILS:
            rows.append(one)
    topics = []
    for name, rows in by_topic.items():
        says = {one.rule.says for one in rows if one.state is State.HOLDS and one.rule.says}
        topics.append(Topic(name, tuple(rows), len(says) > 1))
    return tuple(topics)


def _readiness(item: Item, known: Known) -> Readiness:
    seen = item.when.holds(known, VAGUE)
    spared = False if item.unless is None else item.unless.holds(known, VAGUE)
    if seen is not True and spared:
        return Readiness(item, State.NOT_ASKED)
    state = state_of(None if seen is False and spared is None else seen)
    if state is not State.NO_DATA:
        return Readiness(item, state)
    vague = tuple(dict.fromkeys(name for name in item.facts() if known.get(name) in VAGUE))
    return Readiness(item, state, _unknown(item, known), vague)
