"""What stands on the page for the player: what was found and decided, in the player's words.

No trade word, no unit, no class name: the coach's sheet has those. What is not known is left out.
"""

from collections.abc import Iterator, Mapping
from datetime import date
from pathlib import Path

from plantigrade.block import Foot
from plantigrade.events import Manner, Swing, Timing
from plantigrade_gateway import formats
from plantigrade_gateway.check.stand import taken_stands
from plantigrade_gateway.coach.case import Case, Decided, Visit
from plantigrade_gateway.coach.progress import next_check
from plantigrade_gateway.coach.sheet import NOT_SEEN, EvidenceSheet, evidence
from plantigrade_gateway.coach.swings import counted, sets_of_visit, silent_sets
from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.errors import InputError, StoreError
from plantigrade_gateway.people.case import case_of
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.rulebook import RuleBook
from plantigrade_gateway.report.pagerows import PageRows, highest, page_rows
from plantigrade_gateway.report.soles import pair, sole
from plantigrade_gateway.report.staging import staging_in
from plantigrade_gateway.report.typeset import (
    FootPicture,
    Moment,
    NotPrinted,
    PlayerPage,
    Practice,
    pdf,
)
from plantigrade_gateway.rules.model import FEET, Rule, RuleSet
from plantigrade_gateway.store.results import record_as_analysed

HOW_MANY = "Ten slow swings at a time, three times a week."
"""Common practice, no published source."""
_DRILLS, _LINES = 2, 3
_FOOT_SAYS = {
    "bears": "carries load on its middle, standing and walking",
    "heel_and_ball": "stands and walks on heel and ball",
    "broad": "rests on its whole length",
    "between": "is somewhere in between",
    "disagree": "stands one way and walks another",
}
_MOMENTS = ("most weight on the trail foot", "weight goes across", "most weight on the lead foot")
_PUSHES = {
    Manner.ROLLED: "Your trail foot rolled from heel to toes as the weight went across.",
    Manner.SKIPPED: "Your trail foot jumped to its toes.",
    Manner.HELD: "Your trail foot stayed where it was.",
}
_EARLY = "Your trail foot was on its toes before the weight went across."
_TOPICS = {"lead heel": "Lead heel", "push": "Push"}
_PLANS = {
    "up": "let it come up as you turn back",
    "down": "keep it down",
    "either": "as you have it now",
    "deliberate": "one long push, made on purpose",
    "even": "an even roll, nothing forced",
}
_NOT_SEEN = {
    "no-hold": "something stands in the way today",
    "body": "something above the feet comes first",
    "feet-known": "we want to know your feet better first",
    "heel-plan": "the lead heel does not do yet what we decided",
    "trail-heel": "the trail heel is not heavy yet",
    "push-smooth": "the push is not there yet in smooth swings",
    "push-full": "the push is not there yet in full swings",
    "quiet": "you rock more when you swing harder",
    "lasts": "the push does not last to the end of a visit yet",
    "kept": "the push has not stayed from one visit to the next yet",
}


def page_of(register: Register, player_id: str, rules: RuleSet) -> PlayerPage:
    """Return the page of a player's last visit.

    Raises
    ------
    StoreError
        There is no such player, or a visit's results were made by another version.
    NotPrinted
        There is nothing to say yet.
    """
    case = case_of(register, player_id)
    found = evidence(case, rules)
    if not case.visits:
        decided = tuple(_decided(case.decisions))[:_LINES]
        page = PlayerPage(case.name, "", decided=decided, speed=_speed(case, found))
        if not page.texts:
            raise NotPrinted(
                f"page: nothing was measured or decided of {formats.printable(case.name)} yet, "
                "expected a visit or a decision"
            )
        return page
    last = case.visits[-1]
    swing = shown_swing(last, rules)
    rows = page_rows(
        record_as_analysed(register.store, last.session_id),
        [(stand.start_s, stand.end_s) for stand in taken_stands(last.analysis)],
        () if swing is None else moments_s(swing),
    )
    titles = {name: drill.title for name, drill in shelf(register.store.path).drills.items()}
    return player_page(case, found, rules, titles, rows, swing)


