"""Whose request it is: the name it asked for, and the page it came from. Pure.

A browser adds our cookies to what any page sends us, and lets the owner of a name point it at this
machine (DNS rebinding). So a request counts only under a name that is ours, and one that changes
something, or opens a WebSocket, only from a page of ours.
"""

import ipaddress
import re
from collections.abc import Collection, Iterable

from starlette.types import Scope

LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})
_HOST = re.compile(r"(\[[0-9a-f:.]+\]|[a-z0-9._-]+)(?::[0-9]{1,5})?", re.ASCII)
_OURS = ("same-origin", "none")  # none: typed, or from a bookmark


def values(headers: Iterable[tuple[bytes, bytes]], name: bytes) -> list[str]:
    """Return every value of a header, in order."""
    return [value.decode("latin-1") for key, value in headers if key.lower() == name]


def asked_name(host: str) -> str | None:
    """Return the bare name in a Host header, lower case; None where it is not one.

    Parameters
    ----------
    host : str
        Such as ``bay-1.local:8765`` or ``[fe80::1]:8765``.
    """
    match = _HOST.fullmatch(host.lower())
    return match[1].strip("[]").rstrip(".") if match else None


def is_known(name: str, names: Collection[str], *, any_address: bool) -> bool:
    """Whether a name is ours.

    Parameters
    ----------
    name : str
        As `asked_name` gives it.
    names : collection of str
        Our own names and addresses.
    any_address : bool
        Take every plain IP address too: nobody can point one of those elsewhere, and a machine has
        more of them than it knows (behind a router, in a container).
    """
    return name in names or (any_address and _is_address(name))


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def is_from_own_page(scope: Scope) -> bool:
    """Whether a page of ours sent a request: by ``Origin``, else by ``Sec-Fetch-Site``.

    Programs other than browsers send neither; they are refused, for nothing of ours is one.
    """
    origins = values(scope["headers"], b"origin")
    sites = values(scope["headers"], b"sec-fetch-site")
    if any(site != "same-origin" for site in sites):
        return False
    if not origins:
        return bool(sites) and scope["type"] == "http"
    return origins == [own_origin(scope)]


def own_origin(scope: Scope) -> str:
    """Return the origin of the page that the request asks for."""
    scheme = "https" if scope["scheme"] in ("https", "wss") else "http"
    hosts = values(scope["headers"], b"host")
    return f"{scheme}://{hosts[0].lower() if hosts else ''}"


def may_look(scope: Scope) -> bool:
    """Whether a look at something is ours, or another site's link to a whole page of ours.

    As a "resource isolation policy" does (W3C, Fetch Metadata Request Headers); a browser that
    sends no such headers is held off by the other rules alone.
    """
    headers = scope["headers"]
    if all(site in _OURS for site in values(headers, b"sec-fetch-site")):
        return True
    opened = values(headers, b"sec-fetch-mode"), values(headers, b"sec-fetch-dest")
    return scope["type"] == "http" and opened == (["navigate"], ["document"])
