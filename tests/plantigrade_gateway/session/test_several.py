"""Several pairs at one gateway: real programs over one virtual air, end to end."""

import asyncio
import contextlib
import errno
import io
import json
import os
import re
import signal
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import aiomqtt
import jsonschema
import pytest
from click.testing import CliRunner
from rich.console import Console
from tests.support.servers import Mosquitto
from tests.support.waiting import HANG_S

from plantigrade_gateway import upkeep
from plantigrade_gateway.cli.main import main
from plantigrade_gateway.config import load
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.record.entries import INSOLE_OF, Kind
from plantigrade_gateway.report.console import console
from plantigrade_gateway.session import several
from plantigrade_gateway.session.part import Part, PartOrder
from plantigrade_gateway.session.several import _PROGRAM, Afar, PairOrder, PairProgram
from plantigrade_gateway.store import results
from plantigrade_gateway.store import status as linkstatus
from plantigrade_gateway.store.status import ServiceStatus
from plantigrade_gateway.store.store import Store
from plantigrade_gateway.wire.codec import decode
from plantigrade_gateway.wire.messages import DataPacket

try:
    from plantigrade_gateway.virtual.player import usual_pair
except ImportError:
    pytest.skip("needs the extra 'virtual'", allow_module_level=True)

NOTES = Path(__file__).resolve().parents[3] / "hardware_notes"
SCHEMA = json.loads((NOTES / "mqtt.schema.json").read_text())
PLACE = {"A": 0, "B": 1}
"""Of each pair among the virtual ones."""


class Gateway:
    """`plantigrade run` with pairs A and B, its output in a file.

    Attributes
    ----------
    process : subprocess.Popen
    """

    def __init__(self, folder: Path, *options: str, **settings: str) -> None:
        self.store = folder / "store.sqlite3"
        self._output = folder / "said"
        command = ["run", "--virtual", "--pair", "A", "--pair", "B", "--no-sound", "--port", "0"]
        with open(self._output, "wb") as output:
            self.process = subprocess.Popen(
                [sys.executable, "-c", _PROGRAM, *command, "--store", str(self.store), *options],
                stdout=output,
                stderr=subprocess.STDOUT,
                env={**os.environ, **{f"PLANTIGRADE_{k}": v for k, v in settings.items()}},
            )

    @property
    def said(self) -> str:
        """What it has said so far."""
        return self._output.read_text()

    def status(self, pair: str) -> ServiceStatus | None:
        """What a pair's program says of itself, while it runs."""
        found = linkstatus.read(linkstatus.path_for(self.store, pair))
        return found if found is not None and found.is_live else None

    def program_of(self, pair: str) -> int:
        """The process of a pair's program."""
        (found,) = [
            child
            for child in _children(self.process.pid)
            if f"--pair\0{pair}\0" in Path(f"/proc/{child}/cmdline").read_text()
        ]
        return found

    def until(self, done: Callable[[], object]) -> None:
        """Wait for something; a gateway that has ended is told of by what it said."""
        for _ in range(10 * HANG_S):
            if done():
                return
            assert self.process.poll() is None, self.said
            time.sleep(0.1)
        raise AssertionError(self.said)

    def records(self, pair: str, packets: int = 50, than: str | None = None) -> ServiceStatus:
        """Wait for so many packets of each foot in a pair's session, another `than` that one."""

        def does() -> bool:
            now = self.status(pair)
            return (
                now is not None
                and now.session_id not in (None, than)
                and now.page is not None
                and len(now.feet) == 2
                and all(foot.packets >= packets for foot in now.feet.values())
            )

        self.until(does)
        found = self.status(pair)
        assert found is not None
        return found


def _children(process: int) -> list[int]:
    return [int(k) for k in Path(f"/proc/{process}/task/{process}/children").read_text().split()]


@contextlib.contextmanager
def gateway(folder: Path, *options: str, **settings: str) -> Iterator[Gateway]:
    made = Gateway(folder, *options, **settings)
    try:
        yield made
    finally:
        if made.process.poll() is None:
            made.process.kill()
        made.process.wait(HANG_S)


