"""The queries and the deletion of the notes, as they stand there, against the real database."""

import asyncio
import dataclasses
import re
import subprocess
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx2
import pytest
from click.testing import CliRunner
from tests.support.bay import Bay
from tests.support.records import packets, step, swing
from tests.support.servers import Victoria
from tests.support.waiting import HANG_S

from plantigrade_gateway.analysis.eventrow import Measured, event_row
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.forward.verify import verify
from plantigrade_gateway.people.deletion import Receipt, keep
from plantigrade_gateway.sinks import TSDB
from plantigrade_gateway.store import handedover
from plantigrade_gateway.store.enqueue import Point

pytestmark = pytest.mark.dear

NOTES = (Path(__file__).resolve().parents[3] / "hardware_notes" / "tsdb_schema.md").read_text()
CURRENT, LAST, COUNT = re.findall(r"```metricsql\n(.*?)\n```", NOTES)
(DELETE,) = re.findall(r"```shell\n(.*?)\n```", NOTES)


@pytest.fixture
def bay(tmp_path, victoria) -> Iterator[Bay]:
    made = Bay(tmp_path, {"PLANTIGRADE_TSDB_URL": victoria.url, "PLANTIGRADE_TSDB_HOLD_S": "0.2"})
    yield made
    made.store.close()


def asked(victoria: Victoria, query: str, session: str = "") -> dict[str, float]:
    """Ask at a minute from now (the events lie a little ahead): the value of each session."""
    victoria.series("{__name__='x'}")  # flushed
    answer = httpx2.get(
        f"{victoria.url}/api/v1/query",
        params={
            "query": query.replace("SESSION", session),
            "time": f"{time.time() + 60:.3f}",
            "nocache": "1",
        },
        timeout=HANG_S,
    ).json()
    assert answer["status"] == "success", answer
    rows: list[dict[str, Any]] = answer["data"]["result"]
    found = {row["metric"]["session"]: float(row["value"][1]) for row in rows}
    assert len(found) == len(rows), rows  # one series a session: no revision beside another
    return found


async def comes_to(
    expected: dict[str, float], victoria: Victoria, query: str, session: str
) -> None:
    """Wait for an answer: a query that was asked before learns of a new series seconds later."""
    end = time.monotonic() + HANG_S
    while (found := asked(victoria, query, session)) != expected and time.monotonic() < end:
        await asyncio.sleep(0.3)
    assert found == expected


def again(bay: Bay, *events: Measured) -> None:
    rows = [event_row(bay.session, event, 10) for event in events]
    bay.store.replace_events(bay.session, rows, analysis_version=2)


async def test_the_current_revision_is_one_line_and_its_points_another(bay, victoria):
    other = bay.store.create_session("insoles", analysis_version=1)
    bay.store.append(other, packets(10))
    bay.store.write(other, [], [event_row(other, swing(700), 10)])
    bay.put(step(512), swing(700), swing(800))
    async with bay.forwarding():
        await bay.sent(TSDB)
        await comes_to({bay.session: 0.0}, victoria, CURRENT, bay.session)
        await comes_to({bay.session: 2.0}, victoria, COUNT, bay.session)
        changed = dataclasses.replace(swing(700), load_tempo=1.75)  # smaller than before: 2.4
        again(bay, step(512), changed)
        await bay.sent(TSDB)
    await comes_to({bay.session: 1.0}, victoria, CURRENT, bay.session)
    await comes_to({bay.session: 1.0}, victoria, COUNT, bay.session)
    last = asked(victoria, LAST)
    assert (last[bay.session], last[other]) == (1.75, 2.4)
    found = await verify(bay.config, bay.store, bay.session)
    assert found.is_whole and found.older > 0, found


async def test_results_made_again_that_find_nothing_leave_nothing(bay, victoria):
    bay.put(swing(700))
    async with bay.forwarding():
        await bay.sent(TSDB)
        again(bay)
        await bay.sent(TSDB)
    await comes_to({bay.session: 1.0}, victoria, CURRENT, bay.session)
    await comes_to({}, victoria, COUNT, bay.session)


async def test_cues_that_were_heard_go_over_into_the_next_revision(bay, victoria):
    bay.put(swing(700))
    told = {"t_s": 7.0, "decided_s": 7.1, "delay_s": 0.0}
    bay.store.write(bay.session, [], [Point("cue", "early", 7.0, told)])
    async with bay.forwarding():
        await bay.sent(TSDB)
        again(bay, swing(900))
        await bay.sent(TSDB)
    victoria.series("{__name__='x'}")
    found = await verify(bay.config, bay.store, bay.session)
    (cue,) = [kind for kind in found.kinds if kind.kind == "cue"]
    assert (cue.stored, cue.there, cue.older) == (1, 1, 3)  # three fields
    assert found.is_whole, found


