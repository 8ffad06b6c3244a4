"""A stored session's results: kept beside its record, read back, made again."""

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import replace
from typing import Any, TypeVar

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade.block import Foot
from plantigrade.events import Event, Phase
from plantigrade.summary import summarise_swings
from plantigrade_gateway.analysis.eventrow import EventRow, event_row
from plantigrade_gateway.analysis.late import Owed, made_whole
from plantigrade_gateway.analysis.quality import Quality
from plantigrade_gateway.analysis.record import RecordAnalysis
from plantigrade_gateway.analysis.result import (
    Analysis,
    Mark,
    MarkedSet,
    SetSpan,
    SwingStrike,
    Trial,
)
from plantigrade_gateway.analysis.spans import spans_of
from plantigrade_gateway.converter import made, plain
from plantigrade_gateway.drills.judge import Rep, Verdict
from plantigrade_gateway.drills.run import DrillResult
from plantigrade_gateway.errors import GatewayError, StoreError
from plantigrade_gateway.record.entries import Batch
from plantigrade_gateway.record.settings import with_settings
from plantigrade_gateway.store.enqueue import Point
from plantigrade_gateway.store.rows import Session
from plantigrade_gateway.store.sessions import detail
from plantigrade_gateway.store.store import Store

Made = TypeVar("Made")
_LEAST_OWED_S = 0.1
"""Less is not told of: it is bridged, or all but (ours)."""


def read(store: Store, session_id: str) -> Analysis:
    """Return a session's stored results; nothing is computed.

    Raises
    ------
    StoreError
        No such session, or its results were made by another version (``reanalyse``).
    """
    found = detail(store, session_id)
    kept = found.quality
    quality = kept.get("quality")
    marks = _rows_of(kept, "marks", Mark)
    rate_hz, duration_s = kept.get("rate_hz"), kept.get("duration_s")
    return Analysis(
        source=found.line.session.source,
        rate_hz=float(rate_hz) if isinstance(rate_hz, int | float) else None,
        duration_s=(
            float(duration_s)
            if isinstance(duration_s, int | float)
            else found.line.session.duration_s
        ),
        stands=found.stands,
        steps=found.steps,
        swings=found.swings,
        marks=marks,
        quality=Quality.from_json(quality) if isinstance(quality, dict) else None,
        drills=_drills(kept),
        trials=_rows_of(kept, "trials", Trial),
        spans=_spans(kept, marks),
        strikes=_strikes(kept, len(found.swings)),
    )


def _rows_of(kept: Mapping[str, object], name: str, cls: type[Made]) -> tuple[Made, ...]:
    rows = kept.get(name)
    return tuple(made(cls, row) for row in rows) if isinstance(rows, list) else ()


def _strikes(kept: Mapping[str, object], swings: int) -> tuple[SwingStrike, ...]:
    """Return the swings' strikes; none where they are not one for each swing that is kept."""
    strikes = _rows_of(kept, "strikes", SwingStrike)
    return strikes if len(strikes) == swings else ()


def _spans(kept: Mapping[str, object], marks: tuple[Mark, ...]) -> tuple[SetSpan, ...]:
    """Return the sets as they were kept; an older version kept the marks alone."""
    rows = kept.get("sets")
    if not isinstance(rows, list):
        return spans_of(marks)
    ends = [math.inf if row["end_s"] is None else row["end_s"] for row in rows]
    return tuple(SetSpan(**{**row, "end_s": end}) for row, end in zip(rows, ends, strict=True))


def drills(store: Store, session_id: str) -> tuple[DrillResult, ...]:
    """Return each run of a drill in a stored session, with its repetitions.

    They are those of the live session, and the same again after ``reanalyse``. A session that was
    cut off has none until it is analysed again.

    Raises
    ------
    StoreError
        No such session.
    """
    store.session(session_id)
    return _drills(store.quality(session_id))


def _drills(kept: Mapping[str, object]) -> tuple[DrillResult, ...]:
    runs = kept.get("drills")
    return tuple(_drill(run) for run in (runs if isinstance(runs, list) else ()))


def _drill(run: dict[str, Any]) -> DrillResult:
    reps = tuple(Rep(rep["t_s"], Verdict(rep["verdict"]), rep["words"]) for rep in run["reps"])
    return DrillResult(**{**run, "reps": reps})