def page_of(status: ServiceStatus) -> str:
    assert status.page is not None
    with urllib.request.urlopen(status.page, timeout=HANG_S) as answer:
        return str(answer.read(), "utf-8")


def serials(store: Store, session_id: str) -> set[str]:
    """Those of the insoles whose connection a record tells of."""
    return {
        json.loads(entry.data)["serial"]
        for batch in store.batches(session_id)
        for entry in batch
        if entry.kind is Kind.CONNECTED
    }


def packets(store: Store, session_id: str) -> dict[int, list[bytes]]:
    found: dict[int, list[bytes]] = {insole: [] for insole in INSOLE_OF.values()}
    for batch in store.batches(session_id):
        for entry in batch:
            if entry.kind is Kind.NOTIFICATION:
                found[entry.insole].append(entry.data)
    return found


@pytest.mark.timeout(3 * HANG_S)
@pytest.mark.slow
def test_two_pairs_two_players_and_one_that_is_killed(tmp_path):
    with Store.open(tmp_path / "store.sqlite3") as store, Register(store) as register:
        players = {
            pair: register.add(name=f"{pair} (invented)", handedness="right", mass_kg=70.0)
            for pair in PLACE
        }
    named = [f"--player={pair.lower()}={who}" for pair, who in players.items()]
    with gateway(tmp_path, *named) as running:
        before = {pair: running.records(pair) for pair in PLACE}
        for pair, status in before.items():
            assert f"Pair {pair}" in page_of(status)
        assert before["A"].page != before["B"].page
        shown = CliRunner().invoke(main, ["status", "--store", str(running.store)])
        for pair, status in before.items():
            assert f"Pair {pair} is running, page {status.page}:" in shown.output
        table = json.loads(
            CliRunner().invoke(main, ["status", "--json", "--store", str(running.store)]).output
        )
        assert [(one["pair"], one["is_live"]) for one in table["pairs"]] == [
            ("A", True),
            ("B", True),
        ]
        assert (table["running"], table["status"]) == (True, None)

        running.records("A", packets=200)  # a kill may cost the last second: 50 of each foot
        os.kill(running.program_of("A"), signal.SIGKILL)
        again = running.records("A", than=before["A"].session_id)
        assert "pair A: its program has ended (signal 9) and is begun again" in running.said
        assert again.page == before["A"].page and "Pair A" in page_of(again)
        beside = running.records("B", packets=before["B"].feet["left"].packets + 50)
        assert beside.session_id == before["B"].session_id

        running.process.send_signal(signal.SIGINT)
        assert running.process.wait(HANG_S) == 0, running.said
        said = running.said
    assert "Traceback" not in said
    for pair in PLACE:
        assert f"pair {pair}: Summary" in said
        lines = [line for line in said.splitlines() if line]
        own = [k for k, line in enumerate(lines) if line == f"pair {pair}: Summary"]
        rest = lines[own[-1] : own[-1] + 4]
        assert all(line.startswith(f"pair {pair}: ") for line in rest), rest  # in one piece
    assert re.search(r"pair B: +all of it +plantigrade show [0-9a-f]{8} ", said)

    cut_off, first_b = before["A"].session_id, before["B"].session_id
    with Store.open(running.store, read_only=True) as store:
        found = {session.session_id: session for session in store.sessions()}
        whose = {key: (one.pair, one.player_id, one.end_reason) for key, one in found.items()}
        assert whose == {
            cut_off: ("A", players["A"], "restart"),
            again.session_id: ("A", players["A"], "stop"),
            first_b: ("B", players["B"], "stop"),
        }
        sent: dict[str, set[bytes]] = {"A": set(), "B": set()}
        for session_id, session in found.items():
            own_serials = {f"{one.serial:08X}" for one in usual_pair(PLACE[session.pair])}
            assert serials(store, session_id) == own_serials
            both = packets(store, session_id)
            assert all(len(of_foot) >= 50 for of_foot in both.values())
            sent[session.pair] |= {data for of_foot in both.values() for data in of_foot}
            assert results.read(store, session_id).quality is not None  # the one cut off, too
        assert not sent["A"] & sent["B"]
        # The other's death and its new search cost this one no packet.
        for of_foot in packets(store, str(first_b)).values():
            numbers = [
                data.counter for one in of_foot if isinstance(data := decode(one), DataPacket)
            ]
            assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
    assert list(tmp_path.glob("*-recording-*")) == []


