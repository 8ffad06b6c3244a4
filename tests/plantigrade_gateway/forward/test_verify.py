"""`plantigrade tsdb verify` on a session that was live, against a real database that is damaged."""

import asyncio
import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx2
import numpy as np
import pytest
from click.testing import CliRunner
from tests.support.servers import Victoria
from tests.support.tsdb import LINKS, send_again, sent_session
from tests.support.waiting import HANG_S

from plantigrade_gateway import config
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.forward import verify as module
from plantigrade_gateway.forward.verify import KINDS, KindFound, verify
from plantigrade_gateway.store.enqueue import unpack_loads
from plantigrade_gateway.store.outbox import Outbox
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear


@pytest.fixture(scope="module")
def victoria(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Victoria]:
    """One that keeps what comes twice: nothing hides it from the comparison."""
    server = Victoria(tmp_path_factory.mktemp("vm"), dedup=False)
    server.start()
    yield server
    server.kill()


@pytest.fixture(scope="module")
def sent(tmp_path_factory: pytest.TempPathFactory, victoria: Victoria) -> tuple[Path, str]:
    """A session with everything that is sent of one: where its store is, and its id."""
    return sent_session(tmp_path_factory.mktemp("bay"), victoria)


def settings(victoria: Victoria) -> dict[str, str]:
    return {
        "PLANTIGRADE_TSDB_URL": victoria.url,
        "PLANTIGRADE_TSDB_LOADS": "true",
        "PLANTIGRADE_SITE": "north",
        "PLANTIGRADE_BAY": "b1",
    }


def compared(sent: tuple[Path, str], victoria: Victoria) -> dict[str, KindFound]:
    victoria.series("{__name__='x'}")  # flushed
    with Store.open(sent[0], read_only=True) as store:
        settled = config.load(environment=settings(victoria))
        found = asyncio.run(verify(settled, store, sent[1]))
    assert [kind.kind for kind in found.kinds] == list(KINDS)
    assert found.expected == sum(kind.expected for kind in found.kinds)
    return {kind.kind: kind for kind in found.kinds}


@pytest.mark.slow
def test_every_kind_is_there_once_as_it_is_stored(sent, victoria):
    found = compared(sent, victoria)
    assert {kind.why_not for kind in found.values()} == {None}
    assert all(kind.is_whole for kind in found.values()), found
    with Store.open(sent[0], read_only=True) as store:
        counts = store.event_counts()[sent[1]]
        values = [unpack_loads(b.data, b.rows) for b in module.loads(store, sent[1])]
    feet = [part for block in values for part in (block[:, :4], block[:, 4:])]
    rows = sum(int((~np.isnan(foot)).any(axis=1).sum()) for foot in feet)
    assert rows > 30_000
    expected = {**counts, "link": 2 * LINKS, "loads": rows, "set": 1, "session": 3}
    for kind, many in expected.items():
        assert (found[kind].stored, found[kind].there) == (many, many), kind
    assert found["cue"].there == found["cue"].stored > 10
    assert found["swing"].there >= 1 and found["step"].there > 10 and found["stand"].there >= 1


class Damage:
    """Changes what a database has of one kind, through its own interfaces; all is put back."""

    def __init__(self, victoria: Victoria, match: str) -> None:
        self._url = victoria.url
        self._match = match
        rows = victoria.series(match)
        # What was sent before the results were made again no longer counts, but for the states.
        newest = max(row["metric"].get("revision", "") for row in rows)
        self._kept = [row for row in rows if row["metric"].get("revision", "") == newest]
        self._victoria = victoria

    def _replace(self, before: list[dict[str, Any]], rows: list[dict[str, Any]]) -> None:
        for row in before:
            labels = ",".join(f'{k}="{v}"' for k, v in row["metric"].items())
            where = {"match[]": f"{{{labels}}}"}
            delete = f"{self._url}/api/v1/admin/tsdb/delete_series"
            assert httpx2.post(delete, params=where, timeout=HANG_S).status_code == 204
        lines = "\n".join(json.dumps(row) for row in rows)
        httpx2.post(f"{self._url}/api/v1/import", content=lines, timeout=HANG_S).raise_for_status()
        self._victoria.series(self._match)

    def do(self) -> list[dict[str, Any]]:
        """Change a value, take a point away, double one and add one: each of another field."""
        fields: dict[str, dict[str, Any]] = {}
        for row in sorted(self._kept, key=lambda row: json.dumps(row["metric"], sort_keys=True)):
            fields.setdefault(row["metric"]["__name__"], row)
        chosen = list(fields.values())[:3]
        changed, missing, doubled = (json.loads(json.dumps(row)) for row in chosen)
        changed["values"][0] += 1.0
        missing["values"].pop(0)
        missing["timestamps"].pop(0)
        doubled["values"] += [doubled["values"][0], 7.0]
        doubled["timestamps"] += [doubled["timestamps"][0], doubled["timestamps"][0] + 1]
        self._replace(chosen, [row for row in (changed, missing, doubled) if row["values"]])
        return chosen

    def undo(self, chosen: list[dict[str, Any]]) -> None:
        self._replace(chosen, chosen)


