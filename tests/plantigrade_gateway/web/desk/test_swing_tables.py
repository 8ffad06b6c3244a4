"""What the desk lists of swings and of a set's halves, at values made by hand."""

from dataclasses import replace
from pathlib import Path

import pytest
from tests.support.records import swing

from plantigrade.events import Manner, Swing, Timing
from plantigrade.halves import HALVED
from plantigrade_gateway.analysis.eventrow import EventRow, event_of, event_row
from plantigrade_gateway.analysis.measures import SWING_MEASURES
from plantigrade_gateway.analysis.result import MarkedSet, is_good
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.reads import DeskStore
from plantigrade_gateway.web.desk.sets import half_lines
from plantigrade_gateway.web.desk.tables import make_table, swing_columns


@pytest.mark.parametrize(
    ("key", "unit", "text"),
    [
        ("push_from", "% of the foot", "20"),
        ("midfoot_of_push", "% of impulse", "8.0"),
        ("trail_heel_address", "% of its foot", "45"),
        ("trail_heel", "% of its foot", "62"),
        ("lead_heel_address", "% of its foot", "50"),
        ("address_share", "%", "50"),
        ("trail_peak", "about × BW", "0.80"),
        ("lead_rise", "about BW/s", "2.5"),
        ("travel_both", "% of length", "15"),
        ("travel_lead", "% of length", "20"),
        ("travel_trail", "% of length", "60"),
    ],
)
def test_a_swing_s_measures_with_their_units(key, unit, text):
    """Against the values written in the record: 0.62 of a foot's load is 62 %."""
    (measure,) = [m for m in SWING_MEASURES if m.key == key]
    assert measure.unit == unit
    assert measure.text(measure.value(swing(100))) == text


def test_a_table_says_the_swing_s_place_in_its_set():
    swings = [swing(100), swing(900), swing(1700)]
    measures = swing_columns({900: "full", 1700: "full"}, {900: 1, 1700: 2}, {})
    made = make_table(swings, measures)
    at = [head.key for head in made.heads].index("in_set")
    assert [row.cells[at].text for row in made.rows] == ["–", "1", "2"]


def test_a_table_says_why_a_swing_counts_nowhere():
    swings = [swing(100), swing(900)]
    made = make_table(swings, swing_columns({}, {}, {900: "stepped (eve, 2026-03-01)"}))
    assert [row.cells[0].text for row in made.rows] == ["", "stepped (eve, 2026-03-01)"]
    assert "left out" not in [h.title for h in make_table(swings, swing_columns({}, {}, {})).heads]


def test_a_set_s_halves_are_told_measure_by_measure():
    def at(n: int, travel: float) -> Swing:
        return replace(swing(1000 * n), both_cop_travel=travel)

    run = MarkedSet(
        "full", 0.0, swings=tuple(at(n, y) for n, y in enumerate([0.10, 0.14, 0.20, 0.24]))
    )
    lines = half_lines(run)
    assert len(lines) == len(HALVED)
    (travel,) = [line for line in lines if line.title == "front to back, both feet"]
    assert (travel.first, travel.second) == ("12 ± 3 (2)", "22 ± 3 (2)")
    assert travel.unit == "% of length"
    # both halves vary by .0283: SE = .0283, 2 df, t = 4.303, so ± 12 of a hundred
    assert travel.difference == "+10 (-2 to +22)"


def test_pushes_kept_by_an_older_version_count_by_the_same_rule(tmp_path: Path):
    """They hold no verdict of their own: it is made of manner, timing and where they began."""
    pushes = [
        {"travel_from": 0.2},
        {"travel_from": 0.62},
        {"manner": Manner.SKIPPED},
        {"timing": Timing.EARLY},
        {"travel_from": None},
    ]
    wanted = [True, False, False, False, False]
    with Store.open(tmp_path / "store.sqlite3") as store:
        session = store.create_session("test", analysis_version=2)
        rows = []
        for k, changes in enumerate(pushes):
            one = swing(1000 * k)
            row = event_row(session, replace(one, push=replace(one.push, **changes)))  # type: ignore[arg-type]
            rows.append(kept_before(row))
        store.put_events(session, rows)
        store.end_session(session, "stop")
        found = [event_of(row) for row in rows]
        assert all(isinstance(e, Swing) and e.push.is_good is None for e in found)
        assert [is_good(e) for e in found if isinstance(e, Swing)] == wanted
    reads = DeskStore(tmp_path / "store.sqlite3")
    (listed,) = reads.sessions().rows
    assert listed.good == sum(wanted)
    reads.close()


def kept_before(row: EventRow) -> EventRow:
    """Take out what came with analysis version 3."""
    push = {k: v for k, v in row.body["push"].items() if k not in ("is_good", "from_heel")}
    return replace(row, body=row.body | {"push": push})
