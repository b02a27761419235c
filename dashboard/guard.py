"""What every answer carries and every request must satisfy: headers, host, same origin, size.

The content policy is the strict one measured to let Plotly draw: the one hash is that of the empty
style element Plotly adds and fills through the object model.
"""

from __future__ import annotations

from urllib.parse import unquote_to_bytes, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from dashboard.door import LOOPBACK, Door, name_of
from dashboard.problems import UNKEPT, plain_problem
from dashboard.server.crowd import Crowd
from fleet.bounds import keepable, whole_or

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
"""Bytes of a request's body, however it is sent; photos come in a later part. A bound of ours."""
TOO_LARGE = f"The request is larger than {BODY_AT_MOST // 1000} kB. Send it in parts."


class Guard:
    """Pure ASGI middleware around the whole app."""

    def __init__(self, app: ASGIApp, door: Door, crowd: Crowd) -> None:
        self.app = app
        self.door = door
        self.crowd = crowd

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
        if refusal is None and not _keepable(scope["path"], scope["query_string"]):
            refusal = 400, f"This address cannot be used. {UNKEPT}"
        peer = (scope.get("client") or ("",))[0]
        with self.crowd.asking(peer, self.door.address(peer, asked)) as room:
            if refusal is None and not room:
                refusal = 429, "Too many requests of your address are under way. Try again."
            if refusal:
                answer = plain_problem(*refusal, scope["path"])
                if refusal[0] == 429:
                    answer.headers["retry-after"] = "10"
                await answer(scope, receive, marked)
                return
            await self._measured(scope, receive, marked)

    async def _measured(self, scope: Scope, receive: Receive, send: Send) -> None:
        """The app, as long as the body does not grow beyond what is taken, whatever it said."""
        taken, begun = 0, False

        async def bounded() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            return {"type": "http.disconnect"} if taken > BODY_AT_MOST else message

        async def watched(message: Message) -> None:
            nonlocal begun
            if taken > BODY_AT_MOST and not begun:
                return  # what the app says of a body that ended too soon
            begun = begun or message["type"] == "http.response.start"
            await send(message)

        await self.app(scope, bounded, watched)
        if taken > BODY_AT_MOST and not begun:
            await plain_problem(413, TOO_LARGE, scope["path"])(scope, receive, send)


def _keepable(path: str, query: bytes) -> bool:
    """Whether what an address says can be kept: a NUL, plain or escaped, never can."""
    said = (path.encode("utf-8", "replace") + unquote_to_bytes(query)).decode("utf-8", "replace")
    return keepable(path) and keepable(said)


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
    if whole_or(headers.get("content-length", "0"), BODY_AT_MOST + 1) > BODY_AT_MOST:
        return 413, TOO_LARGE
    if method not in SAFE and not same_origin(path, headers):
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
        return _place(origin) == headers.get("host", "")
    kind = headers.get("content-type", "").partition(";")[0].strip().lower()
    return path.startswith("/api/") and kind == "application/json"


def _place(address: str) -> str:
    """Host and port in an address; '' where it is none."""
    try:
        return urlsplit(address).netloc
    except ValueError:
        return ""
