"""Sets, silent ones and trials in the record: by entries, and in older records by marks."""

import json
import math
from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise

import pytest
from tests.support.live_schema import live_messages

from plantigrade_gateway.analysis.record import RecordAnalysis
from plantigrade_gateway.analysis.result import Analysis, swing_time
from plantigrade_gateway.drills.files import shelf
from plantigrade_gateway.drills.model import Feedback
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.record.tables import CueState, Intent, SetStart, TrialName
from plantigrade_gateway.session.feed import FeedBuilder
from plantigrade_gateway.session.session import LiveSession
from plantigrade_gateway.sound.output import Silence
from plantigrade_gateway.sources.replay import demo_file, read_replay
from plantigrade_gateway.store import results
from plantigrade_gateway.web.live.page import Message
from plantigrade_gateway.web.live.playertold import for_player

FULL = SetStart("01" * 16, Intent.FULL, "7 iron").to_json()
FAST = SetStart("02" * 16, Intent.FAST).to_json()
UNTIL_S = 245.0
DRILLS = shelf(None).drills


@pytest.fixture(scope="module")
def plain() -> list[Entry]:
    """Return the invented session's first minutes without its marks."""
    entries = [entry for batch in read_replay(demo_file()) for entry in batch]
    end_ns = entries[0].arrival_ns + round(UNTIL_S * 1e9)
    return [e for e in entries if e.arrival_ns < end_ns and e.kind is not Kind.MARK]


def with_entries(plain: list[Entry], *more: tuple[float, Kind, bytes]) -> list[Entry]:
    """Return the record with session entries put in at times after its first entry, s."""
    zero_ns = plain[0].arrival_ns
    added = [Entry(zero_ns + round(t * 1e9), SESSION, kind, data) for t, kind, data in more]
    return sorted([*plain, *added], key=lambda entry: entry.arrival_ns)


def analysed(entries: list[Entry], cuts: Iterable[int] = ()) -> Analysis:
    analysis = RecordAnalysis("x")
    edges = sorted({0, len(entries), *cuts})
    for start, stop in pairwise(edges):
        analysis.push(Batch.of(entries[start:stop]))
    analysis.flush()
    return analysis.result()


def numbers(found: Analysis) -> list[tuple[str, list[int]]]:
    """Return each set's name, and the numbers of its swings in the session."""
    order = {id(swing): k for k, swing in enumerate(found.swings, 1)}
    return [(run.name, [order[id(swing)] for swing in run.swings]) for run in found.sets]


@pytest.mark.slow
def test_a_set_holds_the_swings_from_its_entry_to_its_end(plain):
    bare = analysed(plain)
    times = [swing_time(swing) for swing in bare.swings]
    assert len(times) >= 8
    between = [(one + two) / 2 for one, two in pairwise(times)]
    entries = with_entries(
        plain,
        (between[0], Kind.SET, FULL),
        (between[2], Kind.SET_END, b""),
        (between[3], Kind.SET, FAST),
        (between[5], Kind.SET, FULL),  # begins without the other's end
    )
    found = analysed(entries)
    rest = list(range(7, len(times) + 1))
    assert numbers(found) == [("full, 7 iron", [2, 3]), ("fast", [5, 6]), ("full, 7 iron", rest)]
    assert found.swings == bare.swings  # what is measured does not depend on it
    cuts = [k + d for k, e in enumerate(entries) if e.kind >= Kind.SET for d in (0, 1)]
    assert analysed(entries, cuts) == found == analysed(entries, range(0, len(entries), 7))


@pytest.mark.dear
def test_an_older_record_begins_its_sets_by_marks(plain):
    entries = [
        (60.0, Kind.SET, FULL),
        (150.0, Kind.SET_END, b""),
        (160.0, Kind.SET, FAST),
    ]
    marks = [
        (60.0, Kind.MARK, b"set: full, 7 iron"),
        (150.0, Kind.MARK, b"check: stand"),
        (160.0, Kind.MARK, b"Set: fast"),
    ]
    new, old = (analysed(with_entries(plain, *more)) for more in (entries, marks))
    assert numbers(new) == numbers(old) and numbers(new)[0][1]


def test_a_set_of_another_version_is_a_set_without_a_name(plain):
    assert numbers(analysed(with_entries(plain, (60.0, Kind.SET, b"?"))))[0][0] == "set"


