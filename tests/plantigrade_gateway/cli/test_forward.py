"""The command outbox: what waits, what was set aside, and what is sent again or dropped."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from tests.support.records import packets, step

from plantigrade_gateway.analysis.eventrow import event_row
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.forward import check as lookedat
from plantigrade_gateway.forward import removal
from plantigrade_gateway.forward import verify as verified
from plantigrade_gateway.forward.check import Finding
from plantigrade_gateway.forward.verify import Comparison, KindFound
from plantigrade_gateway.people.assigned import assign
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.sinks import MQTT, TSDB
from plantigrade_gateway.store import forwardstate
from plantigrade_gateway.store.forwardstate import ForwardState, SinkState
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.sessions import find
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


def test_a_session_whose_player_took_back_consent_is_not_sent_again(store):
    with Store.open(store) as opened, Register(opened) as register:
        player = register.add(name="Ada Nowhere", handedness="right")
        (session,) = opened.sessions()
        opened.end_session(session.session_id, "stop")
        assign(register, session.session_id, player)
        register.withdraw(player, "send on", "player")
    n = waiting(store, TSDB)
    result = CliRunner().invoke(main, ["outbox", "--again", "last", "--store", str(store)])
    assert result.exit_code == 2 and "consent to send on was withdrawn" in result.stderr
    assert waiting(store, TSDB) == n


def test_a_sink_that_is_no_more_is_said_to_be_and_can_be_dropped(store, says):
    with Store.open(store) as opened:
        Outbox(opened.database).configure([MQTT])
    assert says()[1].endswith(" aside, no longer configured")
    lines = says("--forget", "tsdb")
    assert lines[0] == "What waited for tsdb is dropped."
    assert [line.split(":")[0] for line in lines[1:]] == ["mqtt"]
    lines = says("--forget", "mqtt")
    assert lines[1].startswith(
        "Nothing is sent on: no gateway has run with a database or a broker set here"
    )


def test_what_was_acknowledged_and_is_held_does_not_wait(store, says):
    """After a gateway that ended well a technician is to see that nothing is left."""
    with Store.open(store) as opened:
        (depth,) = [d for d in Outbox(opened.database).depths() if d.sink == TSDB]
    n = depth.waiting
    state = SinkState(TSDB, True, None, n, n, None, depth.sent, 1, 0, 0, 0.0)
    path = forwardstate.path_for(store)
    long_ago = datetime(2026, 3, 1, tzinfo=UTC)
    forwardstate.write(path, ForwardState(long_ago, (state,)))
    assert says()[1] == (
        f"tsdb: 0 waiting, {n} sent ({n} of them kept, to be sent again if it restarts), 1 aside"
    )
    sinks = {one["sink"]: one for one in json.loads("".join(says("--json")))["sinks"]}
    assert (sinks[TSDB]["waiting"], sinks[TSDB]["held"]) == (n, n)
    assert (sinks[MQTT]["waiting"], sinks[MQTT]["held"]) == (waiting(store, MQTT), 0)
    forwardstate.write(path, ForwardState(long_ago, (replace(state, sent=7),)))  # another store's
    assert says()[1] == f"tsdb: {n} waiting, 0 sent, 1 aside"


# ---- the database, by what is found there


def asks(store: Path, *words: str, code: int = 0) -> str:
    result = CliRunner().invoke(main, ["tsdb", *words, "--store", str(store)])
    assert result.exit_code == code, result.output
    return result.stdout


@pytest.mark.parametrize(
    ("wells", "code"), [((True, None), 0), ((True, True), 0), ((True, False), 1), ((None, None), 0)]
)
def test_a_check_has_exit_code_1_when_something_is_not_well(store, monkeypatch, wells, code):
    """What could not be looked at is no fault by itself."""

    async def look(_: object) -> list[Finding]:
        return [Finding(f"thing {k}", well, f"as found {k}") for k, well in enumerate(wells)]

    monkeypatch.setattr(lookedat, "check", look)
    marks = {True: "ok", False: "FAIL", None: "-"}
    lines = asks(store, "check", code=code).splitlines()
    assert [line.split()[0] for line in lines] == [marks[well] for well in wells]
    assert all(f"thing {k}" in line and f"as found {k}" in line for k, line in enumerate(lines))
    table = json.loads(asks(store, "check", "--json", code=code))
    assert table["schema"] == 1
    assert [one["well"] for one in table["checks"]] == list(wells)


def compared(**found: Any) -> Comparison:
    kinds = (
        KindFound("step", 12, 12, 48, 1, 2, 3, 4),
        KindFound("load", why_not="none were sent"),
    )
    return Comparison(48, **{"missing": 0, "different": 0, "extra": 0, **found}, kinds=kinds)


def test_a_session_that_is_whole_in_the_database_is_said_kind_by_kind(store, monkeypatch):
    asked: list[str] = []

    async def compare(_: object, opened: Store, session: str) -> Comparison:
        asked.append(session)
        return compared(older=0, first=None)

    monkeypatch.setattr(verified, "verify", compare)
    assert asks(store, "verify", "5e").splitlines() == [
        "step:    12 stored, 12 in the database; of 48 points 1 missing, 2 different, 3 twice, "
        "4 that the store does not have",
        "load:    none were sent",
    ]
    assert asked == ["5e"]
    table = json.loads(asks(store, "verify", "5e", "--json"))
    assert (table["schema"], table["expected"], table["kinds"][0]["missing"]) == (1, 48, 1)


def test_one_that_is_not_says_what_is_first_and_how_to_send_it_again(store, monkeypatch):
    async def compare(*_: object) -> Comparison:
        return compared(missing=1, older=7, first="step 3")

    monkeypatch.setattr(verified, "verify", compare)
    first = ["7 points of earlier revisions, which no longer count", "first: step 3"]
    assert asks(store, "verify", "last", code=1).splitlines()[2:] == [
        *first,
        "The session has not ended: what was sent while this was read, or waits, differs. "
        "Compare again when it has.",
    ]
    with Store.open(store) as opened:
        opened.end_session(find(opened, "last").session_id, "stop")
    n = waiting(store, TSDB)
    assert asks(store, "verify", "last", code=1).splitlines()[2:] == [
        *first,
        f"{n} rows wait to be sent: compare again when plantigrade outbox shows none.",
    ]
    with Store.open(store) as opened:
        box = Outbox(opened.database)
        box.done(TSDB, box.waiting(TSDB, 0, 1000)[-1].seq, n)
    assert asks(store, "verify", "last", code=1).splitlines()[2:] == [
        *first,
        "To send them again: plantigrade outbox --again last",
    ]
    assert json.loads(asks(store, "verify", "last", "--json", code=1))["missing"] == 1


@pytest.mark.parametrize(
    ("words", "asked", "said"),
    [
        (("--player", "a1"), ("player", "a1"), "3 series of player a1 are deleted"),
        (("--session", "5e"), ("session", "5e"), "3 series of session 5e are deleted"),
        (
            ("--moved", "5e"),
            ("moved", "5e"),
            "3 series of session 5e that were sent for another player are deleted",
        ),
    ],
)
def test_what_is_to_be_deleted_there_is_named(store, monkeypatch, words, asked, said):
    told: list[tuple[str, str]] = []

    async def remove(_: object, opened: Store, tag: str, ident: str) -> int:
        told.append((tag, ident))
        return 3

    async def remove_former(_: object, opened: Store, ident: str) -> int:
        told.append(("moved", ident))
        return 3

    monkeypatch.setattr(removal, "remove", remove)
    monkeypatch.setattr(removal, "remove_former", remove_former)
    assert asks(store, "delete", *words) == f"{said} from the database.\n"
    assert told == [asked]
    for given in ((), ("--player", "a1", "--session", "5e")):
        result = CliRunner().invoke(main, ["tsdb", "delete", *given, "--store", str(store)])
        assert result.exit_code == 2
        assert "name one of --player, --session and --moved" in result.stderr
    assert len(told) == 1
