"""Sets, whether they were silent, and trials, as entries, marks and cues follow on each other.

A set is silent where cues were known to be off all of it; a state that lasted no time was never
heard.
"""

import math

import pytest

from plantigrade_gateway.analysis.result import (
    Mark,
    SetSpan,
    Trial,
    ends_set,
    set_name,
)
from plantigrade_gateway.analysis.spans import SpanLog, spans_of
from plantigrade_gateway.record.tables import Intent, SetStart, TrialName

FULL = SetStart("a1", Intent.FULL, "7 iron")
LOST = "3 entries before this one are lost: the record was cut off"


def log() -> SpanLog:
    """A set from 10 s on, the cues known to be off from 5 s on."""
    made = SpanLog()
    made.cues(False, 5.0)
    made.begin_set("full, 7 iron", 10.0, FULL)
    return made


def test_a_set_of_its_entry_has_id_intent_and_club():
    made = log()
    assert made.sets() == (
        SetSpan("full, 7 iron", 10.0, math.inf, "a1", "full", "7 iron", is_silent=True),
    )
    made.end_set(30.0)
    made.end_set(40.0)  # there is none any more
    assert made.sets() == (
        SetSpan("full, 7 iron", 10.0, 30.0, "a1", "full", "7 iron", is_silent=True),
    )
    made.begin_set("smooth", 50.0, SetStart("a2", Intent.SMOOTH))
    assert made.sets()[1] == SetSpan("smooth", 50.0, math.inf, "a2", "smooth", "", True)


def test_the_next_set_or_a_trial_ends_a_set():
    made = log()
    made.begin_set("fast", 20.0, SetStart("a2", Intent.FAST))
    made.begin_trial(TrialName("lift", 1), 30.0)
    assert [(one.start_s, one.end_s) for one in made.sets()] == [(10.0, 20.0), (20.0, 30.0)]
    made.begin_set("full", 40.0, FULL)
    assert made.trials(99.0) == (Trial("lift", 1, 30.0, 40.0),)


def test_a_trial_goes_on_until_it_ends_or_the_next_begins():
    made = SpanLog()
    made.begin_trial(TrialName("lift", 1), 10.0)
    assert made.trials(12.5) == (Trial("lift", 1, 10.0, 12.5),)
    made.end_trial(20.0)
    made.end_trial(21.0)
    made.begin_trial(TrialName("stand", 1), 30.0)
    made.begin_trial(TrialName("stand", 2), 40.0)
    made.begin_trial(None, 50.0)  # one that is not understood
    assert made.trials(60.0) == (
        Trial("lift", 1, 10.0, 20.0),
        Trial("stand", 1, 30.0, 40.0),
        Trial("stand", 2, 40.0, 50.0),
    )
    assert [made.number_of(step) for step in ("lift", "stand", "walk")] == [1, 2, 0]


@pytest.mark.parametrize(
    ("changes", "is_silent"),
    [
        ([], True),  # off since before it
        ([(True, 20.0)], False),
        ([(True, 20.0), (False, 21.0)], False),  # on for a second
        ([(True, 20.0), (False, 20.0)], True),  # on for no time: nobody heard it
        ([(True, 10.0), (False, 10.0)], True),
        ([(None, 20.0)], None),
        ([(None, 20.0), (False, 22.0)], None),
        ([(None, 20.0), (False, 20.0)], True),
        ([(None, 20.0), (True, 22.0)], False),  # heard for certain
        ([(True, 30.0)], True),  # as it ends
    ],
)
def test_a_set_is_silent_where_cues_were_off_all_of_it(changes, is_silent):
    made = log()
    for on, t_s in changes:
        made.cues(on, t_s)
    made.end_set(30.0)
    (found,) = made.sets()
    assert found.is_silent is is_silent


def test_what_cues_did_before_a_set_is_not_of_it():
    made = SpanLog()
    made.cues(True, 1.0)
    made.cues(False, 9.0)
    made.begin_set("full", 10.0, FULL)
    made.end_set(20.0)
    (found,) = made.sets()
    assert found.is_silent is True
    unknown = SpanLog()
    unknown.begin_set("full", 10.0, FULL)
    unknown.cues(False, 15.0)  # until here nothing was known
    assert unknown.sets()[0].is_silent is None
    short = log()
    short.end_set(10.0)
    assert short.sets()[0].is_silent is None  # of no length


def test_of_lost_entries_nobody_knows_what_they_said_of_the_cues():
    made = log()
    made.mark(Mark(20.0, LOST))
    made.end_set(30.0)
    assert made.sets()[0].is_silent is None
    after = log()
    after.end_set(15.0)
    after.mark(Mark(20.0, LOST))
    after.begin_set("full", 25.0, FULL)
    after.end_set(35.0)
    assert [one.is_silent for one in after.sets()] == [True, None]
    told = log()
    told.mark(Mark(10.0, LOST))
    told.cues(False, 10.0)  # told at once, yet what came before it is lost
    told.end_set(30.0)
    assert told.sets()[0].is_silent is None


def test_marks_of_older_records_begin_and_end_sets():
    found = spans_of(
        [
            Mark(10.0, "Set: full"),
            Mark(20.0, "a word in between"),
            Mark(30.0, "set:with a towel"),
            Mark(40.0, "check: standing"),
            Mark(50.0, "set: "),
            Mark(60.0, " End of set "),
        ]
    )
    assert [(one.name, one.start_s, one.end_s, one.intent, one.set_id) for one in found] == [
        ("full", 10.0, 30.0, "full", ""),
        ("with a towel", 30.0, 40.0, "", ""),
        ("set", 50.0, 60.0, "", ""),
    ]
    assert {one.is_silent for one in found} == {None}


def test_which_marks_begin_or_end_a_set():
    assert set_name(Mark(0.0, " SET: smooth ")) == "smooth"
    assert set_name(Mark(0.0, "reset: smooth")) is None
    assert ends_set(Mark(0.0, "Check: walk")) and ends_set(Mark(0.0, "end of set"))
    assert not ends_set(Mark(0.0, "end of sets")) and not ends_set(Mark(0.0, "a check: walk"))