@pytest.mark.dear
def test_a_live_session_keeps_its_sets(store, plain):
    live = LiveSession(store, "test", Silence(), print)
    zero_ns = plain[0].arrival_ns
    cut = next(k for k, e in enumerate(plain) if e.arrival_ns > zero_ns + round(70e9))
    live.push(Batch.of(plain[:cut]))
    begun = live.begin_set(Intent.SMOOTH, "driver")
    assert [mark.text for mark in begun.marks] == ["set: smooth, driver"]
    live.push(Batch.of(plain[cut:]))
    assert [mark.text for mark in live.end_set().marks] == ["end of set"]
    live.begin_set(Intent.SMOOTH, "driver")
    found = live.close()
    kept = [e for batch in store.batches(live.session_id) for e in batch if e.kind is Kind.SET]
    one, two = (SetStart.from_json(entry.data) for entry in kept)
    assert replace(one, set_id="") == replace(two, set_id="")
    assert one.set_id != two.set_id and all(len(s.set_id) == 32 for s in (one, two))
    assert numbers(found)[0][0] == "smooth, driver" and len(numbers(found)[0][1]) >= 5
    stored = results.read(store, live.session_id)
    assert numbers(stored) == numbers(found)


# ---- silent sets: by the definition of hardware_notes/replay_file.md, kind 10 ----

ON, OFF = CueState(True).to_json(), CueState(False, "push").to_json()
C, S, E, M = Kind.CUES, Kind.SET, Kind.SET_END, Kind.MARK
LOST = b"3 entries before this one are lost: torn"


@pytest.mark.parametrize(
    ("entries", "is_silent"),
    [
        ([(1, S, FULL), (5, E, b"")], None),  # an older record says nothing of cues
        ([(0, C, OFF), (1, S, FULL), (5, E, b"")], True),
        ([(0, C, ON), (1, S, FULL), (5, E, b"")], False),
        ([(0, C, ON), (0.5, C, OFF), (1, S, FULL), (5, E, b"")], True),
        ([(0, C, OFF), (1, S, FULL), (3, C, ON), (5, E, b"")], False),
        ([(0, C, OFF), (1, S, FULL), (3, C, ON), (3.1, C, OFF), (5, E, b"")], False),
        ([(0, C, OFF), (1, S, FULL), (5, E, b""), (6, C, ON)], True),
        ([(0, C, OFF), (1, S, FULL), (3, C, ON)], False),  # under way at the end
        ([(0, C, OFF), (1, S, FULL), (5, S, FAST), (6, C, ON)], True),
        ([(0, C, ON), (1, S, FULL), (1, C, OFF), (5, E, b"")], True),  # on for no time
        ([(0, C, OFF), (1, S, FULL), (5, C, ON), (5, E, b"")], True),
        ([(1, S, FULL), (3, C, OFF), (5, E, b"")], None),  # not known at its beginning
        ([(1, S, FULL), (3, C, ON), (5, E, b"")], False),
        ([(0, C, OFF), (1, S, FULL), (3, C, b"?"), (5, E, b"")], None),
        ([(0, C, OFF), (1, S, FULL), (3, M, LOST), (5, E, b"")], None),
        ([(0, C, OFF), (1, S, FULL), (3, M, LOST), (3, C, OFF), (5, E, b"")], None),
        ([(0, C, OFF), (1, M, LOST), (2, S, FULL), (5, E, b"")], None),
        ([(0, C, OFF), (1, M, LOST), (2, C, OFF), (3, S, FULL), (5, E, b"")], True),
        ([(0, C, OFF), (1, M, b"set: full"), (5, M, b"end of set")], True),
        ([(0, C, OFF), (1, S, FULL), (1, E, b"")], None),  # it lasted no time
    ],
)
def test_a_set_is_silent_where_the_record_says_that_cues_were_off_all_the_time(entries, is_silent):
    record = with_entries([Entry(7, SESSION, Kind.MARK, b"x")], *entries)
    found = analysed(record)
    assert found.sets[0].is_silent is is_silent
    assert analysed(record, range(len(record))) == found


