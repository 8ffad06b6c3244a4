"""What listens is read from the kernel: the real desk's own address, and a made-up /proc.

The tables' form is that of proc(5), `/proc/net/tcp`: hexadecimal, address in the machine's words.
"""

import json
import os
import sys
from pathlib import Path

import pytest
from tests.support.program import Program

from plantigrade_gateway.cli.doctor import State, check_listening
from plantigrade_gateway.cli.listening import Listener, listeners
from plantigrade_gateway.store.store import Store

pytestmark = pytest.mark.skipif(sys.byteorder != "little", reason="the tables below are written so")
ALONE = "programs of this machine alone"
LOOPBACK_6 = f"{'0' * 24}01000000:21C2"  # ::1, port 8642, in four words of the machine
HEAD = "  sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid  inode"


def line(address: str, state: str, inode: int) -> str:
    rest = f"00000000:00000000 00:00000000 00000000     0        0 {inode} 1"
    return f"   0: {address} 00000000:0000 {state} {rest}"


class Proc:
    """A folder that stands for /proc."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._tables: dict[str, list[str]] = {"tcp": [], "tcp6": []}
        (folder / "net").mkdir()
        self._pid = 100

    def runs(self, words: list[str], table: str, address: str, state: str = "0A") -> None:
        """Let a process have a socket."""
        self._pid += 1
        inode = 9000 + self._pid
        self._tables[table].append(line(address, state, inode))
        for name, lines in self._tables.items():
            (self.folder / "net" / name).write_text("\n".join([HEAD, *lines]) + "\n")
        home = self.folder / str(self._pid)
        (home / "fd").mkdir(parents=True)
        (home / "cmdline").write_bytes("\0".join(words).encode() + b"\0")
        (home / "fd" / "3").symlink_to(f"socket:[{inode}]")
        (home / "fd" / "4").symlink_to("/dev/null")


def pages(lan: bool) -> list[str]:
    start = {"host": "127.0.0.1", "port": "0", "store": "s.sqlite3", "lan": lan}
    return ["/usr/bin/python", "-m", "plantigrade_gateway.web", json.dumps(start)]


def test_each_listener_has_its_name_and_who_may_reach_it(tmp_path):
    proc = Proc(tmp_path)
    proc.runs(pages(lan=False), "tcp", "0100007F:21C2")  # 127.0.0.1, port 8642
    proc.runs(pages(lan=True), "tcp", "00000000:21C3")
    proc.runs(["python", "/x/plantigrade", "hub", "serve"], "tcp6", f"{'0' * 32}:01BB")
    proc.runs(["python", "/x/plantigrade", "nonsense"], "tcp", "0200A8C0:1F90")
    proc.runs(
        ["python", "/x/plantigrade", "run"], "tcp", "0100007F:1388", state="01"
    )  # no listener
    proc.runs(["nginx"], "tcp", "00000000:0050")
    found = listeners(tmp_path)
    assert found is not None
    assert {one.address: (one.what, one.who) for one in found} == {
        "127.0.0.1:8642": (
            "pages (live, stored sessions)",
            "programs of this machine alone",
        ),
        "0.0.0.0:8643": (
            "pages (live, stored sessions)",
            "this network: who signs in with the password, or has a player's link",
        ),
        "[::]:443": (
            "hub",
            "this network: bays with a credential, and who signs in at the desk",
        ),
        "192.168.0.2:8080": (None, "whoever reaches this machine"),
    }


@pytest.mark.parametrize(
    ("words", "what", "who"),
    [
        # its desk is this machine's; bays come with a credential, from this machine or by a proxy
        (
            ["python", "/x/plantigrade", "hub", "serve"],
            "hub",
            f"{ALONE}, and bays or a proxy on it with their credential",
        ),
        (
            ["python", "-m", "plantigrade_gateway", "hub", "--store", "s.sqlite3", "serve"],
            "hub",
            f"{ALONE}, and bays or a proxy on it with their credential",
        ),
        (pages(lan=True), "pages (live, stored sessions)", ALONE),
        (
            ["python", "-m", "plantigrade_gateway.virtual.process", "{}"],
            "the radio of virtual insoles",
            ALONE,
        ),
        (
            ["/x/plantigrade", "simulate"],
            "the radio of virtual insoles",
            ALONE,
        ),
        (
            ["python", "-m", "plantigrade_gateway", "simulate", "--seed", "3"],
            "the radio of virtual insoles",
            ALONE,
        ),
        # a word of an option's value names nothing
        (["python", "/x/plantigrade", "run", "--pair", "x", "simulate"], None, ALONE),
        (["python", "/x/plantigrade", "hub", "bays"], None, ALONE),
        (["python", "/x/plantigrade", "run", "serve"], None, ALONE),
    ],
)
@pytest.mark.parametrize(("table", "address"), [("tcp", "0100007F:21C2"), ("tcp6", LOOPBACK_6)])
def test_on_this_machine_alone_each_is_named_with_who_gets_in(
    tmp_path, words, what, who, table, address
):
    proc = Proc(tmp_path)
    proc.runs(words, table, address)
    (found,) = listeners(tmp_path) or []
    assert found.address == ("127.0.0.1:8642" if table == "tcp" else "[::1]:8642")
    assert (found.what, found.who) == (what, who)


def test_a_system_that_does_not_tell_is_said_and_a_stranger_is_a_warning(tmp_path):
    assert listeners(tmp_path) is None
    (silent,) = check_listening(lambda: None)
    (nothing,) = check_listening(list)
    assert "does not tell" in silent.found and "nothing" in nothing.found
    known = Listener("127.0.0.1:1", "hub", "programs of this machine alone")
    one, other = check_listening(lambda: [known, Listener("0.0.0.0:2", None, "all")])
    assert (one.state, other.state) == (State.OK, State.WARN)
    assert "0.0.0.0:2" in other.found and other.advice


@pytest.mark.dear
def test_the_desk_is_found_where_it_says_that_it_is(tmp_path):
    path = tmp_path / "store.sqlite3"
    Store.open(path).close()
    program = Program(["desk", "--port", "0", "--store", str(path)])
    try:
        address = program.url().removeprefix("http://").rstrip("/")
        found = listeners()
        assert found is not None
        (mine,) = (one for one in found if one.address == address)
        assert mine.what == "pages (live, stored sessions)"
        assert mine.who == "programs of this machine alone"
    finally:
        program.stop()
    after = listeners()
    assert after is not None and address not in {one.address for one in after}
    assert os.path.exists("/proc/net/tcp")
