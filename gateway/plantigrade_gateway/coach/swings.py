"""Facts of swings: how often, in the silent sets of an intent, something holds of them.

A set over the limit of missing samples is left out, a swing that was excluded too.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from plantigrade.events import HeelLiftState, Manner, Swing
from plantigrade.interval import welch
from plantigrade.limits import Limits
from plantigrade.predicates import (
    is_from_heel,
    is_good_push,
    is_heel_back,
    is_heel_loaded,
    is_with_shift,
)
from plantigrade.stat import stat_of
from plantigrade_gateway.analysis.result import MarkedSet, swing_time
from plantigrade_gateway.coach.case import Case, SwingNote, Visit
from plantigrade_gateway.coach.limits import limits_of
from plantigrade_gateway.coach.reading import Reading, alike, limit, tally, too_few
from plantigrade_gateway.formats import plural
from plantigrade_gateway.rules.model import RuleSet

SMOOTH, FULL, FAST = "smooth", "full", "fast"
INTENTS = (SMOOTH, FULL, FAST)
AGAIN, KEPT = "again", "kept"
OTHER_HAND = "the visit was recorded for the other hand"
LEAST_BEFORE_AGAIN = 20
"""*Again* is a set that begins after so many swings of the visit (rule file)."""


@dataclass(frozen=True, slots=True)
class Sets:
    """Sets that count, of one visit.

    Attributes
    ----------
    visit : Visit
    sets : tuple of MarkedSet
    swings : tuple of Swing
        Of the sets, without the excluded ones.
    left_out : int
        Sets in which too many samples are missing.
    """

    visit: Visit
    sets: tuple[MarkedSet, ...]
    swings: tuple[Swing, ...]
    left_out: int

    @property
    def club(self) -> str:
        """Return the clubs used."""
        return ", ".join(dict.fromkeys(one.club for one in self.sets if one.club))


def noted(visit: Visit, swings: Sequence[Swing]) -> Iterator[tuple[Swing, SwingNote]]:
    """Give those of a visit's swings that are not excluded, with what was said of each.

    None of one that was recorded for the other hand: lead and trail foot are exchanged in them.
    """
    if visit.is_other_hand:
        return
    place = {swing.first_index: k for k, swing in enumerate(visit.analysis.swings)}
    for swing in swings:
        note = visit.note(place[swing.first_index])
        if not note.excluded:
            yield swing, note


def silent_sets(visit: Visit, rules: RuleSet, *intents: str) -> Sets:
    """Return a visit's sets of some intents that were swung without any cue and stand.

    Not those that are `again`, where they return to an intent after another one: they show what a
    visit's swings leave of the first, and would hide that among them.
    """
    wanted = [s for s in _silent(visit) if s.intent in intents]
    again = again_of(visit, rules)
    if not isinstance(again, str) and _returned(visit, again[-1]) is not None:
        wanted = [s for s in wanted if s not in again]
    good = _whole(visit, rules, wanted)
    return sets_of_visit(visit, good, len(wanted) - len(good))


def _silent(visit: Visit) -> list[MarkedSet]:
    """Return a visit's silent sets; none of one that was recorded for the other hand."""
    sets = () if visit.is_other_hand else visit.analysis.standing_sets
    return [one for one in sets if one.is_silent is True]


def _whole(visit: Visit, rules: RuleSet, sets: Sequence[MarkedSet]) -> list[MarkedSet]:
    """Return the sets of which few enough samples are missing."""
    most = limit(rules, "missing_at_most")
    return [one for one in sets if (_missing(visit, one) or 0.0) <= most]


def _returned(visit: Visit, last: MarkedSet) -> float | None:
    """Return when the set of another intent began after which a visit came back to a set's intent.

    None where it did not: no earlier silent set is of that intent, or none of another lies between.
    """
    alike = [one.start_s for one in _silent(visit) if one.intent == last.intent]
    others = [one.start_s for one in visit.analysis.standing_sets if one.intent != last.intent]
    between = [start_s for start_s in others if min(alike) < start_s < last.start_s]
    return max(between, default=None)


