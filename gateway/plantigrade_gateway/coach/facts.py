"""Every fact of a rule file, from all that is known of a player; what is not known is None.

A fact that a rule file declares and the program cannot read is not known, and says so.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time

from plantigrade.stat import stat_of
from plantigrade_gateway import words
from plantigrade_gateway.coach import feet, swings
from plantigrade_gateway.coach.case import Case, Decided, Visit
from plantigrade_gateway.coach.reading import NO, YES, Reading, alike, tally, too_few, yes_no
from plantigrade_gateway.coach.swings import FULL, noted, of_sets, sets_of_visit
from plantigrade_gateway.rules.model import FEET, Fact, RuleSet, Value
from plantigrade_gateway.rules.sheet import foot_name

STEADY = 0.02
"""Club speed is steady where its SD is at most this part of its mean (rule file: ours)."""


def eye_heel(case: Case, least: int) -> Reading:
    """Return what the coach's eye said of the lead heel before it saw the program's answer."""
    for visit in alike(case):
        taps = [
            note.eye_heel.answer == "up"
            for _, note in noted(visit, visit.analysis.swings)
            if note.eye_heel is not None and note.eye_heel.is_blind
        ]
        if taps:
            found = tally(taps, least, "marked swing", ("up", "mixed", "down"))
            return replace(found, visit=visit)
    return Reading(None, "no swing was marked before its result was shown")


def club_speed(case: Case, least: int) -> Reading:
    """Return whether the club speed of full sets is steady."""
    for visit in alike(case):
        sets = sets_of_visit(visit, [s for s in visit.analysis.standing_sets if s.intent == FULL])
        speeds = stat_of(note.club_speed_m_s for _, note in noted(visit, sets.swings))
        if not speeds.count:
            continue
        if speeds.count < max(least, 2) or speeds.mean is None or speeds.sd is None:
            text = too_few(speeds.count, max(least, 2), "club speed")
            return replace(of_sets(Reading(None, text), sets), n=speeds.count)
        text = f"{speeds.mean:.1f} ± {speeds.sd:.1f} m/s ({speeds.count})"
        steady = speeds.sd <= STEADY * speeds.mean
        value = "yes" if steady else "no"
        return of_sets(Reading(value, text, n=speeds.count, measured=speeds.mean), sets)
    return Reading(None, "no club speed of a full set")


LOOKED_AT = ("hips", "trunk", "ankles", "balance")
"""What a coach looks at without the insoles."""
NOT_KNOWN = "the program does not know this fact"
_RED, _PAIN = "red flag", "pain"


@dataclass(frozen=True, slots=True)
class FactValue:
    """A fact, and what it rests on.

    Attributes
    ----------
    name : str
    value : str or float or None
        A word of its kind, or a number; None: not known.
    text : str
        For people: ``7 of 8 (53 to 98 %)``, or why it is not known.
    count, n : int or None
        How many of how many; of a mean only how many.
    least : int
        With fewer it is not known.
    left_out : int
        Unclear ones that are not among `n`.
    measured : float or None
        The share, the mean or the difference.
    interval : tuple of float or None
        95 %, of `measured`.
    degrees : float or None
        Degrees of freedom of the interval; None of a proportion.
    session_id : str
        Which visit it rests on; empty: none.
    day : date or None
        Of that visit, where it was.
    age_days : int or None
        From that day to the last visit's.
    conditions : str
        Shoe, footbed, club and calibration, for people.
    source : str
        Where it comes from, by the rule file.
    """

    name: str
    value: Value | None
    text: str
    count: int | None = None
    n: int | None = None
    least: int = 0
    left_out: int = 0
    measured: float | None = None
    interval: tuple[float, float] | None = None
    degrees: float | None = None
    session_id: str = ""
    day: date | None = None
    age_days: int | None = None
    conditions: str = ""
    source: str = ""


def facts(case: Case, rules: RuleSet) -> dict[str, FactValue]:
    """Return every fact that a rule file declares.

    Parameters
    ----------
    case : Case
    rules : RuleSet

    Returns
    -------
    dict of str to FactValue
        In the rule file's order.

    Raises
    ------
    InputError
        The rule file's limits cannot be used with those of a session.
    """
    found = {name: _reading(case, rules, fact) for name, fact in rules.facts.items()}
    names = {foot: foot_name(rules, foot, known(found)) for foot in FEET}
    for foot, name in names.items():
        if f"{foot}.foot" in found:
            found[f"{foot}.foot"] = _named(foot, name, found)
    if "feet.differ" in found:
        found["feet.differ"] = feet.differ(case, rules, names)
    return {name: _value(case, fact, found[name]) for name, fact in rules.facts.items()}


def known(found: Mapping[str, FactValue | Reading]) -> dict[str, Value | None]:
    """Return facts as rules ask for them."""
    return {name: one.value for name, one in found.items()}


def _reading(case: Case, rules: RuleSet, fact: Fact) -> Reading:
    least = fact.least
    which, _, what = fact.name.partition(".")
    if fact.name in _SAID:
        return _SAID[fact.name](case)
    if which in FEET and what in _OF_FOOT:
        return _OF_FOOT[what](case, rules, which, least)
    if which in (*swings.INTENTS, swings.AGAIN, swings.KEPT) and what in swings.JUDGES:
        return swings.swing_fact(case, rules, which, what, least)
    if what == "travel" and which.count("_") == 1:
        before, after = which.split("_")
        if before in swings.INTENTS and after in swings.INTENTS:
            return swings.travel(case, rules, before, after, least)
    if fact.name == "coach.eye_heel":
        return eye_heel(case, least)
    if fact.name == "club.speed_steady":
        return club_speed(case, least)
    return Reading(None, NOT_KNOWN)


_OF_FOOT: dict[str, Callable[[Case, RuleSet, str, int], Reading]] = {
    "stand": feet.stand,
    "walk": lambda case, _, role, least: feet.walk(case, role, least),
    "print": lambda case, _, role, least: feet.footprint(case, role),
    "bed": feet.bed,
}


def _named(foot: str, name: str | None, found: Mapping[str, Reading]) -> Reading:
    """Return what a foot is called, with the two facts it follows from."""
    stand, walk = (found.get(f"{foot}.{what}") for what in ("stand", "walk"))
    parts = [
        f"{what} {one.value or 'not known'}"
        for what, one in (("stands", stand), ("walks", walk))
        if one is not None
    ]
    visit = next((one.visit for one in (stand, walk) if one is not None and one.visit), None)
    return Reading(name, ", ".join(parts) or NOT_KNOWN, visit=visit)


def _value(case: Case, fact: Fact, reading: Reading) -> FactValue:
    visit, value = reading.visit, reading.value
    if value is not None and fact.words and value not in fact.words:
        value = None  # a rule file may leave a word out
    return FactValue(
        name=fact.name,
        value=value,
        text=reading.text,
        count=reading.count,
        n=reading.n,
        least=fact.least,
        left_out=reading.left_out,
        measured=reading.measured,
        interval=reading.interval,
        degrees=reading.degrees,
        session_id="" if visit is None else visit.session_id,
        day=None if visit is None else visit.started.date(),
        age_days=None if visit is None else _days(visit, case.visits[-1]),
        conditions="" if visit is None else conditions(visit, reading.club),
        source=fact.source,
    )


def _days(a: Visit, b: Visit) -> int:
    return (b.started.date() - a.started.date()).days


def conditions(visit: Visit, club: str = "") -> str:
    """Return what a visit's results were measured with, for people."""
    quality = visit.analysis.quality
    said = "" if quality is None else _calibration(visit)
    parts = (("shoe", visit.shoe), ("footbed", visit.footbed), ("club", club), ("", said))
    return "; ".join(f"{name}: {text}" if name else text for name, text in parts if text)


