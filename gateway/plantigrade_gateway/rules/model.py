"""A set of rules: facts, conditions on them, what is suggested when they hold, and their limits.

Conditions have three truths: True, False, and None where a fact that decides is not known. The
words are those of the rule file (`hardware_notes/rule_file.md`).
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

Value = str | float
"""What is known of a fact: a word of its kind, or a number."""
Known = Mapping[str, Value | None]
"""Facts by name; None, or absent: not known."""

VAGUE = frozenset({"mixed", "between", "not told apart"})
"""Words that in readiness count as not known unless a condition lists them."""
FEET = ("lead", "trail")


@dataclass(frozen=True, slots=True)
class Fact:
    """Something that rules may ask for.

    Attributes
    ----------
    name : str
    words : tuple of str
        Its values; empty: a number.
    source : str
        Where it comes from, for people.
    least : int
        Data without which it is not known.
    """

    name: str
    words: tuple[str, ...]
    source: str = ""
    least: int = 0


@dataclass(frozen=True, slots=True)
class Comparison:
    """A condition on one fact: it is one of some words, or a number in a range, ends included."""

    fact: str
    words: tuple[str, ...] = ()
    at_least: float | None = None
    at_most: float | None = None

    def holds(self, known: Known, vague: frozenset[str] = frozenset()) -> bool | None:
        """Return its truth; a word in `vague` that it does not list is not known."""
        value = known.get(self.fact)
        if value is None:
            return None
        if isinstance(value, str):
            return True if value in self.words else None if value in vague else False
        low = -float("inf") if self.at_least is None else self.at_least
        high = float("inf") if self.at_most is None else self.at_most
        return low <= value <= high

    def facts(self) -> Iterator[str]:
        """Give the fact it names."""
        yield self.fact


@dataclass(frozen=True, slots=True)
class All:
    """Holds where every part does; fails where one fails; else not known."""

    parts: tuple["Condition", ...]

    def holds(self, known: Known, vague: frozenset[str] = frozenset()) -> bool | None:
        """Return its truth."""
        found = [part.holds(known, vague) for part in self.parts]
        return False if False in found else None if None in found else True

    def facts(self) -> Iterator[str]:
        """Give the facts it names, in order."""
        for part in self.parts:
            yield from part.facts()


@dataclass(frozen=True, slots=True)
class Any:
    """Holds where one part does; fails where every part fails; else not known."""

    parts: tuple["Condition", ...]

    def holds(self, known: Known, vague: frozenset[str] = frozenset()) -> bool | None:
        """Return its truth."""
        found = [part.holds(known, vague) for part in self.parts]
        return True if True in found else None if None in found else False

    def facts(self) -> Iterator[str]:
        """Give the facts it names, in order."""
        for part in self.parts:
            yield from part.facts()


Condition = Comparison | All | Any


@dataclass(frozen=True, slots=True)
class Against:
    """What speaks against a suggestion, where its condition holds."""

    when: Comparison
    say: str


@dataclass(frozen=True, slots=True)
class Rule:
    """A suggestion.

    Attributes
    ----------
    id : str
    topic : str
    when : Condition
    suggest : str
        For the coach.
    says : str
        One word for what it decides; two rules of a topic that hold and say different things are in
        conflict. Empty: it decides nothing.
    hold : bool
        Nothing else is suggested while it holds.
    player : str
        The same in the player's words.
    against : tuple of Against
    drill : str
        What to practise; empty: none.
    basis : str
        What it rests on.
    source : str
    """

    id: str
    topic: str
    when: Condition
    suggest: str
    says: str = ""
    hold: bool = False
    player: str = ""
    against: tuple[Against, ...] = ()
    drill: str = ""
    basis: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True)
class Item:
    """Something to be seen before, or while, fast swings are practised.

    Attributes
    ----------
    id, item : str
    when : Condition
    note : str
        What explains that it was not asked, or that there are no data.
    stage : str
        Empty: before the first fast block; else after it.
    unless : Condition or None
        Where it holds, an item that was not seen was not asked for.
    """

    id: str
    item: str
    when: Condition
    note: str = ""
    stage: str = ""
    unless: Condition | None = None

    def facts(self) -> Iterator[str]:
        """Give the facts it names, in order."""
        yield from self.when.facts()
        if self.unless is not None:
            yield from self.unless.facts()


@dataclass(frozen=True, slots=True)
class FootName:
    """What a foot is called where a condition on ``FOOT.…`` holds."""

    name: str
    when: Condition


@dataclass(frozen=True, slots=True)
class Stop:
    """When speed work ends, in words; `id` is what the program knows it by."""

    id: str
    when: str
    then: str


@dataclass(frozen=True, slots=True)
class RuleSet:
    """A rule file.

    Attributes
    ----------
    name, version, basis_default : str
    limits : dict of str to float
    facts : dict of str to Fact
    feet : tuple of FootName
        The first that holds names a foot.
    rules : tuple of Rule
    readiness : tuple of Item
    speed : dict of str to float or str
    stops : tuple of Stop
    """

    name: str
    version: str
    basis_default: str
    limits: Mapping[str, float]
    facts: Mapping[str, Fact]
    feet: tuple[FootName, ...]
    rules: tuple[Rule, ...]
    readiness: tuple[Item, ...]
    speed: Mapping[str, float | str] = field(default_factory=dict)
    stops: tuple[Stop, ...] = ()


class State(StrEnum):
    """What a rule or an item comes to."""

    HOLDS = "holds"
    FAILS = "fails"
    NO_DATA = "no data"
    NOT_ASKED = "not asked"


def state_of(truth: bool | None) -> State:
    """Return a truth as a state."""
    return State.NO_DATA if truth is None else State.HOLDS if truth else State.FAILS
