"""Facts of what was noted of swings beside the insoles: the coach's eye, and club speed."""

from dataclasses import replace

from plantigrade.stat import stat_of
from plantigrade_gateway.coach.case import Case
from plantigrade_gateway.coach.reading import Reading, alike, tally, too_few
from plantigrade_gateway.coach.swings import FULL, noted, of_sets, sets_of_visit

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