def write_page(
    register: Register, player_id: str, path: Path, paper: str, *, replace: bool
) -> None:
    """Write the page of a player's last visit as a PDF that only its owner may read.

    The rules are those that the coach keeps.

    Raises
    ------
    InputError
        The file's name does not end so that a PDF is known by it.
    StoreError
        As `page_of`; or the file is there and not to be replaced, or cannot be written.
    NotPrinted
        The page cannot be set.
    """
    if path.suffix.lower() != ".pdf":
        raise InputError(f"report to {path}: expected a name that ends in .pdf")
    if path.exists() and not replace:
        raise StoreError(f"report to {path}: is there already; say --replace to write over it")
    data = pdf(page_of(register, player_id, RuleBook(register).current().rules), paper)
    try:
        # A folder that only its owner may enter: the file appears whole or not at all.
        with staging_in(path.parent) as folder:
            whole = folder / path.name
            whole.touch(0o600)
            whole.write_bytes(data)
            whole.replace(path)
    except OSError as error:
        raise StoreError(
            f"report to {path}: cannot be written ({error.strerror or error})"
        ) from error


def player_page(
    case: Case,
    found: EvidenceSheet,
    rules: RuleSet,
    titles: Mapping[str, str],
    rows: PageRows,
    swing: Swing | None,
) -> PlayerPage:
    """Return the page.

    Parameters
    ----------
    case : Case
        With a visit at least.
    found : EvidenceSheet
        Of the same case and rules.
    rules : RuleSet
    titles : dict of str to str
        Of the drills that are here, by name. Of others that the rules name (a bay's own, at its
        hub) the title is what the player's sessions recorded, else the name itself.
    rows : PageRows
        Of the last visit's stands and of the swing shown.
    swing : Swing or None
    """
    last = case.visits[-1]
    again = next_check(case, rules)
    moments = () if swing is None else _moments(rows)
    return PlayerPage(
        name=case.name,
        under=", ".join(part for part in (_day(last.started.date()), _shoe(case)) if part),
        feet=tuple(_feet(case, found, rows)),
        moments=moments,
        swing=_swing_says(swing) if moments and swing is not None else "",
        decided=tuple(_decided(case.decisions))[:_LINES],
        drills=() if found.sheet.is_held else tuple(_practices(case, found, titles))[:_DRILLS],
        speed=_speed(case, found),
        pushes=_pushes(case, rules),
        next_visit="" if again is None else _day(again),
        day=last.started.date(),
    )


def moments_s(swing: Swing) -> tuple[float, ...]:
    """Return when a swing's three moments were, s; nothing where one is not known."""
    found = (swing.trail_peak_s, swing.shift_s, swing.lead_peak_s)
    return tuple(t for t in found if t is not None) if None not in found else ()


def shown_swing(visit: Visit, rules: RuleSet) -> Swing | None:
    """Return the swing that is shown: the last whole one of the full sets without sound, or of all.

    One with missing samples or of which the push cannot be told is not shown, and none where the
    visit was recorded for the other hand: its trail foot is the player's lead foot.
    """
    if visit.is_other_hand:
        return None
    swings = silent_sets(visit, rules, "full").swings
    swings = (
        swings
        or sets_of_visit(visit, visit.analysis.standing_sets).swings
        or visit.analysis.counted
    )
    whole = [
        swing
        for swing in swings
        if moments_s(swing)
        and not swing.touches_gap
        and swing.push.manner is not Manner.UNCLEAR
        and (swing.push.manner is Manner.HELD or swing.push.timing is not Timing.UNCLEAR)
    ]
    return whole[-1] if whole else None


def _feet(case: Case, found: EvidenceSheet, rows: PageRows) -> Iterator[FootPicture]:
    most = 0.0 if rows.standing is None else highest(rows.standing)
    if rows.standing is None or most <= 0.0:
        return
    lead = Foot.LEFT if case.handedness == "right" else Foot.RIGHT
    names = {
        lead if role == "lead" else lead.other: found.sheet.known.get(f"{role}.foot")
        for role in FEET
    }
    for foot, readings in zip(Foot, rows.standing, strict=True):
        name = names[foot]
        says = "" if name is None else f"Your {foot} foot {_FOOT_SAYS.get(str(name), name)}."
        picture = sole(rows.layout, foot, list(readings), most)
        alt = f"The {foot} sole, standing; darker where more weight lies. {says}".strip()
        yield FootPicture(str(foot), picture, alt, says)