@pytest.mark.parametrize(
    ("is_heard", "in_set", "drill", "feedback", "is_silent"),
    [
        (False, True, None, Feedback.EVERY, True),
        (True, True, None, Feedback.EVERY, False),
        (False, False, None, Feedback.EVERY, False),  # silence is a set's
        (True, False, None, Feedback.SILENT, True),  # as in a check
        (True, True, "push", Feedback.SILENT, True),
        (False, True, "push", Feedback.EVERY, True),
        (False, False, "push", Feedback.EVERY, False),
    ],
)
@pytest.mark.slow
def test_pages_are_told_whether_a_swing_is_silent(
    store, plain, is_heard, in_set, drill, feedback, is_silent
):
    feed = FeedBuilder(lambda: True)
    messages: list[Message] = []
    with LiveSession(store, "test", Silence(), print) as live:
        live.hear(is_heard)
        live.set_drill(DRILLS[drill] if drill else None, feedback)
        live.push(Batch.of(plain[:200]))
        if in_set:
            live.begin_set(Intent.FULL, None)
        for k in range(200, len(plain), 400):
            moment = live.push(Batch.of(plain[k : k + 400]))
            messages += feed.of(moment, live.analysis.pipeline)
    swings = [m["silent"] for m in messages if m["type"] == "swing"]
    reps = [m["last"]["silent"] for m in messages if m["type"] == "drill" and m["last"]]
    assert len(swings) >= 5 and bool(reps) is (drill is not None)
    assert {*swings, *reps} == {is_silent}


def messages_told_last(messages: list[Message]) -> bool:
    """Whether the last repetition was told when it happened."""
    return bool([m for m in messages if m["type"] == "drill" and m["last"]][-1]["last"]["told"])


@pytest.mark.parametrize(
    ("feedback", "told"),
    [
        (Feedback.EVERY, [True] * 5),
        (Feedback.OTHER, [True, False, True, False, True]),
        (Feedback.ASK, [False] * 5),
    ],
)
@pytest.mark.slow
def test_a_players_page_shows_the_swings_that_are_heard_and_no_others(store, plain, feedback, told):
    """By the drill file: every one, every second from the first, or none unasked."""
    feed = FeedBuilder(lambda: True)
    messages: list[Message] = []
    with LiveSession(store, "test", Silence(), print) as live:
        live.hear(True)
        live.push(Batch.of(plain[:200]))
        live.set_drill(DRILLS["push"], feedback)
        for k in range(200, len(plain), 20):
            moment = live.push(Batch.of(plain[k : k + 20]))
            messages += feed.of(moment, live.analysis.pipeline)
        asked = list(feed.of(live.ask(), live.analysis.pipeline))
    assert [not m["silent"] for m in messages if m["type"] == "swing"][:5] == told
    assert [m["last"]["told"] for m in messages if m["type"] == "drill" and m["last"]][:5] == told
    players = [one for one in map(for_player, messages) if one is not None]
    shown = [one["n"] for one in players if one["type"] == "swing" and "words" in one]
    assert [n for n in shown if n <= 5] == [n for n, is_told in enumerate(told, 1) if is_told]
    schema = {"$ref": "live.schema.json#/$defs/untold_drill"}
    untold = live_messages().evolve(schema=schema)
    for one in players:
        if one["type"] == "drill" and one["last"]:
            assert untold.is_valid(one) is not one["last"]["told"]
    heard = [m["silent"] for m in messages if m["type"] == "cue"]
    assert bool(heard) is any(told) and not any(heard)
    assert not any(m["silent"] for m in asked if m["type"] == "cue")
    read = [for_player(m) for m in asked if m["type"] == "drill"]
    assert [one["last"]["told"] for one in read if one is not None] == [True] * len(read)
    assert bool(read) is not messages_told_last(messages)  # what was heard by asking is read too


