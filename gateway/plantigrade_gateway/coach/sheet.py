"""The evidence sheet: what the rules come to for a player, each with what it rests on.

Holds come first, decisions of the coach stand above the rules. There is no score.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from plantigrade_gateway import words
from plantigrade_gateway.analysis.result import other_mass
from plantigrade_gateway.check import steps
from plantigrade_gateway.coach.case import Case, Decided, HoldTakenBack
from plantigrade_gateway.coach.facts import FactValue, facts, known
from plantigrade_gateway.coach.falls import Fall, falls
from plantigrade_gateway.coach.limits import LimitShown, limits_shown
from plantigrade_gateway.coach.reading import alike
from plantigrade_gateway.rules.model import RuleSet, State
from plantigrade_gateway.rules.sheet import Readiness, Sheet, sheet

SEEN, NOT_SEEN, NO_DATA, CANNOT_TELL = "seen", "not seen", "no data", "cannot tell yet"
NOT_ASKED = "not asked"

ORDER = (
    "The order of a check is fixed for safety: speed and time in the visit go together, but for "
    "smooth again."
)
"""To be shown beside what is compared over a visit."""


@dataclass(frozen=True, slots=True)
class Looked:
    """An item of the readiness review.

    Attributes
    ----------
    id, item : str
    word : str
        ``"seen"``, ``"not seen"``, ``"not asked"``, ``"no data"`` or ``"cannot tell yet"``.
    text : str
        The word with what decides it: ``cannot tell yet (5 of 6)``.
    note : str
        The item's, where it explains the word: it was not asked, or there are no data.
    stage : str
        Empty: before the first fast swings; else after them.
    """

    id: str
    item: str
    word: str
    text: str
    note: str = ""
    stage: str = ""


@dataclass(frozen=True, slots=True)
class LastCheck:
    """An earlier visit on which standing and walking were checked, where on this one they were not.

    Attributes
    ----------
    session_id : str
    day : date
    counts : bool
        It was in the shoe and footbed of the visit that is decided by, so that its facts count.
    """

    session_id: str
    day: date
    counts: bool

    @property
    def text(self) -> str:
        """It in a sentence."""
        said = (
            "Standing and walking were not checked on this visit; the last check was on "
            f"{self.day.isoformat()}"
        )
        if self.counts:
            return f"{said}."
        return f"{said}, which does not count here: shoe and footbed are not noted as the same."


@dataclass(frozen=True, slots=True)
class EvidenceSheet:
    """What there is to decide by.

    Attributes
    ----------
    player_id, name : str
    session_id : str
        Of the visit that is decided by; empty without one.
    day : date or None
    rules_name, rules_version : str
        The rule file it was made with.
    sheet : Sheet
        Holds, topics and readiness as the rules come to.
    facts : dict of str to FactValue
    readiness : tuple of Looked
    decisions : tuple of Decided
        The coach's own: above the rules.
    falls : tuple of Fall
        Where fewer good pushes were looked for, and what could have been missed.
    limits : tuple of LimitShown
    last_check : LastCheck or None
        Where this visit has no check of the feet and an earlier one has.
    hold_taken_back : HoldTakenBack or None
        A stop of this visit that was taken back: it holds nothing up, and is shown.
    notes : tuple of str
    """

    player_id: str
    name: str
    session_id: str
    day: date | None
    rules_name: str
    rules_version: str
    sheet: Sheet
    facts: Mapping[str, FactValue]
    readiness: tuple[Looked, ...]
    decisions: tuple[Decided, ...]
    falls: tuple[Fall, ...]
    limits: tuple[LimitShown, ...]
    last_check: LastCheck | None = None
    hold_taken_back: HoldTakenBack | None = None
    notes: tuple[str, ...] = (ORDER,)


def evidence(case: Case, rules: RuleSet) -> EvidenceSheet:
    """Return the evidence sheet of a player.

    Raises
    ------
    InputError
        The rule file's limits cannot be used with those of a session.
    """
    found = facts(case, rules)
    made = sheet(rules, known(found))
    last = case.visits[-1] if case.visits else None
    return EvidenceSheet(
        player_id=case.player_id,
        name=case.name,
        session_id="" if last is None else last.session_id,
        day=None if last is None else last.started.date(),
        rules_name=rules.name,
        rules_version=rules.version,
        sheet=made,
        facts=found,
        readiness=tuple(looked(one, found) for one in made.readiness),
        decisions=case.decisions,
        falls=falls(case, rules),
        limits=limits_shown(rules, None if last is None else last.analysis.quality),
        last_check=last_check(case),
        hold_taken_back=None if last is None else last.hold_taken_back,
        notes=(*doubts(case), ORDER),
    )


def last_check(case: Case) -> LastCheck | None:
    """Return the last visit on which standing and walking were checked; None: it is this one."""
    checked = [
        visit
        for visit in case.visits
        if {trial.step for trial in visit.analysis.trials} >= {steps.STAND, steps.WALK}
    ]
    if not checked or checked[-1] is case.visits[-1]:
        return None
    found = checked[-1]
    return LastCheck(found.session_id, found.started.date(), found in alike(case))


def doubts(case: Case) -> list[str]:
    """Say where the last visit was recorded for another hand, or is of another body's weight."""
    quality = case.visits[-1].analysis.quality if case.visits else None
    if quality is None:
        return []
    name = case.name or "the player"
    hand = words.wrong_hand(quality.handed, case.handedness, name)
    return [said for said in (hand, other_mass(quality, case.mass_kg, name)) if said]


def looked(one: Readiness, found: Mapping[str, FactValue]) -> Looked:
    """Return an item in words."""
    if one.state is State.HOLDS:
        word = text = SEEN
    elif one.state is State.FAILS:
        word = text = NOT_SEEN
    elif one.state is State.NOT_ASKED:
        word = text = NOT_ASKED
    elif one.missing:
        word = NO_DATA
        text = f"{NO_DATA}: {', '.join(one.missing)}"
    else:
        word = CANNOT_TELL
        text = f"{CANNOT_TELL} ({', '.join(_how_many(found[name]) for name in one.vague)})"
    note = one.item.note if word in (NOT_ASKED, NO_DATA) else ""
    return Looked(one.item.id, one.item.item, word, text, note, one.item.stage)


def _how_many(fact: FactValue) -> str:
    """Return what a fact that cannot tell is of: ``5 of 6``, or its value."""
    if fact.count is not None and fact.n is not None:
        return f"{fact.count} of {fact.n}"
    return f"{fact.name} {fact.value}"
