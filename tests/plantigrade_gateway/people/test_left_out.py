"""A swing that is left out counts nowhere and is shown everywhere. On the invented session.

What a set comes to without a swing is what `summarise_swings` makes of the others: its own tests
hold that to worked values.
"""

import csv
import html
import io
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pyarrow.parquet as pa_parquet
import pytest
from click.testing import CliRunner
from fastapi import FastAPI
from fastapi.testclient import TestClient
from rich.console import Console
from tests.support.practice import practice_copy, store_practice

from plantigrade.summary import summarise_swings
from plantigrade_gateway.analysis.result import Analysis, is_good
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.errors import InputError
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.said import anchor_ns, place_of
from plantigrade_gateway.people.visits import Visits, read_session, with_said
from plantigrade_gateway.report.export import export
from plantigrade_gateway.report.measures import groups_of, show_swings
from plantigrade_gateway.report.reader import open_store
from plantigrade_gateway.sinks import TSDB
from plantigrade_gateway.store import results
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk.reads import DeskStore
from plantigrade_gateway.web.desk.routes import desk_router

pytestmark = pytest.mark.dear

REASON = "stepped on the ball"


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    path: Path = tmp_path_factory.mktemp("left_out") / "store.sqlite3"
    with Store.open(path) as store:
        Outbox(store.database).configure([TSDB])
        store_practice(store)
    return path


@pytest.fixture
def store(made, tmp_path, tables) -> Iterator[Store]:
    with Store.open(practice_copy(made, tmp_path)) as opened:
        yield opened


@pytest.fixture
def key(store) -> str:
    ((session_id,),) = store.database.read("SELECT session_id FROM sessions")
    return str(session_id)


@pytest.fixture
def place(store, key) -> int:
    """The third swing of the first set, left out: its place in the session, from 0."""
    found = results.read(store, key)
    swing = found.sets[0].swings[2]
    with Register(store, "eve") as register:
        Visits(register).exclude(key, swing, REASON)
    return found.swings.index(swing)


def undo(store: Store, key: str, place: int) -> None:
    with Register(store, "eve") as register:
        Visits(register).include(key, results.read(store, key).swings[place])


@pytest.mark.slow
def test_it_counts_in_no_set_and_keeps_its_number(store, key, place):
    whole = results.read(store, key)
    found = read_session(store, key)
    assert found.swings == whole.swings and len(found.counted) == len(whole.swings) - 1
    gone = whole.swings[place]
    assert [run.swings for run in found.sets] == [
        tuple(s for s in run.swings if s is not gone and s != gone) for run in whole.sets
    ]
    assert [run.swings for run in found.whole_sets] == [run.swings for run in whole.sets]
    assert (found.excluded[place].reason, found.excluded[place].by) == (REASON, "eve")
    undo(store, key, place)
    assert read_session(store, key) == whole


def test_every_swing_is_found_by_its_own_lead_peak(store, key):
    """It lies between samples; results of before version 8 may have their finish in that before."""
    swings = results.read(store, key).swings
    peaks_s = [s.lead_peak_s for s in swings if s.lead_peak_s is not None]
    older = tuple(replace(s, finish_s=at - 0.004) for s, at in zip(swings, peaks_s, strict=True))
    for found in (swings, older):
        assert [place_of(found, anchor_ns(s)) for s in found] == list(range(len(swings)))


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def test_exports_keep_its_row_and_say_why(store, key, place, tmp_path):
    whole = results.read(store, key)
    export(store, key, tmp_path / "out")
    rows = rows_of(tmp_path / "out" / "swings.csv")
    assert len(rows) == len(whole.swings)
    assert [row["excluded"] for row in rows] == [
        REASON if k == place else "" for k in range(len(rows))
    ]
    assert (rows[place]["set"], rows[place]["number_in_set"]) == ("1", "3")
    as_parquet = pa_parquet.read_table(tmp_path / "out" / "swings.parquet")["excluded"].to_pylist()
    assert as_parquet == [REASON if k == place else None for k in range(len(rows))]
    first = rows_of(tmp_path / "out" / "sets.csv")[0]
    kept = [s for k, s in enumerate(whole.sets[0].swings) if k != 2]
    expected = summarise_swings(kept)
    assert int(first["swings"]) == len(kept) == len(whole.sets[0].swings) - 1
    assert float(first["load_tempo_mean"]) == expected.load_tempo.mean
    assert int(first["load_tempo_count"]) == expected.load_tempo.count
    with open_store(store.path) as reader:
        table = reader.session().events().to_arrow()["swings"]
        assert table["excluded"].to_pylist() == as_parquet


