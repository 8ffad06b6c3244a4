"""What is said of what listens, against the kernel's tables for the processes of real programs."""

import json
import os
import re
import time
from pathlib import Path

import pytest
from click.testing import CliRunner
from tests.support.program import running
from tests.support.servers import free_port
from tests.support.waiting import HANG_S

from plantigrade_gateway.cli.listening import listeners
from plantigrade_gateway.cli.main import main

pytestmark = pytest.mark.dear


def tree(root: int) -> set[int]:
    """A process and all below it, by their parents: the second field after the name in stat."""
    parents: dict[int, int] = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            rest = stat.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        parents[int(stat.parent.name)] = int(rest[1])
    found, new = {root}, {root}
    while new:
        new = {child for child, parent in parents.items() if parent in new} - found
        found |= new
    return found


def sockets(pids: set[int]) -> set[str]:
    """What of these processes the kernel says takes connections or datagrams, as address:port."""
    inodes = set()
    for pid in pids:
        for link in Path(f"/proc/{pid}/fd").iterdir():
            try:
                inodes |= set(re.findall(r"^socket:\[(\d+)\]$", os.readlink(link)))
            except OSError:
                continue
    found = set()
    for name, listening in (("tcp", "0A"), ("tcp6", "0A"), ("udp", "07"), ("udp6", "07")):
        for line in Path(f"/proc/net/{name}").read_text().splitlines()[1:]:
            fields = line.split()
            if fields[3] == listening and fields[9] in inodes:
                host, port = fields[1].split(":")
                address = ".".join(str(byte) for byte in reversed(bytes.fromhex(host)[:4]))
                found.add(f"{address}:{int(port, 16)}")
    return found


def told(of: set[str]) -> dict[str, tuple[str | None, str]]:
    """What is said of these addresses; all that is said of a test's own programs."""
    found = listeners()
    assert found is not None
    return {one.address: (one.what, one.who) for one in found if one.address in of}


MACHINE = "programs of this machine alone"


@pytest.mark.slow
def test_all_that_listens_of_a_running_gateway_is_listed(tmp_path):
    port = free_port()
    with running(
        *("--store", str(tmp_path / "s.sqlite3"), "run", "--virtual", "--no-sound"),
        *("--port", str(port)),
    ) as program:
        program.url()
        program.printed("right insole .*: connected")
        there = sockets(tree(program.process.pid))
        said = told(there)
        assert set(said) == there, "none is missing"
        pages = f"127.0.0.1:{port}"
        assert said.pop(pages) == ("pages (live, stored sessions)", MACHINE)
        ((radio, what),) = said.items()
        assert radio.startswith("127.0.0.1:") and what == ("the radio of virtual insoles", MACHINE)
        lines = json.loads(CliRunner().invoke(main, ["doctor", "--json"]).output)
        listed = [line["found"] for line in lines if line["name"] == "listens"]
        assert f"{pages}: pages (live, stored sessions), for {MACHINE}" in listed


@pytest.mark.slow
def test_a_page_for_the_network_and_a_hub_say_who_is_let_in(tmp_path):
    password = tmp_path / "password"
    password.write_text("a long enough password\n")
    password.chmod(0o600)
    port = free_port()
    with running(
        *("--store", str(tmp_path / "s.sqlite3"), "demo", "--no-sound", "--lan"),
        *("--password-file", str(password), "--port", str(port)),
    ) as program:
        program.url()
        there = sockets(tree(program.process.pid))
        assert there == {f"0.0.0.0:{port}"}
        who = "this network: who signs in with the password, or has a player's link"
        assert told(there) == {f"0.0.0.0:{port}": ("pages (live, stored sessions)", who)}
    port = free_port()
    with running(
        *("hub", "serve", "--data", str(tmp_path / "hub"), "--port", str(port))
    ) as program:
        end = time.monotonic() + HANG_S
        while f"127.0.0.1:{port}" not in (there := sockets(tree(program.process.pid))):
            assert program.process.poll() is None and time.monotonic() < end, program.said
            time.sleep(0.1)
        assert there == {f"127.0.0.1:{port}"}
        ((what, who),) = told(there).values()
        assert what == "hub" and who.startswith(MACHINE)