def of(victoria: Victoria, tag: str, ident: str) -> int:
    return len(victoria.series(f'{{{tag}="{ident}"}}'))


def told(command: list[str], environment: dict[str, str]) -> Any:
    """Run a command that has a loop of its own, beside the test's."""
    found: list[Any] = []
    thread = threading.Thread(
        target=lambda: found.append(CliRunner().invoke(main, command, env=environment))
    )
    thread.start()
    thread.join()
    return found[0]


async def test_a_moved_session_goes_with_its_player_whomever_it_was_sent_for(bay, victoria):
    former = bay.store.players.create("One (invented)", "right")
    now = bay.store.players.create("Two (invented)", "left")
    moved, other = (
        bay.store.create_session("insoles", analysis_version=1, player_id=former) for _ in range(2)
    )
    for session in (moved, other):
        bay.store.append(session, packets(10))
        bay.store.write(session, [], [event_row(session, swing(700), 10)])
        bay.store.end_session(session, "stop")
    async with bay.forwarding():
        await bay.sent(TSDB)
        each = of(victoria, "session", moved)
        assert each > 5 and of(victoria, "player", former) == 2 * each
        environment = {"PLANTIGRADE_TSDB_URL": victoria.url}
        command = ["tsdb", "delete", "--moved", moved, "--store", str(bay.store.path)]
        assert told(command, environment).output.startswith("0 series of session")
        handedover.reassign(bay.store, moved, now)
        gone = told(command, environment)
        assert gone.output.startswith(f"{each} series of session {moved} that were sent"), gone
        assert (of(victoria, "session", moved), of(victoria, "player", former)) == (0, each)
    assert told([*command[:3], "ab" * 16, *command[4:]], environment).exit_code == 2
    handedover.reassign(bay.store, other, now)
    receipt = Receipt.of_nothing(now)
    bay.store.players.delete(now)
    keep(bay.store, replace(receipt, sessions=(other,)), is_done=True)
    gone = told(["tsdb", "delete", "--player", now, *command[4:]], environment)
    assert gone.output.startswith(f"{each} series of player {now}"), gone.output
    assert of(victoria, "session", other) == 0


@pytest.mark.parametrize("how", ["command", "line"])
async def test_what_was_deleted_here_is_deleted_there(bay, victoria, how, monkeypatch, tmp_path):
    player = bay.store.players.create("Nobody (invented)", "right")
    session = bay.store.create_session("insoles", analysis_version=1, player_id=player)
    bay.store.append(session, packets(10))
    bay.store.write(session, [], [event_row(session, swing(700), 10)])
    bay.store.end_session(session, "stop")
    bay.put(swing(700))
    async with bay.forwarding():
        await bay.sent(TSDB)
    assert of(victoria, "player", player) > 20 and of(victoria, "session", bay.session) > 20
    command = ["tsdb", "delete", "--player", player, "--store", str(bay.store.path)]
    environment = {"PLANTIGRADE_TSDB_URL": victoria.url}

    def run() -> Any:
        return told(command, environment)

    still = run()
    assert still.exit_code == 2 and "is still in the store" in still.stderr
    assert of(victoria, "player", player) > 20
    bay.store.players.delete(player)
    if how == "command":
        gone = run()
        assert gone.exit_code == 0, gone.output
        assert re.match(rf"\d\d+ series of player {player} are deleted", gone.output)
        assert run().output.startswith("0 series")
    else:
        line = DELETE.replace("URL", victoria.url).replace("ID", player)
        subprocess.run(line, shell=True, check=True, timeout=HANG_S)
    assert of(victoria, "player", player) == 0
    assert of(victoria, "session", bay.session) > 20  # nobody else's


def test_an_id_that_is_none_deletes_nothing(bay, victoria):
    for words in (
        ["--player", '.*"'],
        ["--player", ""],
        [],
        ["--player", "a", "--session", "b"],
        ["--moved", "a"],
    ):
        command = ["tsdb", "delete", *words, "--store", str(bay.store.path)]
        found = CliRunner().invoke(main, command, env={"PLANTIGRADE_TSDB_URL": victoria.url})
        assert found.exit_code == 2, found.output