def test_a_drill_counts_it_neither(store, key, place, tmp_path):
    """Good, good (left out), missed, good, unclear: 2 good of 3, never two in a row."""
    whole = results.read(store, key)
    swings = whole.swings[place - 1 : place + 4]
    verdicts = ("good", "good", "missed", "good", "unclear")
    reps = [
        {"t_s": swing.confirmed_s, "verdict": verdict, "words": f"word {k}"}
        for k, (swing, verdict) in enumerate(zip(swings, verdicts, strict=True))
    ]
    run: dict[str, object] = {"name": "push", "title": "Push", "counts": "Good ones."}
    run |= {"judge": "push", "feedback": "every", "start_s": 0.0, "end_s": 400.0}
    counted = {"good": 3, "tried": 4, "unclear": 1, "best": 2, "reps": reps}
    walk = run | counted | {"name": "walk", "judge": "walk_through"}  # its repetitions are steps
    store.put_quality(key, {**store.quality(key), "drills": [run | counted, walk]})
    found, steps = read_session(store, key).drills
    assert (found.good, found.tried, found.unclear, found.best) == (2, 3, 1, 1)
    assert [rep.words for rep in found.reps] == ["word 0", "word 2", "word 3", "word 4"]
    assert (steps.good, steps.tried, len(steps.reps)) == (3, 4, 5)
    export(store, key, tmp_path / "out")
    row = rows_of(tmp_path / "out" / "drills.csv")[0]
    assert [row[name] for name in ("good", "tried", "unclear", "best")] == ["2", "3", "1", "1"]
    assert len(rows_of(tmp_path / "out" / "repetitions.csv")) == 4 + 5
    undo(store, key, place)
    assert read_session(store, key).drills[0].good == 3


def printed(found: Analysis) -> str:
    out = Console(file=io.StringIO(), width=200)
    show_swings(found, out)
    text = out.file.getvalue()  # type: ignore[attr-defined]
    assert isinstance(text, str)
    return text


def test_the_report_lists_it_and_counts_it_nowhere(store, key, place):
    found = read_session(store, key)
    text = printed(found)
    assert re.search(rf"^ *{place + 1} out ", text, re.MULTILINE)
    assert f"out: swing {place + 1} counts nowhere: {REASON} (eve, " in text
    assert sum(len(run.swings) for run in groups_of(found)) == len(found.swings) - 1
    assert " out" not in printed(results.read(store, key))


def test_the_json_tells_who_and_when_and_sums_up_the_others(store, key, place):
    result = CliRunner().invoke(main, ["--store", str(store.path), "show", "last", "--json"])
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)["analysis"]
    reasons = [(k, s["excluded"]) for k, s in enumerate(told["swings"]) if s["excluded"]]
    ((where, said),) = reasons
    assert where == place and (said["reason"], said["by"]) == (REASON, "eve")
    assert said["when"].endswith("Z") and told["swings"][place]["number_in_set"] == 3
    whole = results.read(store, key).sets[0]
    assert told["sets"][0]["summary"]["swings"] == len(whole.swings) - 1


@pytest.mark.slow
def test_summaries_that_are_sent_on_follow_when_results_are_made_again(store, key, place):
    def sent() -> int:
        items = Outbox(store.database).waiting(TSDB, 0, 10_000)
        top = max(item.revision for item in items)
        (first,) = [i for i in items if (i.kind, i.name, i.revision) == ("set", "1", top)]
        count = first.body["summary"]["swings"]
        assert isinstance(count, int)
        return count

    whole = len(results.read(store, key).sets[0].swings)
    result = CliRunner().invoke(main, ["--store", str(store.path), "reanalyse", "last"])
    assert result.exit_code == 0, result.output
    assert sent() == whole - 1
    assert read_session(store, key).excluded.keys() == {place}
    undo(store, key, place)
    results.reanalyse(store, key, with_said)
    assert sent() == whole


