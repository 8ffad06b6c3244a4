"""The coach's rule files: each version kept in the log, and the one that a sheet was made with.

While the coach has none of their own, or has gone back to them, the rules that come with the
program hold; a decision keeps their text too, so that a later program shows what it was made with.
"""

from collections.abc import Container, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from difflib import get_close_matches
from functools import lru_cache

from plantigrade.errors import shown
from plantigrade_gateway.check.speedblock import whole
from plantigrade_gateway.coach.limits import check_limits
from plantigrade_gateway.drills.files import Shelf, shelf
from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.people.change import Change
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.profile import utc
from plantigrade_gateway.rules.files import built_in_text, rules_of
from plantigrade_gateway.rules.model import Rule, RuleSet

RULES = "rules"
"""The log's word for what is said of rules."""
_FIELD = "text"


@dataclass(frozen=True, slots=True)
class Version:
    """A rule file as it was kept.

    Attributes
    ----------
    version_id : str
        Empty: it comes with the program, and nothing was decided by it yet.
    text : str
    is_built_in : bool
        It came with the program.
    when : datetime or None
        UTC.
    """

    version_id: str
    text: str
    is_built_in: bool
    when: datetime | None = None

    @property
    def rules(self) -> RuleSet:
        """The rules it holds.

        Raises
        ------
        InputError
            This program cannot use it (any more).
        """
        return _read(self.text)

    @property
    def title(self) -> str:
        """Name and version, as sheets name it; of a file that cannot be used any more, that."""
        said = _named(self)
        return "this program cannot use it any more" if said is None else ", version ".join(said)


@lru_cache(maxsize=4)
def _read(text: str) -> RuleSet:
    return rules_of(text, "rules")


class RuleBook:
    """The rule files of a register's store.

    Parameters
    ----------
    register : Register
        Its author is who says what is said.
    """

    def __init__(self, register: Register) -> None:
        self._register = register

    def versions(self) -> list[Version]:
        """Return what was kept, the latest first."""
        return [_version(change) for change in self._changes()][::-1]

    def current(self) -> Version:
        """Return what a new sheet is made with."""
        own = Version("", built_in_text(), is_built_in=True)
        last = next(iter(self.versions()), own)
        return own if last.is_built_in and last.text != own.text else last

    def version(self, version_id: str) -> Version:
        """Return one that was kept.

        Raises
        ------
        StoreError
            There is none such.
        """
        for one in self.versions():
            if one.version_id == version_id:
                return one
        raise StoreError(f"rules {shown(version_id)}: no such version is kept")

    def of_sheet(self, player_id: str, session_id: str) -> Version:
        """Return what a visit's sheet was made with when it was last decided on, else the current.

        Raises
        ------
        StoreError
            It is not kept here.
        """
        for change in reversed(self._register.changes(player_id)):
            made_on = change.value.get("sheet") if change.field.startswith("decision:") else None
            if made_on is not None and made_on[0] == session_id:
                return self.version(made_on[1])
        return self.current()

    def keep(self, text: str) -> Version:
        """Keep a rule file, by which new sheets are made from now on.

        Raises
        ------
        InputError
            It cannot be used, has a number out of its range, names a drill that is neither built
            in, nor one of the files beside the store, nor named by rules that were kept before
            (where they were, there was such a drill), or another one has its name and version: one
            sentence.
        """
        made = _read(text)
        _check_numbers(made)
        known = {rule.drill for one in self.versions() for rule in _rules_in(one)}
        _check_drills(made, shelf(self._register.store.path), known)
        for one in (*self.versions(), Version("", built_in_text(), is_built_in=True)):
            if one.text != text and _named(one) == (made.name, made.version):
                raise InputError(
                    f"version: is {shown(made.version)} as of other rules of this name, expected "
                    "another one, or nobody can tell the sheets apart"
                )
        return self._say(text, is_built_in=text == built_in_text())

    def kept_id(self) -> str:
        """Return the id of the current one; it is kept where it was not."""
        now = self.current()
        return now.version_id or self._say(now.text, is_built_in=True).version_id

    def _say(self, text: str, *, is_built_in: bool) -> Version:
        now = self.current()
        if now.version_id and (now.text, now.is_built_in) == (text, is_built_in):
            return now
        value = {"text": text, "built_in": is_built_in}
        with self._register.explained():
            (change,) = self._register.log.say(RULES, RULES, {_FIELD: value}, self._register.author)
        return _version(change)

    def _changes(self) -> Iterator[Change]:
        with self._register.explained():
            yield from self._register.log.changes(RULES, RULES)


def _check_numbers(made: RuleSet) -> None:
    """Refuse a number that nothing would read, or that nothing could be made by.

    A misspelt one would leave the program's in force. One out of its range would be found by the
    next sheet or speed block alone, while a player waits.

    Raises
    ------
    InputError
        A limit or a key of ``[speed]`` that the program does not know, one that is no number, or
        one that cannot be.
    """
    own = rules_of(built_in_text(), "built-in rules")
    tables = (("limits", made.limits, own.limits), ("speed", made.speed, own.speed))
    for table, given, known in tables:
        for name, value in given.items():
            if name not in known:
                near = get_close_matches(name, known, 1) or sorted(known)
                raise InputError(
                    f"rules: {table}: {shown(name)} is not known, expected {' or '.join(near)}"
                )
            if isinstance(value, str) and not isinstance(known[name], str):
                raise InputError(f"rules: {table}.{name} is {shown(value)}, expected a number")
    check_limits(made)
    for name, value in made.speed.items():
        if not isinstance(own.speed[name], str):
            whole(name, value)


def _check_drills(made: RuleSet, drills: Shelf, known: Container[str]) -> None:
    """Refuse a drill that nobody could begin.

    One that rules named before is known where those were kept: a hub has no bay's drill files.

    Raises
    ------
    InputError
        A rule names a drill that is not there.
    """
    for rule in made.rules:
        if rule.drill and rule.drill not in known:
            try:
                drills.find(rule.drill)
            except InputError as error:
                raise InputError(f"rules: rule {shown(rule.id)}: {error}") from error


def _version(change: Change) -> Version:
    value = change.value
    return Version(change.change_id, value["text"], value["built_in"], utc(change))


def _rules_in(one: Version) -> Sequence[Rule]:
    try:
        return one.rules.rules
    except InputError:  # of an older program
        return ()


def _named(one: Version) -> tuple[str, str] | None:
    try:
        return one.rules.name, one.rules.version
    except InputError:  # of an older program: nothing can be made with it again
        return None
