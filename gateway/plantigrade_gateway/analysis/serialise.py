"""Results as JSON: the document that ``analyse --json`` and ``show --json`` print.

Takes an `Analysis`, gives JSON values; absent values are null. The row of a single event is
`eventrow.py`'s.
"""

from math import isfinite
from typing import Any

from plantigrade.halves import halves_of_set
from plantigrade.summary import summarise_swings, summarise_walk
from plantigrade_gateway.analysis.eventrow import (
    Measured,
    event_row,
)
from plantigrade_gateway.analysis.result import Analysis
from plantigrade_gateway.converter import plain

SCHEMA = 1
"""Version of the JSON: raised when a key goes or changes its meaning, not when one comes."""


def document(analysis: Analysis) -> dict[str, Any]:
    """Return an analysis as JSON values.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    dict
        As `hardware_notes/analysis.schema.json` describes it.
    """
    whole = analysis.whole_sets
    place = {id(swing): (run.name, k) for run in whole for k, swing in enumerate(run.swings, 1)}
    quality = analysis.quality
    return {
        "schema": SCHEMA,
        "source": analysis.source,
        "rate_hz": analysis.rate_hz,
        "duration_s": analysis.duration_s,
        "quality": None if quality is None else plain(quality.to_json()),
        "stands": [_body(stand) for stand in analysis.stands],
        "steps": [_body(step) for step in analysis.steps],
        "swings": [
            {
                **_body(swing),
                "set": place.get(id(swing), (None, None))[0],
                "number_in_set": place.get(id(swing), (None, None))[1],
                "excluded": plain(analysis.excluded.get(number)),
            }
            for number, swing in enumerate(analysis.swings)
        ],
        "walk": plain(summarise_walk(analysis.steps)) if analysis.steps else None,
        "sets": [
            {
                "name": run.name,
                "start_s": run.start_s,
                "summary": plain(summarise_swings(run.swings)),
                "halves": plain(halves_of_set(run.swings)),
                "end_s": run.end_s if isfinite(run.end_s) else None,
                "set_id": run.set_id or None,
                "intent": run.intent or None,
                "club": run.club or None,
                "is_silent": run.is_silent,
                "is_withdrawn": run.is_withdrawn,
            }
            for run in analysis.sets
        ],
        "marks": [plain(mark) for mark in analysis.marks],
        "drills": [plain(run) for run in analysis.drills],
        "trials": [plain(trial) for trial in analysis.trials],
        "strikes": [plain(strike) for strike in analysis.strikes],
    }


def _body(event: Measured) -> dict[str, Any]:
    return event_row("", event).body
