"""What is exported is what is stored, in flat columns, and nothing is half-written."""

import csv
import dataclasses
import os
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pyarrow.parquet as pa_parquet
import pytest
from tests.support.practice import store_practice
from tests.support.records import packets, stand, step, swing

from plantigrade.events import Manner, Stand, Step, Swing
from plantigrade.summary import summarise_swings
from plantigrade_gateway.analysis.eventrow import event_row
from plantigrade_gateway.analysis.result import SetSpan
from plantigrade_gateway.converter import plain
from plantigrade_gateway.drills.judge import Rep, Verdict
from plantigrade_gateway.drills.run import DrillResult
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.report import export as export_module
from plantigrade_gateway.report.export import columns, drill_tables, export
from plantigrade_gateway.store.store import Store

TABLES = ("steps", "swings", "stands", "sets", "drills", "repetitions")
FILES = [f"{t}.{f}" for t in TABLES for f in ("csv", "parquet")]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "store.sqlite3") as opened:
        yield opened


@pytest.fixture
def session(store: Store) -> str:
    session = store.create_session("test", analysis_version=1)
    store.append(session, packets(10))
    events: list[Step | Swing | Stand] = [
        *(step(60 * k) for k in range(5)),
        swing(900),
        swing(1200),
        stand(2000),
    ]
    store.put_events(session, [event_row(session, e, 10) for e in events])
    store.end_session(session, "stop")
    return session


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def test_a_repetition_is_of_the_run_of_its_number(store, session, monkeypatch):
    """Two runs of one drill have one name: the number alone tells them apart."""
    reps = (Rep(3.0, Verdict.GOOD, "rolled"), Rep(9.0, Verdict.MISSED, "skipped"))
    first = DrillResult("push", "Push", "swings", "push", "every", 1.0, 10.0, 1, 2, 0, 1, reps)
    second = dataclasses.replace(
        first, start_s=20.0, end_s=30.0, reps=(dataclasses.replace(reps[0], t_s=25.0),)
    )
    found = SimpleNamespace(drills=(first, second))
    monkeypatch.setattr(export_module, "read_session", lambda *_: found)
    tables = drill_tables(store, session)
    assert [(row["run"], row["start_s"]) for row in tables["drills"].to_pylist()] == [
        *((1, 1.0), (2, 20.0))
    ]
    told = [(row["run"], row["t_s"]) for row in tables["repetitions"].to_pylist()]
    assert told == [(1, 3.0), (1, 9.0), (2, 25.0)]


def test_values_come_out_exactly_in_both_formats(store, session, tmp_path):
    files = export(store, session, tmp_path / "out")
    assert files == [tmp_path / "out" / name for name in FILES]
    assert names(tmp_path / "out") == sorted(FILES)
    made = rows_of(tmp_path / "out" / "steps.csv")
    assert len(made) == 5
    for k, row in enumerate(made):
        expected = step(60 * k)
        assert row["session_id"] == session
        assert row["event_id"] == event_row(session, expected).event_id
        assert row["foot"] == "left"
        assert float(row["strike_s"]) == expected.strike_s
        assert float(row["midfoot_impulse_share"]) == 0.1 + 0.2
        assert float(row["heel_centre_pct"]) == 1 / 3
        assert row["toes_onset_pct"] == ""
        assert row["cop_y_at_5_pct"] == ""
        assert float(row["cop_y_at_15_pct"]) == 0.2 / 3
        assert float(row["cop_y_at_95_pct"]) == 0.5
        assert row["touches_gap"] == "false"
    (row, _) = pa_parquet.read_table(tmp_path / "out" / "swings.parquet").to_pylist()
    push = swing(900).push
    assert row["lead"] == "left"
    assert row["finish_s"] is None
    assert row["push_transfer_s"] == push.transfer_s
    assert row["push_manner"] == "rolled"
    assert row["push_midfoot_over_floor"] is True
    assert row["push_toes_over_floor"] is None
    assert row["heel_lift_lowest_load_bw"] == 0.004
    assert row["first_index"] == 900


@pytest.mark.parametrize("table", ["steps", "swings", "stands"])
def test_both_formats_hold_the_same(store, session, tmp_path, table):
    export(store, session, tmp_path / "out")
    as_csv = rows_of(tmp_path / "out" / f"{table}.csv")
    as_parquet = pa_parquet.read_table(tmp_path / "out" / f"{table}.parquet").to_pylist()
    assert len(as_csv) == len(as_parquet) > 0
    for a, b in zip(as_csv, as_parquet, strict=True):
        assert list(a) == list(b)
        for name, text in a.items():
            value = b[name]
            if isinstance(value, bool):
                assert text == str(value).lower()
            elif isinstance(value, float):
                assert float(text) == value
            else:
                assert text == ("" if value is None else str(value))