def recover(store: Store) -> list[str]:
    """End what a killed program left open and make its results; what cannot be done keeps nobody.

    Returns
    -------
    list of str
        What was done and what not, a sentence each.
    """
    try:
        cut_off = store.recover()
    except StoreError as error:
        return [f"{error}; a session that was cut off is ended at the next start."]
    with suppress(StoreError):  # another program reads what was deleted: at the next start
        store.database.complete_wipe()
    said = []
    for session_id in dict.fromkeys([*cut_off, *_without_results(store)]):
        text = f"Session {session_id[:8]} was cut off; what was recorded is kept."
        try:
            reanalyse(store, session_id)
        except GatewayError as error:
            text += f" Its results could not be made: {error}"
        said.append(text)
    return said


def _without_results(store: Store) -> list[str]:
    """Return the sessions that a start ended, and was killed before it had made their results."""
    rows = store.database.read(
        "SELECT session_id FROM sessions WHERE end_reason = 'restart' AND NOT EXISTS (SELECT 1 FROM"
        " quality WHERE quality.session_no = sessions.session_no AND name = 'quality')"
        " ORDER BY session_no"
    )
    return [session_id for (session_id,) in rows]


def whole(store: Store, session_id: str) -> Iterator[Batch]:
    """Read a session's record back with what came late in its place, as its results have it.

    Raises
    ------
    StoreError
        No such session.
    """
    return made_whole(lambda: store.batches(session_id))


def reanalyse(
    store: Store,
    session_id: str,
    with_said: Callable[[Store, str, Analysis], Analysis] | None = None,
    limits: Mapping[str, float] | None = None,
) -> tuple[Analysis, int]:
    """Make a session's results again from its record, in place of those stored.

    Parameters
    ----------
    store : Store
    session_id : str
    with_said : callable, optional
        Adds to results which swings people left out and what they said of sets: the summaries of
        sets that are sent on go by that (`people.visits.with_said`).
    limits : mapping of str to float, optional
        By name, in place of the record's; kept with the results, and not in the record.

    Returns
    -------
    Analysis
    int
        How many of the events stored before or now differ.

    Raises
    ------
    StoreError
        No such session, or it is still being recorded; the results stored before are kept then.
    InputError
        Limits that cannot be used together, or are none.
    """
    session = ended(store, session_id)
    analysis = RecordAnalysis(session.source)
    rows: list[EventRow] = []
    entries = 0

    def record() -> Iterator[Batch]:
        nonlocal entries
        for stretch in store.stretches(session_id):
            # what came late was stored after what it belongs to
            entries = max(entries, stretch.upto_entry)
            yield stretch.batch

    missing: list[Owed] = []
    for batch in _with_limits(made_whole(record, missing), limits or {}):
        rows += _rows(session_id, analysis.push(batch).events, entries)
    rows += _rows(session_id, analysis.flush().events, entries)
    before = {row.event_id: row.body for row in store.events(session_id)}
    now = {row.event_id: row.body for row in rows}
    changed = sum(before.get(key) != now.get(key) for key in before.keys() | now.keys())
    result = analysis.result()
    if with_said is not None:
        result = with_said(store, session_id, result)
    kept = store.quality(session_id)
    kept.pop(OTHER_LIMITS, None)
    by_limits = {OTHER_LIMITS: dict(limits)} if limits else {}
    asked = _asked(kept)
    result = _with_missing(result, missing, asked, analysis.pipeline.feet())
    kept[_OWED] = plain([one for one in missing if one.insole not in asked])
    store.replace_events(
        session_id,
        rows,
        analysis_version=ANALYSIS_VERSION,
        quality={**kept, **beside(result), **by_limits},
        points=set_points(result, entries),
        sums_changed=any(
            told != kept.get(name, []) for name, told in _said_of_sums(result).items()
        ),
    )
    return replace(result, source=session.source), changed


OTHER_LIMITS = "other_limits"
"""What `other_limits` is kept under, beside the results."""


def ended(store: Store, session_id: str) -> Session:
    """Return a session that has ended.

    Raises
    ------
    StoreError
        No such session, or it is still being recorded.
    """
    session = store.session(session_id)
    if session.state == "open":
        raise StoreError(f"session {session_id}: is still being recorded; stop it first")
    return session


def ends_ns(store: Store, session_id: str) -> tuple[int, int]:
    """Return when the first and the last entry of a session's record arrived, ns; 0 without one."""
    first_ns, last_ns = None, 0
    for batch in store.batches(session_id):
        if len(batch):
            first_ns = int(batch.arrival_ns[0]) if first_ns is None else first_ns
            last_ns = int(batch.arrival_ns[-1])
    return first_ns or 0, last_ns