@pytest.mark.slow
def test_damage_to_each_kind_is_found_in_that_kind(sent, victoria):
    damaged: list[tuple[Damage, list[dict[str, Any]]]] = []
    for kind in KINDS:
        whose = 'site="north"' if kind == "link" else f'session="{sent[1]}"'
        damage = Damage(victoria, f'{{__name__=~"plantigrade_{kind}_.*",{whose}}}')
        damaged.append((damage, damage.do()))
        found = compared(sent, victoria) if kind == "step" else {}
        assert all(one.is_whole for name, one in found.items() if name != "step")
    found = compared(sent, victoria)
    for kind in KINDS:
        one = found[kind]
        told = (one.different, one.missing, one.doubled, one.extra)
        assert told == (1, 1, 1, 1), (kind, told)
        assert one.first is not None and not one.is_whole
    result = CliRunner().invoke(
        main, ["tsdb", "verify", sent[1][:8], "--store", str(sent[0])], env=settings(victoria)
    )
    assert result.exit_code == 1
    assert result.output.count("1 missing, 1 different, 1 twice, 1 that the store") == len(KINDS)
    for damage, chosen in damaged:
        damage.undo(chosen)
    found = compared(sent, victoria)
    assert all(kind.is_whole for kind in found.values()), found


def test_what_was_sent_by_a_version_without_copies_is_said_not_to_be_compared(
    sent, victoria, tmp_path
):
    other = tmp_path / "store"
    other.write_bytes(sent[0].read_bytes())
    with Store.open(other) as store, store.database.writing() as db:
        db.execute("DELETE FROM told")
    found = compared((other, sent[1]), victoria)
    not_compared = {name for name, kind in found.items() if kind.why_not == module.NO_COPY}
    assert not_compared == {"cue", "set", "session", "link", "loads"}
    assert all(kind.is_whole for kind in found.values())


def test_copies_of_link_health_are_dropped_after_a_month(tmp_path):
    body = {"packets": 5}
    now_ms = time.time_ns() // 1_000_000
    with Store.open(tmp_path / "store") as store:
        outbox = Outbox(store.database)
        for days in (40, 32, 30, 0):
            outbox.put_links("north/b1", now_ms - days * 86_400_000, {"left": body})
        left = store.database.read("SELECT time_ms FROM told ORDER BY time_ms")
    assert [round((now_ms - at) / 86_400_000) for (at,) in left] == [30, 0]


@pytest.mark.slow
def test_a_database_that_lost_a_session_gets_all_of_it_again(sent, victoria):
    for match in (f'{{session="{sent[1]}"}}', '{__name__=~"plantigrade_link_.*",site="north"}'):
        delete = f"{victoria.url}/api/v1/admin/tsdb/delete_series"
        assert httpx2.post(delete, params={"match[]": match}, timeout=HANG_S).status_code == 204
    lost = compared(sent, victoria)
    assert all(kind.missing == kind.expected > 0 for kind in lost.values()), lost
    command = ["outbox", "--again", sent[1][:8], "--store", str(sent[0])]
    result = CliRunner().invoke(main, command)
    assert result.exit_code == 0 and "s of regional loads are sent again" in result.output
    send_again(sent[0])
    end = time.monotonic() + HANG_S
    while True:  # what was deleted and comes again is found a while after it was written
        found = compared(sent, victoria)
        if all(kind.is_whole for kind in found.values()) or time.monotonic() > end:
            break
        time.sleep(0.5)
    assert all(kind.is_whole and kind.there for kind in found.values()), found