def test_every_value_of_an_event_has_one_column():
    """The event's own leaves, less the push's path and a share that a step holds twice."""

    def leaves(value: object) -> int:
        if isinstance(value, dict):
            return sum(map(leaves, value.values()))
        return len(value) if isinstance(value, list) else 1

    for event, doubled in ((step(1), 1), (swing(1), 6), (stand(1), 0)):
        made = [column.name for column in columns(type(event))]
        assert len(set(made)) == len(made)
        assert len(made) == leaves(event_row("s", event).body) - doubled
    same = event_row("s", step(1)).body
    assert "midfoot_impulse_share" in same
    assert "impulse_share" in same["midfoot"]


def test_a_kind_without_events_has_columns_and_no_rows(store, tmp_path):
    session = store.create_session("test", analysis_version=1)
    export(store, session, tmp_path / "out")
    assert rows_of(tmp_path / "out" / "swings.csv") == []
    table = pa_parquet.read_table(tmp_path / "out" / "swings.parquet")
    assert table.num_rows == 0
    assert "push_transfer_s" in table.column_names


@pytest.mark.dear
@pytest.mark.slow
def test_many_events_are_written_in_pieces_without_loss(store, tmp_path):
    session = store.create_session("test", analysis_version=1)
    store.append(session, packets(1))
    store.put_events(session, [event_row(session, step(k), 1) for k in range(4100)])
    export(store, session, tmp_path / "out")
    made = rows_of(tmp_path / "out" / "steps.csv")
    assert [int(row["first_index"]) for row in made] == list(range(4100))


def test_frames_are_written_with_the_rest(store, session, tmp_path):
    def write(path: Path) -> None:
        path.write_text("time_s,L1,R1\n")

    files = export(store, session, tmp_path / "out", write_frames=write)
    assert files[-1].name == "frames.csv"
    assert files[-1].read_text() == "time_s,L1,R1\n"


