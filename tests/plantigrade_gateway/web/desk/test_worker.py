"""What the worker process is told to do, and what is kept of a session; rows are the test's own."""

import os
import zipfile
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from tests.support.handmade import Made, visit

from plantigrade.analyser import ANALYSIS_VERSION
from plantigrade.block import Foot
from plantigrade_gateway.errors import StoreError
from plantigrade_gateway.record.settings import SessionSettings
from plantigrade_gateway.store import results
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.web.desk import cache, worker
from plantigrade_gateway.web.desk.curves import Piece
from plantigrade_gateway.web.desk.worker import main, prepare


@pytest.fixture
def made(tmp_path):
    opened = Made(tmp_path / "store.sqlite3", 1)
    yield opened
    opened.close()


@pytest.fixture
def told(monkeypatch) -> list[tuple[Any, ...]]:
    """What would be done."""
    done: list[tuple[Any, ...]] = []

    def note(name: str):
        return lambda *what, **more: done.append((name, *what[1:], *sorted(more.items())))

    for name in ("prepare", "export", "export_player", "write_page", "write_frames"):
        monkeypatch.setattr(worker, name, note(name))
    monkeypatch.setattr(os, "nice", lambda by: done.append(("nice", by)))
    return done


def test_it_goes_at_low_priority_and_does_what_it_is_told(made, told, tmp_path, monkeypatch):
    path, session = str(made.path), made.visits[0]
    assert main(["prepare", path, session]) == 0
    assert told == [("nice", 5), ("prepare", session, worker._say)]
    told.clear()
    assert main(["page", path, made.ada, str(tmp_path / "p.pdf"), "letter"]) == 0
    page = (made.ada, tmp_path / "p.pdf", "letter", ("replace", False))
    assert told[1:] == [("write_page", *page)]
    told.clear()
    assert main(["tables", path, session, str(tmp_path / "out")]) == 0
    assert told[1:] == [("export", session, tmp_path / "out", ("write_frames", None))]
    told.clear()
    monkeypatch.setattr(results, "whole", lambda store, key: f"rows of {key}")
    assert main(["frames", path, session, str(tmp_path / "out")]) == 0
    name, key, folder, (_, write) = told[1]
    assert (name, key, folder) == ("export", session, tmp_path / "out")
    write(tmp_path / "frames.csv")
    assert told[2] == ("write_frames", f"rows of {session}")


def test_a_player_s_files_are_packed_into_one(made, monkeypatch, tmp_path):
    folder = tmp_path / "ada"

    def export(register: Any, player_id: str, to: Path) -> None:
        assert player_id == made.ada
        to.mkdir()
        (to / "a.csv").write_text("x", "utf-8")

    monkeypatch.setattr(worker, "export_player", export)
    monkeypatch.setattr(os, "nice", lambda by: 0)
    assert main(["player", str(made.path), made.ada, str(folder)]) == 0
    with zipfile.ZipFile(tmp_path / "ada.zip") as packed:
        assert "ada/a.csv" in packed.namelist()


def test_a_failure_is_one_sentence_and_makes_no_store(made, told, tmp_path, capsys):
    assert main(["prepare", str(tmp_path / "none"), "x"]) == 1
    said = capsys.readouterr().err
    assert said.count("\n") == 1 and "none" in said and not (tmp_path / "none").exists()


def test_a_share_is_told_at_once(capsys):
    worker._say(1 / 3)
    assert capsys.readouterr().out == "0.333\n"


# ---- what is kept ----


@pytest.fixture
def rows(monkeypatch) -> SimpleNamespace:
    """What comes of a record, in four steps: settings, net, zones, entries so far."""
    settings = SessionSettings(bw_n=700.0)
    made = SimpleNamespace(
        steps=[(settings, f"net {k}", f"zones {k}", k) for k in (4, 4, 8, 11)],
        pieces=[[], [piece(0.0)], [], []],
        frames=[{}, {}, {0: "a"}, {1: "b"}],
        seen=[],
    )

    class Cutter:
        def __init__(self, swings: Any) -> None:
            made.swings = swings

        def push(self, net: str, zones: str, _: Any) -> Any:
            made.seen.append((net, zones))
            return kept(made.frames.pop(0))

        def flush(self) -> Any:
            return kept({2: "c"})

    class Maker:
        def push(self, net: str, _: Any) -> Any:
            return made.pieces.pop(0)

        def flush(self) -> Any:
            return [piece(10.0), piece(20.0)]

    monkeypatch.setattr(worker, "net_rows", lambda record: iter(made.steps))
    monkeypatch.setattr(worker, "record_as_analysed", lambda store, key: None)
    monkeypatch.setattr(worker, "SwingCutter", Cutter)
    monkeypatch.setattr(worker, "PieceMaker", Maker)
    return made


def piece(start_s: float) -> Piece:
    return Piece(start_s, 10.0, 700.0, Foot.LEFT, np.ones(11), np.ones(11))


def kept(frames: dict[int, str]) -> dict[int, Any]:
    return {k: SimpleNamespace(to_bytes=lambda v=value: v.encode()) for k, value in frames.items()}


def fresh(store: Store) -> str:
    session = visit(store, None, 3, end=False)
    with store.database.writing() as db:
        db.execute(
            "UPDATE sessions SET analysis_version = ? WHERE session_id = ?",
            (ANALYSIS_VERSION, session),
        )
    store.end_session(session, "stop")
    return session


def test_pieces_and_swings_are_numbered_on_and_the_head_comes_last(made, rows):
    """Of 11 entries: 4, 8 and 11 of them, each told once."""
    session = fresh(made.store)
    cache.put(made.store, session, cache.PIECE, 9, b"old")
    shares: list[float] = []
    prepare(made.store, session, shares.append)
    assert shares == pytest.approx([4 / 11, 8 / 11, 1.0])
    assert rows.seen == [(f"net {k}", f"zones {k}") for k in (4, 4, 8, 11)]
    assert [one.start_s for one in rows.swings] == [10.0, 20.0, 40.0]
    kept_now = cache.prepared(made.store, made.store.session(session))
    assert kept_now is not None
    assert kept_now.spans == ((0.0, 1.0), (10.0, 11.0), (20.0, 21.0))
    assert (kept_now.lead, kept_now.body_weight_n) == ("left", 700.0)
    found = cache.get(made.store, session, cache.SWING, range(5))
    assert found == {0: b"a", 1: b"b", 2: b"c"}
    assert set(cache.get(made.store, session, cache.PIECE, range(12))) == {0, 1, 2}


def test_results_that_are_made_again_meanwhile_are_gone_through_again(made, rows, monkeypatch):
    session = fresh(made.store)
    found = [1, 2, 2, 2]
    monkeypatch.setattr(worker, "_results", lambda *_: ([], {"n": found.pop(0)}))
    rows.steps, rows.pieces, rows.frames = [], [], []
    prepare(made.store, session)
    assert found == []
    assert cache.prepared(made.store, made.store.session(session)) is not None


def test_one_that_is_recorded_or_of_another_version_is_refused(made, rows):
    under_way = visit(made.store, None, 3, end=False)
    with pytest.raises(StoreError, match=f"session {under_way}: is still being recorded"):
        prepare(made.store, under_way)
    with pytest.raises(StoreError, match="its results are of another version; run plantigrade"):
        prepare(made.store, made.visits[0])
    assert cache.prepared(made.store, made.store.session(made.visits[0])) is not None
