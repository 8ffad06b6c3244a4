"""What stands in a store's columns where something else was written: one sentence, no fault."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner
from tests.support.records import packets, step

from plantigrade_gateway.analysis.eventrow import event_row
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.errors import DamageError
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.store.rows import at_place, kept_json, kept_time
from plantigrade_gateway.store.store import Store


@pytest.mark.parametrize("text", ["", "garbage", "2026-0x-28T10:00:00", b"\xff", None, 5])
def test_what_is_no_time_and_no_json_is_damage(text):
    for read in (kept_time, lambda text: at_place(text, 60)):
        with pytest.raises(DamageError, match=r"is damaged: .* where a time was written"):
            read(text)
    if text != 5:
        with pytest.raises(DamageError, match="where JSON was written"):
            kept_json("" if text is None else text)


@pytest.mark.parametrize("offset_min", [float("inf"), 10**400, 24 * 60, "x"])
def test_an_offset_that_no_place_has_is_damage(offset_min):
    with pytest.raises(DamageError, match="where an offset to UTC was written"):
        at_place("2026-03-01T09:00:00+00:00", offset_min)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    with Store.open(tmp_path / "s.sqlite3") as store, Register(store) as register:
        player = register.add(name="Ada Nowhere", handedness="right")
        session = store.create_session("insoles", analysis_version=1, player_id=player)
        store.append(session, packets(10))
        store.put_events(session, [event_row(session, step(5), 10)])
        store.end_session(session, "stop")
    return tmp_path / "s.sqlite3"


@pytest.mark.parametrize(
    ("spoilt", "commands"),
    [
        ("sessions SET started_utc = 'x'", ("sessions", "show last", "players show Ada")),
        ("sessions SET utc_offset_min = 9e999", ("sessions", "show last")),
        ("players SET created_utc = '[]'", ("sessions",)),
        ("events SET body = '{'", ("show last",)),
        ("people_change SET value = '{'", ("players", "players show Ada")),
        ("people_change SET wall_utc_ms = x'ff'", ("players show Ada",)),
        ("people_change SET field = x'ff'", ("players", "players show Ada")),
        ("people_change SET entity_id = x'ff'", ("players", "players show Ada")),
        ("people_change SET author = x'ff'", ("players show Ada",)),
        ("players SET name = x'ff'", ("players", "players show Ada")),
        ("players SET player_id = x'ff'", ("players", "players show Ada", "sessions", "show last")),
        ("sessions SET session_id = x'ff'", ("sessions", "show last")),
        ("sessions SET source = x'ff'", ("sessions", "show last")),
        ("sessions SET end_reason = x''", ("sessions --json",)),
        ("sessions SET analysis_version = x'ff'", ("sessions --json",)),
        ("chunks SET last_ns = x'ff'", ("sessions", "show last", "doctor", "players visits Ada")),
        ("chunks SET last_ns = ''", ("sessions --json",)),
        ("chunks SET first_ns = 9e999", ("sessions --json", "show last")),
        ("chunks SET first_entry = x'ff'", ("doctor", "reanalyse", "export last --to OUT")),
        ("chunks SET entries = 1.5", ("doctor", "reanalyse")),
        ("chunks SET seq = x'ff'", ("doctor", "reanalyse", "export last --to OUT")),
        ("chunks SET seq = 9223372036854775807", ("doctor", "reanalyse")),
        ("chunks SET data = 5", ("doctor", "reanalyse", "export last --to OUT")),
        ("chunks SET data = 'text'", ("doctor", "reanalyse")),
        ("chunks SET data = CAST(x'ff' AS text)", ("doctor", "reanalyse")),
        ("events SET upto_entry = x'ff'", ("doctor",)),
        ("events SET event_id = x'ff'", ("export last --to OUT",)),
        ("people_site SET seq = x'ff'", ("players delete Ada --yes",)),
        ("people_seen SET seq = 9223372036854775807", ("players delete Ada --yes",)),
    ],
)
def test_a_value_that_was_spoilt_is_told_in_one_sentence(path, spoilt, commands):
    """A bit that turned on the disk, which SQLite does not see, or another program's."""
    with closing(sqlite3.connect(path)) as db:
        db.execute(f"UPDATE {spoilt}")
        db.commit()
    for command in commands:
        words = command.replace("OUT", str(path.with_name("out"))).split()
        result = CliRunner().invoke(main, [*words, "--store", str(path)])
        assert result.exception is None or isinstance(result.exception, SystemExit), command
        said = result.stderr.startswith("Error: ") or command == "doctor"
        assert result.exit_code == 0 or said, command
