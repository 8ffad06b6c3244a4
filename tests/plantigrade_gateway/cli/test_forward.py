"""The command outbox: what waits, what was set aside, and what is sent again or dropped."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from tests.support.records import packets, step

from plantigrade_gateway.analysis.eventrow import event_row
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.sinks import MQTT, TSDB
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.store import Store

Says = Callable[..., list[str]]


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A store with a session of two steps for two sinks; the first of them one would not take."""
    path = tmp_path / "s.sqlite3"
    with Store.open(path) as made:
        box = Outbox(made.database)
        box.configure([TSDB, MQTT])
        session = made.create_session("test", analysis_version=1)
        made.append(session, packets(10))
        made.write(session, [], [event_row(session, step(at), 10) for at in (100, 200)])
        first = next(item for item in box.waiting(TSDB, 0, 100) if item.kind == "step")
        box.add_dead_letter(TSDB, first, "400: field type conflict")
    return path


@pytest.fixture
def says(store: Path) -> Says:
    def made(*options: str) -> list[str]:
        result = CliRunner().invoke(main, ["outbox", *options, "--store", str(store)])
        assert result.exit_code == 0, result.output
        return result.stdout.splitlines()

    return made


def waiting(store: Path, sink: str) -> int:
    with Store.open(store, read_only=True) as opened:
        box = Outbox(opened.database)
        return len(box.waiting(sink, box.place(sink), 1000))


def test_what_waits_and_what_was_set_aside_is_listed(store, says):
    n = waiting(store, MQTT)
    lines = says()
    assert lines[:2] == [
        f"mqtt: {n} waiting, 0 sent, 0 aside",
        f"tsdb: {n} waiting, 0 sent, 1 aside",
    ]
    assert lines[2].startswith("set aside for tsdb: step ")
    assert lines[2].endswith(": 400: field type conflict") and len(lines) == 3
    table = json.loads("\n".join(says("--json")))
    assert [(one["sink"], one["waiting"], one["aside"]) for one in table["sinks"]] == [
        ("mqtt", n, 0),
        ("tsdb", n, 1),
    ]
    (aside,) = table["aside"]
    assert (aside["sink"], aside["kind"], aside["reason"]) == (
        "tsdb",
        "step",
        "400: field type conflict",
    )


def test_what_was_set_aside_is_sent_again(store, says):
    n = waiting(store, TSDB)
    lines = says("--retry")
    assert lines[0] == "Sent again: 1 row."
    assert lines[-1] == f"tsdb: {n + 1} waiting, 0 sent, 0 aside"
    assert says() == lines[1:]


def test_an_empty_name_is_no_sink(store):
    result = CliRunner().invoke(main, ["outbox", "--forget", "", "--store", str(store)])
    assert result.exit_code == 2
    assert "nothing waits for '', expected" in result.stderr


def test_a_session_is_sent_again(store, says):
    n = waiting(store, TSDB)
    lines = says("--again", "last")
    more = int(lines[0].removeprefix("Sent again: ").removesuffix(" rows."))
    assert more >= 2 and f"tsdb: {n + more} waiting, 0 sent, 1 aside" in lines


def test_a_sink_that_is_no_more_is_said_to_be_and_can_be_dropped(store, says):
    with Store.open(store) as opened:
        Outbox(opened.database).configure([MQTT])
    assert says()[1].endswith(" aside, no longer configured")
    lines = says("--forget", "tsdb")
    assert lines[0] == "What waited for tsdb is dropped."
    assert [line.split(":")[0] for line in lines[1:]] == ["mqtt"]
    lines = says("--forget", "mqtt")
    assert lines[1].startswith("Nothing is sent on: no database and no broker is set")
