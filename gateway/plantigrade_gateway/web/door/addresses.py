"""How other devices find this machine: its address in the local network, and its names."""

import ipaddress
import socket
from contextlib import closing

_ELSEWHERE = ("192.0.2.1", 9)  # an address for documentation (RFC 5737): nothing is sent there


def lan_address() -> str | None:
    """Return the IPv4 address under which the local network knows this machine, or None."""
    with closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as probe:
        try:
            probe.connect(_ELSEWHERE)  # of a datagram socket: only chooses the way out
            found = [probe.getsockname()[0]]
        except OSError:  # no way out, such as a hotspot without the internet
            found = _own_addresses()
    usable = [text for text in found if not ipaddress.ip_address(text).is_loopback]
    return usable[0] if usable else None


def _own_addresses() -> list[str]:
    try:
        rows = socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET, socket.SOCK_DGRAM)
    except OSError:
        return []
    return [str(row[4][0]) for row in rows]


def own_names() -> tuple[str, ...]:
    """Return the names of this machine, lower case: its own, and that of multicast DNS."""
    name = socket.gethostname().lower().rstrip(".")
    bare = name.partition(".")[0]
    return (name, bare, f"{bare}.local") if bare else ()
