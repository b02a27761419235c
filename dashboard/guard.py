"""What every answer carries and every request must satisfy: headers, host, same origin, size.

The content policy is the strict one measured to let Plotly draw: the one hash is that of the empty
style element Plotly adds and fills through the object model.
"""

from __future__ import annotations

from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from dashboard.door import LOOPBACK, Door, name_of
from dashboard.problems import plain_problem

POLICY = (
    "default-src 'none'; script-src 'self'; "
    "style-src 'self' 'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='; "
    "img-src 'self' data:; connect-src 'self'; font-src 'self'; manifest-src 'self'; "
    "worker-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(self), microphone=(), geolocation=(self), payment=()",
}
HSTS = "max-age=31536000"
"""For a year this name is opened by HTTPS only; never said of a loopback name."""
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
BODY_AT_MOST = 1_000_000
"""Bytes of a request; photos come in a later part."""


class Guard:
    """Pure ASGI middleware around the whole app."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self.app = app
        self.door = door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        asked = Headers(scope=scope)
        strict = _strict(self.door, name_of(asked.get("host", "")))

        async def marked(message: Message) -> None:
            if message["type"] == "http.response.start":
                _mark(MutableHeaders(scope=message), strict)
            await send(message)

        refusal = refuse(scope["method"], scope["path"], asked, self.door)
        if refusal:
            status, detail = refusal
            await plain_problem(status, detail, scope["path"])(scope, receive, marked)
            return
        await self.app(scope, receive, marked)


def _strict(door: Door, host: str) -> bool:
    return door.secure(host) and host not in LOOPBACK and door.serves(host)


def _mark(headers: MutableHeaders, strict: bool) -> None:
    for name, value in HEADERS.items():
        headers.setdefault(name, value)
    if strict:
        headers.setdefault("strict-transport-security", HSTS)
    headers.setdefault("cache-control", "private, no-cache")


def refuse(method: str, path: str, headers: Headers, door: Door) -> tuple[int, str] | None:
    """(status, sentence) for a request that must not go on, else None. Pure."""
    host = name_of(headers.get("host", ""))
    if not door.serves(host):
        return 421, (
            "This service does not go by that name. On its own machine it is http://127.0.0.1; "
            "names it shall be opened by elsewhere are listed in the setting http_names."
        )
    length = headers.get("content-length", "0")
    if not length.isdigit() or int(length) > BODY_AT_MOST:
        return 413, f"The request is larger than {BODY_AT_MOST // 1000} kB. Send it in parts."
    if method not in SAFE:
        if "chunked" in headers.get("transfer-encoding", "").lower():
            return 411, "Say how long the request is (Content-Length) and send it again."
        if not same_origin(path, headers):
            return 403, (
                "This form was not sent from a page of this service, so nothing was changed. "
                "Open the page here and send it again."
            )
    return None


def same_origin(path: str, headers: Headers) -> bool:
    """Whether an unsafe request came from our own pages (Fetch Metadata, else Origin or Referer).

    A program that is no browser sends none of these; it may use the API with a JSON body, which
    another site's form cannot make a browser send.
    """
    site = headers.get("sec-fetch-site")
    if site is not None:
        return site in ("same-origin", "none")
    origin = headers.get("origin") or headers.get("referer")
    if origin is not None:
        return urlsplit(origin).netloc == headers.get("host", "")
    kind = headers.get("content-type", "").partition(";")[0].strip().lower()
    return path.startswith("/api/") and kind == "application/json"