def test_files_that_are_there_are_refused_unless_told(store, session, tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    (out / "swings.csv").write_text("mine")
    (out / "notes.txt").write_text("mine too")
    with pytest.raises(StoreError, match=r"swings\.csv is there already; choose another folder"):
        export(store, session, out)
    (out / "steps.csv").write_text("mine")
    with pytest.raises(StoreError, match=r"steps\.csv, swings\.csv are there already; choose"):
        export(store, session, out)
    (out / "steps.csv").unlink()
    assert names(out) == ["notes.txt", "swings.csv"]
    assert (out / "swings.csv").read_text() == "mine"
    export(store, session, out, replace=True)
    assert names(out) == sorted([*FILES, "notes.txt"])
    assert len(rows_of(out / "swings.csv")) == 2
    assert (out / "notes.txt").read_text() == "mine too"


@pytest.mark.parametrize("exists", [False, True])
def test_a_failure_leaves_nothing_half_written(store, session, tmp_path, exists):
    out = tmp_path / "place" / "out"
    out.parent.mkdir()
    if exists:
        out.mkdir()
        (out / "steps.csv").write_text("mine")

    def fails(path: Path) -> None:
        path.write_text("half")
        raise OSError(28, os.strerror(28))

    with pytest.raises(StoreError, match=r"cannot be written \(No space left on device\)"):
        export(store, session, out, write_frames=fails, replace=True)
    if exists:
        assert names(out) == ["steps.csv"]
        assert (out / "steps.csv").read_text() == "mine"
    else:
        assert names(out.parent) == []


def test_wrong_places_and_sessions_say_so(store, session, tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(StoreError, match="is a file, expected a folder"):
        export(store, session, tmp_path / "file")
    with pytest.raises(StoreError, match="cannot be written"):
        export(store, session, tmp_path / "file" / "out")
    with pytest.raises(StoreError, match="session none: not in the store"):
        export(store, "none", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_an_event_of_another_version_says_so(store, session, tmp_path):
    row = next(store.events(session, "step"))
    old = dataclasses.replace(row, body={k: v for k, v in row.body.items() if k != "peak1_n"})
    store.put_events(session, [old])
    with pytest.raises(StoreError, match=r"has no peak1_n, .* run plantigrade reanalyse"):
        export(store, session, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_what_came_later_is_empty_for_an_event_kept_before(store, session, tmp_path):
    row = event_row(session, swing(1500))
    old = {k: v for k, v in row.body.items() if k != "both_cop_travel"}
    old["push"] = {k: v for k, v in old["push"].items() if k != "is_good"}
    store.put_events(session, [dataclasses.replace(row, body=old)])
    export(store, session, tmp_path / "out")
    made = pa_parquet.read_table(tmp_path / "out" / "swings.parquet").to_pylist()
    by_index = {row["first_index"]: row for row in made}
    assert by_index[1500]["both_cop_travel"] is None and by_index[1500]["push_is_good"] is None
    assert by_index[900]["both_cop_travel"] == swing(900).both_cop_travel is not None
    assert by_index[900]["push_is_good"] is True


def test_a_swing_says_which_set_it_is_in_and_where(store, session, tmp_path):
    store.put_events(session, [event_row(session, swing(n)) for n in (950, 9500)])
    marks = [
        {"t_s": 0.0, "text": "set: Smooth, 7 iron"},
        {"t_s": 11.0, "text": "set: full"},
        {"t_s": 90.0, "text": "check: stand"},
    ]
    store.put_quality(session, {"marks": marks})
    export(store, session, tmp_path / "out")
    made = rows_of(tmp_path / "out" / "swings.csv")
    found = {
        int(row["first_index"]): tuple(
            row[name] for name in ("set", "set_name", "number", "number_in_set")
        )
        for row in made
    }
    assert found == {
        900: ("1", "Smooth, 7 iron", "1", "1"),
        950: ("1", "Smooth, 7 iron", "2", "2"),
        1200: ("2", "full", "3", "1"),
        9500: ("", "", "4", ""),
    }


def test_a_set_is_a_row_with_what_it_comes_to(store, session, tmp_path):
    marks = [
        {"t_s": 0.0, "text": "set: Smooth, 7 iron"},
        {"t_s": 11.0, "text": "set: full"},
        {"t_s": 90.0, "text": "check: stand"},
    ]
    store.put_quality(session, {"marks": marks})
    export(store, session, tmp_path / "out")
    made = rows_of(tmp_path / "out" / "sets.csv")
    table = pa_parquet.read_table(tmp_path / "out" / "sets.parquet")
    assert [row["name"] for row in made] == ["Smooth, 7 iron", "full"]
    assert [row["start_s"] for row in table.to_pylist()] == [0.0, 11.0]
    assert [row["swings"] for row in table.to_pylist()] == [1, 1]
    first = table.to_pylist()[0]
    only = summarise_swings([swing(900)])
    assert first["load_tempo_mean"] == only.load_tempo.mean and first["load_tempo_sd"] is None
    rolled = only.manners[Manner.ROLLED]
    assert (first["manners_rolled_count"], first["manners_rolled_low"]) == (
        rolled.count,
        rolled.low,
    )
    assert first["lead_cop_travel_count"] == only.lead_cop_travel.count
    assert list(made[0]) == table.column_names
    assert made[0]["load_tempo_sd"] == ""
    assert len(table.column_names) == len(set(table.column_names))
    last = ("set_id", "intent", "club", "is_silent", "is_withdrawn")
    assert tuple(table.column_names[-5:]) == last
    told = [[row[name] for name in last] for row in table.to_pylist()]
    assert told == [
        [None] * 4 + [False],
        [None, "full", None, None, False],
    ]  # as older records have them


def test_a_set_says_what_it_was_begun_with(store, session, tmp_path):
    span = SetSpan("full, 7 iron", 0.0, 11.0, "5f" * 16, "full", "7 iron", True)
    store.put_quality(session, {"sets": plain([span])})
    export(store, session, tmp_path / "out")
    (row,) = rows_of(tmp_path / "out" / "sets.csv")
    assert [row[name] for name in ("set_id", "intent", "club", "is_silent")] == [
        *("5f" * 16, "full", "7 iron", "true")
    ]


@pytest.mark.parametrize("club", ["=1+1", "+1", "-1", "@SUM(A1)"])  # OWASP, CSV Injection
def test_no_spreadsheet_takes_what_was_typed_for_a_formula(store, session, tmp_path, club):
    span = SetSpan(club, 0.0, 11.0, "5f" * 16, "full", club, False)
    store.put_quality(session, {"sets": plain([span])})
    export(store, session, tmp_path / "out")
    (row,) = rows_of(tmp_path / "out" / "sets.csv")
    assert (row["club"], row["name"], row["intent"]) == (f"'{club}", f"'{club}", "full")
    swings = rows_of(tmp_path / "out" / "swings.csv")
    assert {swing["set_name"] for swing in swings} == {"", f"'{club}"}  # one is in no set
    (kept,) = pa_parquet.read_table(tmp_path / "out" / "sets.parquet").to_pylist()
    assert kept["club"] == club, "where nothing is computed it is as it was typed"


@pytest.mark.dear
@pytest.mark.slow
def test_a_swing_says_its_number_and_its_set(tmp_path):
    """Those of the desk's pages and of sets.csv: the practice session's marks begin three sets."""
    with Store.open(tmp_path / "practice.sqlite3") as store:
        session_id = store_practice(store)
        export(store, session_id, tmp_path / "out")
    swings = rows_of(tmp_path / "out" / "swings.csv")
    assert [int(row["number"]) for row in swings] == list(range(1, 34))
    sets = {row["set"]: row for row in rows_of(tmp_path / "out" / "sets.csv")}
    assert {k: row["name"] for k, row in sets.items()} == {"1": "smooth", "2": "full", "3": "fast"}
    assert [row["set_name"] for row in swings] == ["smooth"] * 11 + ["full"] * 12 + ["fast"] * 10
    for row in swings:
        assert row["set_name"] == sets[row["set"]]["name"]
    for k, row in sets.items():
        assert int(row["swings"]) == sum(swing["set"] == k for swing in swings)


def test_a_swing_in_no_set_has_a_number_only(store, session, tmp_path):
    export(store, session, tmp_path / "out")
    rows = rows_of(tmp_path / "out" / "swings.csv")
    assert [(r["number"], r["set"], r["set_name"]) for r in rows] == [("1", "", ""), ("2", "", "")]