def _calibration(visit: Visit) -> str:
    quality = visit.analysis.quality
    assert quality is not None
    if quality.uncalibrated:
        return quality.uncalibrated
    days = [words.calibration_days(q.calibration or "") for q in (quality.left, quality.right)]
    made = [one.calibrated for one in days if one.calibrated is not None]
    return f"calibrated {min(made).isoformat()}" if len(made) == len(days) else ""


# ---- what people said, and whether the readings can be used ----


def _red(case: Case) -> Reading:
    return _asked(case, _RED)


def _pain(case: Case) -> Reading:
    return _asked(case, _PAIN)


def _asked(case: Case, group: str) -> Reading:
    """Return whether a visit's questions stopped it for a reason of a group.

    One group is kept: that it was a red flag says nothing of pain.
    """
    visit = case.visits[-1] if case.visits else None
    if visit is None or visit.questions is None:
        return Reading(None, "the questions of this visit were not answered", visit=visit)
    asked = visit.questions
    truth = True if asked.hold == group else None if asked.hold == _RED else False
    said = f"stopped: {asked.hold}" if asked.hold else "no hold"
    return yes_no(truth, f"{said}, by the {asked.by}", visit)


def _minor(case: Case) -> Reading:
    return yes_no(case.is_minor, "a minor" if case.is_minor else "of age")


