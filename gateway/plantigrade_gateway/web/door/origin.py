"""Where a request comes from and what it asks for: this machine's names, origins, security headers.

Pure functions of headers, but for this machine's addresses.
"""

import ipaddress
import re
import socket
from collections.abc import Collection, Iterable
from contextlib import closing

from starlette.types import Message, Scope, Send

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


STATIC = "/static/"
"""Where scripts and styles are; they change with the program."""
PUBLIC = (STATIC, "/sounds/")
"""What is the same for everybody and holds nothing of anybody."""
CHARTS = "/sessions"
"""Where the pages with charts are."""
API = "/api/"
"""Where programs ask, who are told in JSON."""
TOKENS = "/p/"
"""Where addresses are secret."""

_CONTENT = (
    "default-src 'self'; script-src 'self'; style-src 'self'{charts}; img-src 'self' data: blob:; "
    "connect-src 'self'; object-src 'none'; frame-ancestors 'none'; base-uri 'none'; "
    "form-action 'self'"
)
_PERMISSIONS = ", ".join(
    f"{name}=()"
    for name in ("camera", "microphone", "geolocation", "payment", "usb", "midi", "display-capture")
)
_HSTS_S = 30 * 86400  # ours: one who goes back to plain HTTP is shut out no longer than that


def content_policy(path: str) -> str:
    """Return the content security policy of a page."""
    charts = path == CHARTS or path.startswith(CHARTS + "/")
    return _CONTENT.format(charts=" 'unsafe-inline'" if charts else "")


def headers_for(scope: Scope) -> dict[str, str]:
    """Return what every response to a request carries, by lower-case name."""
    path: str = scope["path"]
    found = {
        "content-security-policy": content_policy(path),
        "x-content-type-options": "nosniff",
        # Under no-referrer a browser writes "Origin: null" on our own forms (Fetch, "append a
        # request Origin header"); same-origin tells other sites as little. Pages with a secret
        # address have no form.
        "referrer-policy": "no-referrer" if path.startswith(TOKENS) else "same-origin",
        "permissions-policy": _PERMISSIONS,
        "cross-origin-resource-policy": "same-origin",
        "x-frame-options": "DENY",  # for browsers older than frame-ancestors
    }
    if not path.startswith(PUBLIC):
        found["cache-control"] = "no-store"
    elif path.startswith(STATIC):
        # Else a browser keeps scripts as long as it likes, and after an update runs old and new
        # ones together: it asks each time, by the ETag, and is answered in a few bytes.
        found["cache-control"] = "no-cache"
    if scope["scheme"] == "https":
        found["strict-transport-security"] = f"max-age={_HSTS_S}"
    if scope["scheme"] == "https" or _is_loopback(scope):
        # Elsewhere browsers leave it out of account, and complain of it.
        found["cross-origin-opener-policy"] = "same-origin"
    return found


def _is_loopback(scope: Scope) -> bool:
    return any(asked_name(host) in LOOPBACK for host in values(scope["headers"], b"host"))


def with_headers(scope: Scope, send: Send) -> Send:
    """Return a `send` that puts the headers on the response, in place of any of the same name."""
    ours = [(name.encode(), value.encode()) for name, value in headers_for(scope).items()]
    names = {name for name, _ in ours} | {b"server", b"x-powered-by"}

    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            kept = [(k, v) for k, v in message.get("headers", ()) if k.lower() not in names]
            message = {**message, "headers": kept + ours}
        await send(message)

    return sending