@pytest.mark.slow
def test_another_intent_of_a_set_is_shown_sent_on_and_undone(store, key):
    whole = results.read(store, key)
    with Register(store, "eve") as register:
        visits = Visits(register)
        visits.edit_set(key, whole.sets[0], "fast", "driver")
        visits.edit_set(key, whole.sets[1], club="7 iron")
        found = read_session(store, key)
        assert [run.name for run in found.sets[:2]] == ["fast, driver", "full, 7 iron"]
        assert [(run.intent, run.club) for run in found.whole_sets[:2]] == [
            ("fast", "driver"),
            ("full", "7 iron"),
        ]
        assert [run.swings for run in found.sets] == [run.swings for run in whole.sets]
        assert found.sets[2:] == whole.sets[2:] and found.spans == whole.spans
        assert visits.visit(key).analysis == found

        def sent() -> list[tuple[str, int]]:
            items = Outbox(store.database).waiting(TSDB, 0, 10_000)
            top = max(item.revision for item in items)
            return [(i.body["name"], top) for i in items if i.kind == "set" and i.revision == top][
                :2
            ]

        results.reanalyse(store, key, with_said)
        (first, before), (second, _) = sent()
        assert (first, second) == ("fast, driver", "full, 7 iron")
        assert read_session(store, key) == found
        results.reanalyse(store, key, with_said)  # and nothing else is sent again
        assert sent()[0][1] == before

        visits.edit_set(key, found.sets[0], club="")
        assert read_session(store, key).sets[0].name == "fast"
        for number in (0, 1):
            visits.undo_set(key, read_session(store, key).sets[number])
        assert read_session(store, key) == whole
        results.reanalyse(store, key, with_said)
        assert [name for name, _ in sent()] == [run.name for run in whole.sets[:2]]
        with pytest.raises(InputError, match="is as the record says"):
            visits.undo_set(key, whole.sets[0])
        with pytest.raises(InputError, match="did you mean fast"):
            visits.edit_set(key, whole.sets[0], "fasst")
        with pytest.raises(InputError, match="expected 40 at most"):
            visits.edit_set(key, whole.sets[0], club="x" * 41)


def text_of(client: TestClient, address: str) -> str:
    answer = client.get(address)
    assert answer.status_code == 200, answer.text
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]*>", " ", answer.text)))


@pytest.mark.slow
def test_the_desk_s_pages_follow_at_once(store, key, place):
    app = FastAPI()
    app.include_router(desk_router(store.path))
    found = results.read(store, key)
    good = sum(map(is_good, found.swings)) - is_good(found.swings[place])
    swings = len(found.swings)
    with TestClient(app) as client:
        assert f"{good} of {swings - 1}" in text_of(client, "/sessions")
        page = text_of(client, f"/sessions/{key}")
        assert f"Left out of all numbers: swing {place + 1}: {REASON} (eve, " in page
        table = text_of(client, f"/sessions/{key}/swings")
        assert f"{swings} swings" in table and table.count(f"{REASON} (eve, ") == 1
        undo(store, key, place)
        whole = sum(map(is_good, found.swings))
        assert f"{whole} of {swings}" in text_of(client, "/sessions")
        assert "Left out" not in text_of(client, f"/sessions/{key}")
        assert REASON not in text_of(client, f"/sessions/{key}/swings")


def test_the_desk_shows_its_set_without_it(store, key, place):
    desk = DeskStore(store.path)
    try:
        opened = desk.open(key)
    finally:
        desk.close()
    assert len(opened.sets[0].swings) == len(results.read(store, key).sets[0].swings) - 1
    assert opened.numbers_in_set[opened.found.swings[place].first_index] == 3