def _body(case: Case) -> Reading:
    found = {what: case.findings.get(what, "not looked") for what in LOOKED_AT}
    text = ", ".join(f"{what}: {state}" for what, state in found.items())
    if "limit" in found.values():
        return yes_no(True, text)
    return yes_no(False if set(found.values()) == {"no limit"} else None, text)


def _stiff(case: Case) -> Reading:
    visit = case.visits[-1] if case.visits else None
    stiff = None if visit is None else visit.is_shoe_stiff
    text = "not noted" if stiff is None else "stiff" if stiff else "not stiff"
    return yes_no(stiff, text, visit)


def _plan(case: Case) -> Reading:
    made = decided(case, "lead heel")
    if made is None or not made.plan:
        return Reading(None, "not decided")
    return Reading(made.plan, f"decided {made.day.isoformat()}: {made.plan}")


def decided(case: Case, topic: str) -> Decided | None:
    """Return the last decision on a topic."""
    return next((one for one in reversed(case.decisions) if one.topic == topic), None)


def _data(case: Case) -> Reading:
    """Return whether the last visit's readings can be used.

    Each insole calibrated on its day, or its check passed then; none in the other foot's shoe.
    """
    visit = case.visits[-1] if case.visits else None
    if visit is None or visit.analysis.quality is None:
        return Reading(None, "no results", visit=visit)
    quality = visit.analysis.quality
    if quality.is_exchanged:
        return Reading(NO, "an insole may be in the other foot's shoe", visit=visit)
    said = {name: q.calibration for name, q in (("left", quality.left), ("right", quality.right))}
    fresh = {name: _is_fresh(visit, text) for name, text in said.items()}
    if False in fresh.values():
        old = " and ".join(name for name, good in fresh.items() if good is False)
        return Reading(NO, f"{old}: neither calibrated nor checked on this day", visit=visit)
    if None in fresh.values():
        return Reading(None, "no word of the insoles' calibration", visit=visit)
    return Reading(YES, "calibrated or checked on this day", visit=visit)


def _is_fresh(visit: Visit, said: str | None) -> bool | None:
    """Return whether an insole was calibrated, or passed its check, on the day of a visit.

    A day of the place may be two days by UTC, by which calibrations are dated: either is this day.
    """
    if said is None:
        return None
    midnight = datetime.combine(visit.started.date(), time(), visit.started.tzinfo)
    today = {midnight.astimezone(UTC).date(), visit.started.astimezone(UTC).date()}
    days = words.calibration_days(said)
    return days.has_passed if days.checked in today else days.calibrated in today


_SAID: dict[str, Callable[[Case], Reading]] = {
    "flag.red": _red,
    "flag.pain_today": _pain,
    "player.minor": _minor,
    "coach.body_limit": _body,
    "shoe.stiff": _stiff,
    "plan.lead_heel": _plan,
    "data.good": _data,
}