def other_limits(store: Store, session_id: str) -> dict[str, float]:
    """Return the limits, by name, that stood in place of the record's when results were made."""
    kept = store.quality(session_id).get(OTHER_LIMITS)
    return {str(k): float(v) for k, v in kept.items()} if isinstance(kept, dict) else {}


def record_as_analysed(store: Store, session_id: str) -> Iterator[Batch]:
    """Read a session's record with the limits that its results were made by.

    What is shown beside the results is made from this, as `whole` gives it else.
    """
    return _with_limits(whole(store, session_id), other_limits(store, session_id))


def _with_limits(batches: Iterable[Batch], limits: Mapping[str, float]) -> Iterator[Batch]:
    if not limits:
        return iter(batches)
    return with_settings(batches, lambda settings: settings.with_limits({}, limits))


_OWED, _ASKED = "owed", "owed_asked"
_OWED_TEXT = "are missing; its insole's log may hold them, and is asked when it is connected next"
_LOST_TEXT = "are missing, and were not in its insole's log"


def owed(store: Store, session_id: str) -> tuple[Owed, ...]:
    """Return what a session lacks and an insole's log may hold."""
    return _rows_of(store.quality(session_id), _OWED, Owed)


def note_asked(store: Store, session_id: str, insole: int) -> None:
    """Note that an insole's log was asked for all that a session lacks."""
    asked = _asked(store.quality(session_id)) | {insole}
    store.put_quality(session_id, {_ASKED: sorted(asked)})


def _asked(kept: Mapping[str, object]) -> set[int]:
    asked = kept.get(_ASKED)
    return {int(k) for k in asked} if isinstance(asked, list) else set()


def _with_missing(
    result: Analysis, missing: list[Owed], asked: set[int], feet: Mapping[int, Foot | None]
) -> Analysis:
    """Say of each foot what its log may still hold, or did not."""
    if result.quality is None:
        return result
    notes = list(result.quality.notes)
    for insole, foot in feet.items():
        lacking_s = sum(one.to_us - one.from_us for one in missing if one.insole == insole) / 1e6
        if foot is not None and lacking_s >= _LEAST_OWED_S:
            text = _LOST_TEXT if insole in asked else _OWED_TEXT
            notes.append(f"{lacking_s:.1f} s of the {foot} foot {text}")
    return replace(result, quality=replace(result.quality, notes=tuple(notes)))


def _rows(session_id: str, events: list[Event], upto_entry: int) -> list[EventRow]:
    return [
        event_row(session_id, event, upto_entry) for event in events if not isinstance(event, Phase)
    ]


def beside(analysis: Analysis) -> dict[str, object]:
    """Return what is kept beside a session's events: quality, marks, drills, sets and so on."""
    return {
        "quality": None if analysis.quality is None else plain(analysis.quality.to_json()),
        "marks": plain(analysis.marks),
        "drills": plain(analysis.drills),
        "sets": plain(analysis.spans),
        "trials": plain(analysis.trials),
        "strikes": plain(analysis.strikes),
        "rate_hz": analysis.rate_hz,
        "duration_s": analysis.duration_s,
        **_said_of_sums(analysis),
    }


def _said_of_sums(analysis: Analysis) -> dict[str, list[Any]]:
    """Return what people said that summaries of sets go by: swings left out, and edited sets."""
    return {
        "left_out": [analysis.swings[place].first_index for place in sorted(analysis.excluded)],
        "set_edits": [
            [place, span.intent, span.club] for place, span in sorted(analysis.set_edits.items())
        ],
    }


def set_points(result: Analysis, upto_entry: int = 0) -> list[Point]:
    """Return the summaries of a session's sets; their numbers count from 1."""
    return [
        Point(
            "set",
            str(number),
            run.start_s,
            _point_body(run),
            upto_entry,
        )
        for number, run in enumerate(result.sets, 1)
    ]


def _point_body(run: MarkedSet) -> dict[str, Any]:
    return {
        "name": run.name,
        "start_s": run.start_s,
        "summary": plain(summarise_swings(run.swings)),
        "set_id": run.set_id or None,
        "intent": run.intent or None,
        "club": run.club or None,
        "is_silent": run.is_silent,
    }
