"""The security headers of every response.

No page has a script or style in itself, so that none can be smuggled in with a name or a note; the
desk's charts (Bokeh) write styles and nothing else, and only there that is allowed.
"""

from starlette.types import Message, Scope, Send

from plantigrade_gateway.web.door.origin import LOOPBACK, asked_name, values

PUBLIC = ("/static/", "/sounds/")
"""What is the same for everybody and holds nothing of anybody."""
CHARTS = "/sessions"
"""Where the pages with charts are."""
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