@pytest.mark.timeout(3 * HANG_S)
@pytest.mark.slow
def test_no_pair_outlives_the_program_above_it(tmp_path):
    with gateway(tmp_path, "--no-page") as running:
        running.until(lambda: all(running.status(pair) is not None for pair in PLACE))
        below = [running.program_of(pair) for pair in PLACE]
        running.process.kill()
        running.process.wait(HANG_S)
        for _ in range(10 * HANG_S):
            if not any(Path(f"/proc/{one}").exists() for one in below):
                break
            time.sleep(0.1)
        assert not any(Path(f"/proc/{one}").exists() for one in below)
    with Store.open(running.store, read_only=True) as store:
        assert {session.state for session in store.sessions()} <= {"ended"}


@pytest.mark.timeout(3 * HANG_S)
@pytest.mark.slow
def test_one_program_sends_on_for_all_pairs_and_hears_orders(tmp_path):
    broker = Mosquitto(tmp_path / "broker")
    broker.start()
    told = {"SITE": "north", "BAY": "b1", "MQTT_HOST": "127.0.0.1", "MQTT_COMMANDS": "true"}
    told["MQTT_PORT"] = str(broker.port)
    got: dict[str, list[dict[str, Any]]] = {}

    async def hear(running: Gateway) -> None:
        async with aiomqtt.Client("127.0.0.1", broker.port, timeout=HANG_S) as client:
            await client.subscribe("plantigrade/v1/north/b1/#")
            ordered = False
            async with asyncio.timeout(HANG_S):
                async for message in client.messages:
                    table = json.loads(bytes(message.payload))
                    topic = message.topic.value.removeprefix("plantigrade/v1/north/b1/")
                    got.setdefault(topic, []).append(table)
                    whose = {one.get("pair") for one in got.get("live", [])}
                    if not ordered and whose == set(PLACE):
                        order = {"v": 1, "id": "1", "command": "stop", "pair": "b"}
                        topic = "plantigrade/v1/north/b1/command"
                        await client.publish(topic, json.dumps(order), 1)
                        ordered = True
                    rosters = [one["pairs"] for one in got.get("roster", [])]
                    if ordered and "pair B: Summary" in running.said and len(rosters[-1]) == 2:
                        return

    try:
        with gateway(tmp_path, "--no-page", **told) as running:
            asyncio.run(hear(running))
            assert "pair A: Summary" not in running.said
            running.process.send_signal(signal.SIGINT)
            assert running.process.wait(HANG_S) == 0, running.said
    finally:
        broker.kill()
    for topic, messages in got.items():
        if topic in ("live", "roster", "state", "command"):
            for message in messages:
                schema = {"$ref": f"#/$defs/{topic}", "$defs": SCHEMA["$defs"]}
                jsonschema.Draft202012Validator(schema).validate(message)
    assert {one["name"] for one in got["roster"][-1]["pairs"]} == set(PLACE)
    assert {one["state"] for one in got["state"]} == {"online"}  # one bay, which never went away


# What a pair's program and the one above it tell each other


def test_what_is_told_upward_never_waits():
    reading, writing = os.pipe()
    part = Part(PartOrder(live_fd=writing))
    try:
        part.tell({"type": "live", "t_s": 1.0})
        assert json.loads(os.read(reading, 4096)) == {"type": "live", "t_s": 1.0}
        part.tell({"type": "live", "text": "x" * 4096})  # more than a pipe takes whole
        assert part.dropped == 1
        for _ in range(1000):  # nobody reads: a pipe holds 64 kB
            part.tell({"type": "live", "text": "x" * 1000})
        assert part.dropped > 900
        os.close(reading)
        part.tell({"type": "live"})  # the program above has died
    finally:
        os.close(writing)


