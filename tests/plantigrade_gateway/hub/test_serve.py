"""The program: served on a port, killed between a piece's object and its row, ended."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx2
import pytest
from tests.support import certificates
from tests.support.hub import end_of, head_of, pieces_of, put_piece
from tests.support.waiting import HANG_S

from plantigrade_gateway.child import AtWork
from plantigrade_gateway.hub.deletions import Deletions
from plantigrade_gateway.hub.names import alone
from plantigrade_gateway.people.deletion import delete_player
from plantigrade_gateway.people.players import Register
from plantigrade_gateway.people.tables import engine_for
from plantigrade_gateway.record.entries import SESSION, Batch, Entry, Kind
from plantigrade_gateway.record.packing import pack
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.dear
ID = "0123456789abcdef" * 2
URL = f"/bay/v1/sessions/{ID}"
PIECES = [pack(Batch.of([Entry(k * 10**9, SESSION, Kind.MARK, b"m%d" % k)])) for k in range(4)]
MAIN = "from plantigrade_gateway.cli.main import main; main()"
DIES = """
import os, signal
from plantigrade_gateway.hub.objects import Objects
put = Objects.put
def dies(self, name, data):
    put(self, name, data)
    if {when}:
        os.kill(os.getpid(), signal.SIGKILL)
Objects.put = dies
"""


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", MAIN, "hub", *arguments], capture_output=True, text=True, check=False
    )


def added(data: Path, name: str = "one") -> str:
    told = run("bay", "add", name, "--data", str(data))
    assert told.returncode == 0, told.stderr
    return told.stdout.strip()


@contextmanager
def hub(data: Path, first: str = "", *more: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """Run the program; give it and where it is."""
    command = [sys.executable, "-c", first + MAIN, "hub", "serve", "--data", str(data)]
    process = subprocess.Popen(
        [*command, "--port", "0", *more], stdout=subprocess.PIPE, text=True, start_new_session=True
    )
    assert process.stdout is not None
    try:
        line = next((line for line in process.stdout if line.startswith("Hub: ")), "")
        assert line, "it has ended"
        yield process, line.split()[1].rstrip("/")
    finally:
        process.kill()
        process.wait(HANG_S)
        process.stdout.close()


@contextmanager
def asked(url: str, token: str) -> Iterator[httpx2.Client]:
    headers = {"Authorization": f"Bearer {token}"}
    with httpx2.Client(base_url=url, headers=headers, timeout=HANG_S) as client:
        yield client


def waited(condition) -> None:
    end_s = time.monotonic() + HANG_S
    while not condition():
        assert time.monotonic() < end_s
        time.sleep(0.1)


@pytest.mark.slow
def test_a_piece_that_was_acknowledged_stands_every_kill(tmp_path):
    """Killed between object and row: the piece is not acknowledged, and sent again it is taken.

    Killed between the replay file and the row that says so: the end is sent again.
    """
    token = added(tmp_path)
    with (
        hub(tmp_path, DIES.format(when="'/1.' in name")) as (process, url),
        asked(url, token) as bay,
    ):
        assert bay.put(URL, json=head_of(ID)).status_code == 200
        assert put_piece(bay, ID, 0, PIECES[0]).status_code == 200
        with pytest.raises(httpx2.TransportError):
            put_piece(bay, ID, 1, PIECES[1])
        assert process.wait(HANG_S) == -signal.SIGKILL
    assert len(list((tmp_path / "objects" / "pieces" / ID).iterdir())) == 2
    with (
        hub(tmp_path, DIES.format(when="name.endswith('.pgr')")) as (process, url),
        asked(url, token) as bay,
    ):
        assert bay.get(URL).json()["pieces"] == 1
        for number in range(1, 4):
            assert put_piece(bay, ID, number, PIECES[number]).json()["pieces"] == number + 1
        with pytest.raises(httpx2.TransportError):
            bay.post(f"{URL}/end", json=end_of(PIECES))
    with hub(tmp_path) as (process, url), asked(url, token) as bay:
        assert bay.get(URL).json() == {
            **{"pieces": 4, "is_whole": False, "is_deleted": False},
            "together": 64,
        }
        assert bay.post(f"{URL}/end", json=end_of(PIECES)).json()["is_whole"]

        def is_there() -> bool:
            with Store.open(tmp_path / "hub.sqlite3", read_only=True) as store:
                return [s.state for s in store.sessions()] == ["ended"]

        waited(is_there)
        with Store.open(tmp_path / "hub.sqlite3", read_only=True) as store:
            assert pieces_of(store, ID) == PIECES
        assert bay.get(f"/sessions/{ID}").status_code == 200  # the desk shows it
        assert run("bay", "withdraw", "one", "--data", str(tmp_path)).returncode == 0
        assert bay.get(URL).status_code == 401  # at once, though another program did it
        os.kill(process.pid, signal.SIGTERM)
        assert process.wait(HANG_S) == 0


@pytest.mark.slow
def is_kept(data: Path) -> bool:
    """Whether a process holds the working store; asked with what it would be held by."""
    try:
        with alone(data):
            return False
    except AtWork:
        return True


@pytest.mark.slow
def test_one_process_at_a_time_keeps_a_working_store(tmp_path):
    """Of a hub that was killed the keeper lives on for a while; a second hub is a mistake."""
    token = added(tmp_path)
    with hub(tmp_path) as (_, url), asked(url, token) as bay:
        assert bay.put(URL, json=head_of(ID)).status_code == 200
        waited(lambda: is_kept(tmp_path))
        told = run("rebuild", "--data", str(tmp_path))
        assert told.returncode == 2
        assert told.stderr == f"Error: hub {tmp_path}/hub.sqlite3: is at work; stop it first\n"
        with hub(tmp_path) as (second, _):
            assert second.stdout is not None
            assert "another hub keeps it" in second.stdout.readline()
        for number, piece in enumerate(PIECES):
            assert put_piece(bay, ID, number, piece).status_code == 200
        assert bay.post(f"{URL}/end", json=end_of(PIECES)).status_code == 200
    with hub(tmp_path), Store.open(tmp_path / "hub.sqlite3", read_only=True) as store:
        waited(lambda: [one.state for one in store.sessions()] == ["ended"])
        assert pieces_of(store, ID) == PIECES


def test_beyond_this_machine_it_is_tls_and_a_sign_in_or_nothing(tmp_path):
    told = run("serve", "--data", str(tmp_path / "a"), "--host", "0.0.0.0", "--port", "0")
    assert told.returncode == 2 and "--tls-cert" in told.stderr
    cert, key = certificates.made(tmp_path)
    tls = ("--host", "0.0.0.0", "--tls-cert", str(cert), "--tls-key", str(key))
    told = run("serve", "--data", str(tmp_path / "b"), *tls, "--port", "0")
    assert told.returncode == 2 and "password" in told.stderr
    secret = tmp_path / "password"
    secret.write_text("heel midfoot toes\n")
    secret.chmod(0o600)
    with hub(tmp_path / "b", "", *tls, "--password-file", str(secret)) as (_, url):
        port = url.rsplit(":", 1)[1]
        with httpx2.Client(
            timeout=HANG_S, verify=False, base_url=f"https://127.0.0.1:{port}"
        ) as browser:
            assert browser.get("/players").status_code == 401
            assert browser.get(URL).status_code == 401
        with pytest.raises(httpx2.TransportError):
            httpx2.get(f"http://127.0.0.1:{port}/players", timeout=HANG_S)


@pytest.mark.slow
def test_a_forgotten_bay_is_in_no_list_and_what_waits_for_it_no_longer_is_said(tmp_path):
    data = ("--data", str(tmp_path))
    for name in ("one", "two"):
        added(tmp_path, name)
    with Store.open(tmp_path / "hub.sqlite3") as opened, Register(opened) as register:
        player = register.add(name="Ann", handedness="left")
        delete_player(register, player)
        engine = engine_for(opened.path)
        Deletions(engine).ask([player])
        engine.dispose()
    told = run("bay", "forget", "one", *data)
    assert told.returncode == 2 and "is not withdrawn" in told.stderr
    assert run("bay", "withdraw", "one", *data).returncode == 0
    told = run("bay", "forget", "one", *data)
    assert told.returncode == 0, told.stderr
    assert told.stdout.splitlines() == [
        "Bay one is forgotten; what it handed over and said stays.",
        f"The deletion of player {player} waits for it no longer: if the machine is there, delete "
        "the player on it yourself.",
    ]
    assert [line[:4] for line in run("bay", "list", *data).stdout.splitlines()] == ["two:"]
    first, *waits = run("deletions", *data).stdout.splitlines()
    assert first == f"player {player}"
    assert sorted(line[: line.index("2")].strip() for line in waits) == [
        *("archive: waited for since", "bay one: forgotten,", "bay two: waited for since"),
    ]


@pytest.mark.slow
def test_the_commands_say_what_there_is(tmp_path):
    data = ("--data", str(tmp_path))
    assert "No bay yet" in run("bay", "list", *data).stdout
    token = added(tmp_path)
    assert token.startswith("one.")
    assert "never here" in run("bay", "list", *data).stdout
    assert "No player was deleted" in run("deletions", *data).stdout
    for wrong in (("bay", "add", "one"), ("bay", "add", "../x"), ("bay", "withdraw", "two")):
        told = run(*wrong, *data)
        assert told.returncode == 2 and len(told.stderr.splitlines()) == 1
    assert run("rebuild", *data).returncode == 0
    spoilt = tmp_path / "objects" / "sessions" / ("ab" * 16)
    spoilt.mkdir(parents=True)
    (spoilt / "head.json").write_bytes(b"other")
    found = run("rebuild", *data)
    assert found.returncode == 1 and "Traceback" not in found.stderr
    first, last = found.stdout.splitlines()
    assert first.startswith(f"Session abababab: object sessions/{'ab' * 16}/head.json: is not what")
    assert last == "Sessions with something spoilt: 1; all others are made again."
