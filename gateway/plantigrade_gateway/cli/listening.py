"""What of this program listens on the network now, and who may reach it: read from the kernel.

Looks at every process that this user may see (Linux): the table of sockets says what listens, the
processes' open files whose it is, and their command lines what they are.
"""

import socket
import sys
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from plantigrade_gateway.converter import made_from_text

PROC = Path("/proc")
_LISTENS = "0A"  # TCP_LISTEN, include/net/tcp_states.h
_MACHINE = "programs of this machine alone"
_PAGES = "plantigrade_gateway.web"
_VIRTUAL = "plantigrade_gateway.virtual.process"


@dataclass(frozen=True, slots=True)
class Listener:
    """A socket that takes connections.

    Attributes
    ----------
    address : str
        With its port, as ``127.0.0.1:8642``.
    what : str or None
        What it is; None: nothing that this program is known to have.
    who : str
        Who may reach it, and is let in.
    """

    address: str
    what: str | None
    who: str


def listeners(proc: Path = PROC) -> list[Listener] | None:
    """Return what of this program listens, by address; None where the system does not tell."""
    tables = [table for name in ("tcp", "tcp6") if (table := proc / "net" / name).exists()]
    if not tables:
        return None
    sockets = {inode: address for table in tables for inode, address in _sockets(table)}
    found = {
        _listener(words, sockets[inode])
        for words, inodes in _processes(proc)
        for inode in inodes & sockets.keys()
    }
    return sorted(found, key=lambda one: one.address)


def _sockets(table: Path) -> Iterator[tuple[str, tuple[str, int]]]:
    """Give inode and address of what listens (proc_pid_net(5): hex, in words of the machine)."""
    for line in table.read_text("ascii").splitlines()[1:]:
        fields = line.split()
        if fields[3] == _LISTENS:
            host, port = fields[1].split(":")
            yield fields[9], (_host(host), int(port, 16))


def _host(text: str) -> str:
    words = [bytes.fromhex(text[at : at + 8]) for at in range(0, len(text), 8)]
    raw = b"".join(word[::-1] if sys.byteorder == "little" else word for word in words)
    return socket.inet_ntop(socket.AF_INET if len(raw) == 4 else socket.AF_INET6, raw)


def _processes(proc: Path) -> Iterator[tuple[list[str], set[str]]]:
    """Give command line and open sockets of each process of this program."""
    for folder in proc.glob("[0-9]*"):
        with suppress(OSError):  # another user's, or gone meanwhile
            line = (folder / "cmdline").read_bytes().decode("utf-8", "replace")
            words = line.rstrip("\0").split("\0")
            if any("plantigrade" in word for word in words[:3]):
                links = (str(link.readlink()) for link in (folder / "fd").iterdir())
                yield words, {link[8:-1] for link in links if link.startswith("socket:[")}


def _listener(words: list[str], address: tuple[str, int]) -> Listener:
    host, port = address
    text = f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
    what, who = _named(words)
    if not host.startswith("127.") and host != "::1":
        return Listener(text, what, who)
    return Listener(text, what, _MACHINE if who is _STRANGERS else f"{_MACHINE}{_also(words)}")


_STRANGERS = "whoever reaches this machine"


def _also(words: list[str]) -> str:
    return ", and bays or a proxy on it with their credential" if "hub" in words else ""


def _named(words: list[str]) -> tuple[str | None, str]:
    """Return what a process listens for, and who is let in from other machines."""
    if _PAGES in words[:3]:
        from plantigrade_gateway.web.live.page import Start

        with suppress(ValueError):
            if made_from_text(Start, words[-1]).lan:
                return (
                    "pages (live, stored sessions)",
                    "this network: who signs in with the password, or has a player's link",
                )
        return "pages (live, stored sessions)", _STRANGERS
    if _VIRTUAL in words[:3] or "simulate" in words[1:5]:
        return "the radio of virtual insoles", _STRANGERS
    if "hub" in words and "serve" in words:
        return "hub", "this network: bays with a credential, and who signs in at the desk"
    return None, _STRANGERS