class Teller:
    """What would go to the broker."""

    def __init__(self) -> None:
        self.told: list[dict[str, Any]] = []

    def tell(self, message: dict[str, Any]) -> None:
        self.told.append(message)


def test_the_roster_is_told_of_all_pairs_in_one_and_summaries_say_whose(tmp_path):
    told = Teller()
    config = replace(load(None), values={**load(None).values, "mqtt.host": "localhost"})
    with Store.open(tmp_path / "store.sqlite3") as store:
        afar = Afar(told, config, store)
        for name in PLACE:
            pair = {"name": name, "source": "invented", "session": None, "player": None}
            afar.tell(name, {"type": "roster", "v": 1, "pairs": [pair], "unsent": []})
        afar.tell("B", {"type": "live", "t_s": 1.0})
    assert [one["name"] for one in told.told[1]["pairs"]] == ["A", "B"]
    assert told.told[2] == {"type": "live", "t_s": 1.0, "pair": "B"}


class Stdin:
    def __init__(self) -> None:
        self.lines: list[dict[str, Any]] = []

    def write(self, data: bytes) -> None:
        self.lines.append(json.loads(data))


class Running:
    def __init__(self) -> None:
        self.stdin = Stdin()


def test_an_order_from_afar_reaches_the_pair_it_is_for(tmp_path):
    with Store.open(tmp_path / "store.sqlite3") as store:
        made = {
            name: PairProgram(PairOrder(name, (), PartOrder()), store, console(), None)
            for name in PLACE
        }
        for program in made.values():
            program.tell({"type": "stop"})  # it does not run: nobody is told
            program.process = Running()  # type: ignore[assignment]
        for message in ({"type": "stop", "pair": "b"}, {"type": "record"}):
            for program in made.values():
                program.tell(message)
    heard = {
        name: [one["type"] for one in program.process.stdin.lines]  # type: ignore[union-attr]
        for name, program in made.items()
    }
    assert heard == {"A": ["record"], "B": ["stop", "record"]}


def test_a_pair_that_refuses_at_once_is_not_begun_again(tmp_path):
    order = PairOrder("A", ("--no-such-option",), PartOrder())
    heard = io.StringIO()

    async def ran(store: Store) -> int:
        program = PairProgram(order, store, Console(file=heard), None)
        async with asyncio.timeout(HANG_S):
            return await program.run(asyncio.Event())

    with Store.open(tmp_path / "store.sqlite3") as store:
        assert asyncio.run(ran(store)) == 2  # a wrong option, by POSIX's and click's custom
    assert "--no-such-option" in heard.getvalue() and "begun again" not in heard.getvalue()


async def test_a_pair_that_cannot_begin_or_floods_its_output_is_begun_again(tmp_path, monkeypatch):
    """Of a pair's program nothing ends the program above it, which has the other pairs."""
    began = asyncio.create_subprocess_exec
    tries: list[int] = []

    async def begun(*arguments: Any, **more: Any) -> asyncio.subprocess.Process:
        tries.append(len(tries))
        if len(tries) == 1:
            raise OSError(errno.EMFILE, os.strerror(errno.EMFILE))
        return await began(*arguments, **more)

    monkeypatch.setattr(asyncio, "create_subprocess_exec", begun)
    monkeypatch.setattr(several, "_PROGRAM", "print('x' * 3_000_000); print('goes on')")
    monkeypatch.setattr(upkeep.Backoff, "end", lambda _: 0.0)
    heard = io.StringIO()
    with Store.open(tmp_path / "store.sqlite3") as store:
        out = Console(file=heard, width=300)
        program = PairProgram(PairOrder("A", (), PartOrder()), store, out, None)
        async with asyncio.timeout(HANG_S):
            assert await program.run(asyncio.Event()) == 0
    said = heard.getvalue()
    assert len(tries) == 2 and "pair A: goes on" in said
    assert "Too many open files) and is begun again" in said