def again_of(visit: Visit, rules: RuleSet) -> tuple[MarkedSet, ...] | str:
    """Return a visit's last silent set, smooth or full, begun after 20 swings, or why not.

    Where it returns to its intent after another one, those before it that do so too, and were begun
    after as many swings: eight more are offered where an answer is mixed.
    """
    sets = _whole(visit, rules, [s for s in _silent(visit) if s.intent in (SMOOTH, FULL)])
    if not sets:
        return "no silent smooth or full set"
    last = sets[-1]
    before = _n_before(visit, last)
    if before < LEAST_BEFORE_AGAIN:
        return (
            f"the last silent set began after {plural(before, 'swing')}, "
            f"{LEAST_BEFORE_AGAIN} needed"
        )
    since_s = _returned(visit, last)
    if since_s is None:
        return (last,)
    back = (one for one in sets if one.intent == last.intent and one.start_s > since_s)
    return tuple(one for one in back if _n_before(visit, one) >= LEAST_BEFORE_AGAIN)


def _n_before(visit: Visit, one: MarkedSet) -> int:
    return sum(swing_time(swing) < one.start_s for swing in visit.analysis.swings)


def sets_of_visit(visit: Visit, sets: Sequence[MarkedSet], left_out: int = 0) -> Sets:
    """Return sets with their swings, without the excluded ones."""
    swings = (swing for one in sets for swing, _ in noted(visit, one.swings))
    return Sets(visit, tuple(sets), tuple(swings), left_out)


def _missing(visit: Visit, one: MarkedSet) -> float | None:
    """Return the part of a set's samples that is missing; the whole visit's where not known."""
    if one.missing_share is not None:
        return one.missing_share
    quality = visit.analysis.quality
    return None if quality is None else quality.missing_share()


# ---- which sets a fact is of ----


def sets_for(case: Case, rules: RuleSet, which: str) -> Sets | str:
    """Return the sets that a fact's first word names, or why there are none.

    Parameters
    ----------
    case : Case
    rules : RuleSet
    which : str
        An intent: the sets of the last visit that has some, in the last visit's shoe and footbed;
        sets that are *again* are none of them where they return to their intent after another one.
        ``"again"``: the last set of the visit, smooth or full, begun after 20 swings, with those of
        its intent since another one that were begun so, where it returns to it. ``"kept"``:
        the first full set of the last visit that has one, before any drill of that visit and at
        least a day after the last drill.
    """
    if which == AGAIN:
        return _again(case, rules)
    if which == KEPT:
        return _kept(case, rules)
    for visit in alike(case):
        found = silent_sets(visit, rules, which)
        if found.sets:
            return found
        if found.left_out:
            return f"{plural(found.left_out, 'set')} left out: samples are missing"
    return OTHER_HAND if _is_of_other_hand(case) else f"no silent {which} set"


def _is_of_other_hand(case: Case) -> bool:
    return bool(case.visits) and case.visits[-1].is_other_hand


def _again(case: Case, rules: RuleSet) -> Sets | str:
    if not case.visits:
        return "no visit"
    visit = case.visits[-1]
    if visit.is_other_hand:
        return OTHER_HAND
    again = again_of(visit, rules)
    return again if isinstance(again, str) else sets_of_visit(visit, again)


def _kept(case: Case, rules: RuleSet) -> Sets | str:
    for visit in alike(case):
        first = first_silent(visit, rules, FULL)
        if first is None:
            continue
        drilled = [v for v in case.visits if v.started < visit.started and v.analysis.drills]
        if not drilled:
            return "no drill before"
        if visit.started.date() <= drilled[-1].started.date():
            return "the last drill was on the same day"
        if any(run.start_s < first.start_s for run in visit.analysis.drills):
            return "a drill came before the first silent full set"
        since = [v for v in case.visits if v.started >= visit.started and v.analysis.drills]
        if visit is not case.visits[-1] and since:
            return "no silent full set since the last drill"
        return sets_of_visit(visit, [first])
    return OTHER_HAND if _is_of_other_hand(case) else "no silent full set"


def first_silent(visit: Visit, rules: RuleSet, *intents: str) -> MarkedSet | None:
    """Return a visit's first silent set of some intents; None without one."""
    return next(iter(silent_sets(visit, rules, *intents).sets), None)


# ---- what holds of a swing ----

Judge = Callable[[Swing, Limits], bool | None]


def _manner(wanted: Manner) -> Judge:
    def judge(swing: Swing, _: Limits) -> bool | None:
        manner = swing.push.manner
        return None if manner is Manner.UNCLEAR else manner is wanted

    return judge