@pytest.mark.dear
def test_what_a_players_page_is_told_of_a_silent_set_is_what_its_page_says(store, plain):
    """And holds no outcome: neither in words nor as a measure, a count or a sound."""
    feed, validator = FeedBuilder(lambda: True), live_messages()
    with LiveSession(store, "test", Silence(), print) as live:
        live.hear(False)
        live.set_drill(DRILLS["push"], Feedback.EVERY)
        live.push(Batch.of(plain[:200]))
        live.begin_set(Intent.FULL, None)
        told = [
            message
            for k in range(200, len(plain), 400)
            for message in feed.of(live.push(Batch.of(plain[k : k + 400])), live.analysis.pipeline)
        ]
    players = [one for one in map(for_player, told) if one is not None]
    for message in players:
        if message["type"] in ("swing", "drill") and (message.get("last") or message).get("silent"):
            schema = {"$ref": f"live.schema.json#/$defs/untold_{message['type']}"}
            validator.evolve(schema=schema).validate(message)
        elif message["type"] != "frame":
            validator.validate(message)
    kinds = {message["type"] for message in told}
    assert {"swing", "drill", "cue", "tone", "phase"} <= kinds
    assert {message["type"] for message in players} == {"swing", "drill", "phase", "frame"}
    assert sum("outcome" in json.dumps(message) for message in told) >= 5
    without_frames = json.dumps([m for m in players if m["type"] != "frame"])
    for outcome in ("rolled", "skipped", "held", "early", "heel_lift", "transfer", '"verdict": "'):
        assert outcome in json.dumps(told) and outcome not in without_frames


@pytest.mark.dear
def test_pages_are_told_when_a_set_is_silent_no_more(store, plain):
    feed = FeedBuilder(lambda: True)
    silent: list[bool] = []
    with LiveSession(store, "test", Silence(), print) as live:
        live.hear(False)
        live.push(Batch.of(plain[:200]))
        live.begin_set(Intent.FULL, None)
        for k in range(200, len(plain), 400):
            moment = live.push(Batch.of(plain[k : k + 400]))
            told = [*feed.of(moment, live.analysis.pipeline)]
            silent += [m["silent"] for m in told if m["type"] == "swing"]
            if len(silent) == 2:
                live.hear(True)
            elif len(silent) == 4:
                live.hear(False)  # the set is none of the silent ones for all that
    assert silent == [True] * 2 + [False] * (len(silent) - 2) and len(silent) >= 6


def test_a_set_tells_its_id_intent_club_and_end(plain):
    found = analysed(with_entries(plain[:1], (1, S, FULL), (5, E, b""), (6, S, FAST)))
    one, two = found.sets
    assert (one.set_id, one.intent, one.club) == ("01" * 16, "full", "7 iron")
    assert (one.start_s, one.end_s) == (1.0, 5.0)
    assert (two.set_id, two.intent, two.club) == ("02" * 16, "fast", "")
    assert (two.start_s, two.end_s) == (6.0, math.inf)


@pytest.mark.parametrize(
    ("text", "intent"),
    [
        ("set: smooth", "smooth"),
        ("set: full", "full"),
        ("set:fast ", "fast"),
        ("set: Full", ""),
        ("set: full, 7 iron", ""),
        ("set: fastest", ""),
        ("set:", ""),
    ],
)
def test_of_an_older_set_the_intent_is_known_where_its_name_is_just_that(text, intent):
    (run,) = analysed(with_entries([Entry(7, SESSION, M, b"x")], (1, M, text.encode()))).sets
    assert (run.intent, run.set_id, run.club) == (intent, "", "")


# ---- trials ----


def trial(step: str, number: int) -> bytes:
    return TrialName(step, number).to_json()


def test_trials_are_those_of_the_record():
    entries = with_entries(
        [Entry(7, SESSION, M, b"x")],
        (1, Kind.CHECK, trial("lift", 1)),
        (2, Kind.CHECK_END, trial("lift", 1)),
        (3, Kind.CHECK_END, b"?"),  # none is under way
        (4, Kind.CHECK, trial("stand", 1)),
        (5, Kind.CHECK, trial("stand", 2)),  # ends the one before
        (6, S, FULL),  # and so does a set
        (7, Kind.CHECK, trial("walk", 1)),  # which a trial ends
        (8, Kind.CHECK, b"?"),
        (9, Kind.CHECK_END, b""),
        (10, Kind.CHECK, trial("walk", 2)),
        (12, M, b"the end"),
    )
    found = analysed(entries)
    assert [(t.step, t.number, t.start_s, t.end_s) for t in found.trials] == [
        ("lift", 1, 1.0, 2.0),
        ("stand", 1, 4.0, 5.0),
        ("stand", 2, 5.0, 6.0),
        ("walk", 1, 7.0, 8.0),
        ("walk", 2, 10.0, 12.0),  # under way at the end of the record
    ]
    assert [(run.start_s, run.end_s) for run in found.sets] == [(6.0, 7.0)]
    assert [m.text for m in found.marks][1:3] == ["check: lift 1", "end of check"]
    for cuts in (range(len(entries)), range(0, len(entries), 3)):
        assert analysed(entries, cuts) == found