def _moments(rows: PageRows) -> tuple[Moment, ...]:
    most = highest(*rows.moments)
    if len(rows.moments) != len(_MOMENTS) or most <= 0.0:
        return ()
    return tuple(
        Moment(pair(rows.layout, list(left), list(right), most), f"Both soles: {says}", says)
        for (left, right), says in zip(rows.moments, _MOMENTS, strict=True)
    )


def _swing_says(swing: Swing) -> str:
    early = swing.push.manner is not Manner.HELD and swing.push.timing is Timing.EARLY
    return _EARLY if early else _PUSHES[swing.push.manner]


def _decided(decisions: tuple[Decided, ...]) -> Iterator[str]:
    for topic, label in _TOPICS.items():
        for one in decisions:
            if one.topic == topic:
                words = one.cue or _PLANS.get(one.plan, "")
                if one.answer != "go":
                    words = f"{one.answer}. {words}".removesuffix(". ")
                if words:
                    yield f"{label}: {words}"


def _practices(case: Case, found: EvidenceSheet, here: Mapping[str, str]) -> Iterator[Practice]:
    recorded = {one.name: one.title for visit in case.visits for one in visit.analysis.drills}
    titles, done = {**recorded, **here}, set()
    for rule in _rules_to_do(case, found):
        if rule.drill not in done:
            done.add(rule.drill)
            yield Practice(titles.get(rule.drill, rule.drill), (HOW_MANY, rule.player))


def _rules_to_do(case: Case, found: EvidenceSheet) -> Iterator[Rule]:
    """Give the rules with a drill by what the coach decided, where they did; else as suggested."""
    decided = {one.topic: one for one in case.decisions}
    for topic in found.sheet.topics:
        made = decided.get(topic.name.partition(",")[0])  # "push, when" is of the push
        if made is not None and made.answer != "go":
            continue
        rules = [one.rule for one in topic.suggested]
        if made is not None and made.plan and made.topic == topic.name:
            of_topic = [rule for rule in found.sheet.rules.rules if rule.topic == topic.name]
            rules = [rule for rule in of_topic if rule.says == made.plan]
        yield from (rule for rule in rules if rule.drill and not _is_decided_against(rule, found))


def _is_decided_against(rule: Rule, found: EvidenceSheet) -> bool:
    """Whether the plan that was decided on is, by the rule itself, what speaks against it."""
    return any(
        against.when.holds(found.sheet.known) is True
        for against in rule.against
        if any(fact.startswith("plan.") for fact in against.when.facts())
    )


def _speed(case: Case, found: EvidenceSheet) -> str:
    """Return what was decided of speed, and why, where a reason is known."""
    for held in found.sheet.holds:
        if found.sheet.is_held and held.missing == () and held.rule.player:
            return f"not today. {held.rule.player}"
    for one in case.decisions:
        if one.topic == "speed":
            if one.cue:
                return f"{one.answer}. {one.cue}"
            because = next(
                (
                    _NOT_SEEN[item.id]
                    for item in found.readiness
                    if item.word == NOT_SEEN and not item.stage and item.id in _NOT_SEEN
                ),
                "",
            )
            is_because = because and one.answer != "go"
            return f"{one.answer}, because {because}" if is_because else one.answer
    return ""


def _pushes(case: Case, rules: RuleSet) -> str:
    """Return the counts of good pushes of the full sets without sound, and of the visit before.

    That is one of an earlier day: a session that was stopped and begun again is no last time.
    The counts alone, without "better": what repeats make of a proportion from day to day is not
    known, so that progress gives no verdict on it either (`coach.compare.OF_SHARES`).
    """
    found: list[str] = []
    last_day = case.visits[-1].started.date() if case.visits else None
    for visit in reversed(case.visits):
        if found and visit.started.date() == last_day:
            continue
        sets = silent_sets(visit, rules, "full")
        told = [one for one in counted(sets, "push_good", rules) if one is not None]
        if told:
            found.append(f"{sum(told)} of {len(told)}")
        elif visit is case.visits[-1]:
            return ""
        if len(found) == 2:
            break
    else:
        return ""
    now, before = found
    return f"{now}, last time {before}. Two days can differ by chance."


def _shoe(case: Case) -> str:
    """Return the shoe of the last visit; where none was noted, the usual one, said to be that."""
    worn = case.visits[-1].shoe
    return worn or (f"usual shoe: {case.usual_shoe}" if case.usual_shoe else "")


def _day(day: date) -> str:
    return f"{day.day} {day:%B %Y}"