def is_unloaded(swing: Swing, _: Limits) -> bool | None:
    """Whether the lead heel unloaded in the backswing."""
    state = swing.heel_lift.state
    return None if state is HeelLiftState.UNCLEAR else state is HeelLiftState.LIFTED


def _is_early(swing: Swing, _: Limits) -> bool | None:
    with_shift = is_with_shift(swing.push)
    return None if with_shift is None else not with_shift


def _returns(swing: Swing, _: Limits) -> bool | None:
    if swing.trail_return_share is not None:
        return True
    return None if swing.touches_gap else False  # missing samples may hide it


JUDGES: dict[str, Judge] = {
    "heel_unloaded": is_unloaded,
    "heel_back": lambda s, limits: is_heel_back(s.heel_lift, limits, touches_gap=s.touches_gap),
    "trail_heel": lambda s, limits: is_heel_loaded(s.push, limits),
    "push_from_heel": lambda s, limits: is_from_heel(s.push, limits),
    "push_good": lambda s, limits: is_good_push(s.push, limits),
    "push_early": _is_early,
    "push_skipped": _manner(Manner.SKIPPED),
    "push_held": _manner(Manner.HELD),
    "returns": _returns,
}
"""What is counted, by the second word of a fact's name."""


def counted(found: Sets, measure: str, rules: RuleSet) -> list[bool | None]:
    """Return what holds of each swing; None where it cannot be told."""
    limits = limits_of(rules, found.visit.analysis.quality)
    swings = found.swings
    if measure == "heel_back":  # of the unloaded ones
        swings = tuple(s for s in swings if is_unloaded(s, limits))
    return [JUDGES[measure](swing, limits) for swing in swings]


def swing_fact(case: Case, rules: RuleSet, which: str, measure: str, least: int) -> Reading:
    """Return how often something holds in the sets that `which` names (see `sets_for`)."""
    found = sets_for(case, rules, which)
    if isinstance(found, str):
        return Reading(None, found)
    return of_sets(tally(counted(found, measure, rules), least, "swing"), found)


def of_sets(reading: Reading, *found: Sets) -> Reading:
    """Return a reading with the sets it is of."""
    out = sum(one.left_out for one in found)
    text = f"; {plural(out, 'set')} left out: samples are missing" if out else ""
    clubs = ", ".join(dict.fromkeys(one.club for one in found if one.club))
    return replace(reading, text=reading.text + text, visit=found[-1].visit, club=clubs)


def travel(case: Case, rules: RuleSet, before: str, after: str, least: int) -> Reading:
    """Return whether both feet's CoP travels more front to back with more effort.

    Of the last visit that has sets of both intents: Welch's interval of the difference, and the
    first that fits of the rule file's words.
    """
    for visit in alike(case):
        a, b = (silent_sets(visit, rules, intent) for intent in (before, after))
        if a.sets and b.sets:
            return of_sets(_travel(a, b, limit(rules, "travel_margin"), least), a, b)
    return Reading(None, f"no visit with silent sets of {before} and {after}")


def _travel(a: Sets, b: Sets, margin: float, least: int) -> Reading:
    stat_a, stat_b = (stat_of(s.both_cop_travel for s in one.swings) for one in (a, b))
    fewest = min(stat_a.count, stat_b.count)
    out = len(a.swings) + len(b.swings) - stat_a.count - stat_b.count
    if fewest < max(least, 1):
        return Reading(None, too_few(fewest, least, "swing"), n=fewest, left_out=out)
    found = welch(stat_a, stat_b)
    if found is None or found.low is None or found.high is None:
        return Reading(None, "the travel does not vary", n=fewest, left_out=out)
    text = (
        f"{100 * found.value:+z.1f} % of the shoe's length ({100 * found.low:+z.1f} to "
        f"{100 * found.high:+z.1f} %; {stat_a.count} and {stat_b.count} swings)"
    )
    return Reading(
        travel_word(found.low, found.high, margin),
        text,
        None,
        stat_a.count + stat_b.count,
        out,
        found.value,
        (found.low, found.high),
        found.degrees,
    )


def travel_word(low: float, high: float, margin: float) -> str:
    """Return what a difference's interval comes to: the first that fits (rule file)."""
    if high < 0:
        return "smaller"
    if high < margin:
        return "within"
    return "larger" if low > 0 else "not told apart"