def test_a_live_session_keeps_its_trials_and_the_state_of_its_cues(store, plain):
    live = LiveSession(store, "test", Silence(), print)
    parts = [Batch.of(plain[k : k + 200]) for k in range(0, 2400, 200)]
    live.hear(True)
    live.push(parts[0])
    assert live.begin_trial("lift") == 1
    began = live.push(parts[1])
    assert [mark.text for mark in began.marks] == ["check: lift 1"]
    live.end_trial()
    live.end_trial()  # none is under way
    assert [mark.text for mark in live.push(parts[2]).marks] == ["end of check"]
    assert live.begin_trial("lift") == 2
    live.push(parts[3])
    assert live.begin_trial("stand") == 1
    assert live.begin_trial("lift") == 3
    live.push(parts[4])
    live.begin_set(Intent.SMOOTH, None)  # loud: without a drill
    live.push(parts[5])
    live.end_trial()  # the set has ended it
    live.set_drill(None, Feedback.SILENT)
    live.begin_set(Intent.SMOOTH, None)  # silent
    live.push(parts[6])
    live.set_drill(DRILLS["push"], Feedback.SILENT)
    live.push(parts[7])
    live.end_set()
    live.set_drill(DRILLS["push"])
    live.begin_set(Intent.FULL, "driver")  # loud
    live.push(parts[8])
    live.hear(False)
    live.push(parts[9])
    live.begin_set(Intent.FULL, "driver")  # silent: nothing sounds
    live.push(parts[10])
    live.push(parts[11])
    found = live.close()
    assert [(t.step, t.number) for t in found.trials] == [
        *(("lift", 1), ("lift", 2), ("stand", 1), ("lift", 3))
    ]
    assert found.trials[1].end_s == found.trials[2].start_s
    assert found.trials[3].end_s == found.sets[0].start_s
    assert [run.is_silent for run in found.sets] == [False, True, False, True]
    assert [run.intent for run in found.sets] == ["smooth", "smooth", "full", "full"]
    entries = [e for batch in store.batches(live.session_id) for e in batch]
    assert sum(entry.kind is Kind.CHECK_END for entry in entries) == 1  # the others were ended
    states = [CueState.from_json(e.data) for e in entries if e.kind is Kind.CUES]
    assert states == [
        CueState(True, None),
        CueState(False, None),
        CueState(False, "push"),
        CueState(True, "push"),
        CueState(False, "push"),
    ]
    stored = results.read(store, live.session_id)
    assert (stored.sets, stored.trials) == (found.sets, found.trials)
    again, changed = results.reanalyse(store, live.session_id)
    assert (again.sets, again.trials, changed) == (found.sets, found.trials, 0)


def test_a_session_that_is_told_nothing_of_sound_says_nothing_of_cues(store, plain):
    live = LiveSession(store, "test", Silence(), print)
    for k in range(0, 800, 200):
        live.push(Batch.of(plain[k : k + 200]))
    live.close()
    kinds = {e.kind for batch in store.batches(live.session_id) for e in batch}
    assert Kind.CUES not in kinds


def test_what_an_older_version_stored_has_its_sets_by_the_marks(store, plain):
    live = LiveSession(store, "test", Silence(), print)
    live.push(Batch.of(plain[:200]))
    live.mark("set: smooth")
    live.push(Batch.of(plain[200:400]))
    found = live.close()
    kept = {k: v for k, v in results.beside(found).items() if k not in ("sets", "trials")}
    with store.database.writing() as db:
        db.execute("DELETE FROM quality WHERE name IN ('sets', 'trials')")
    assert set(store.quality(live.session_id)) == set(kept)
    old = results.read(store, live.session_id)
    assert [(run.name, run.intent, run.is_silent) for run in old.sets] == [
        ("smooth", "smooth", None)
    ]
    assert old.trials == ()
