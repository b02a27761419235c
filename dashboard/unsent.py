"""A form whose session had ended: its text is kept until it can be sent again, by who wrote it.

On the way through the sign-in page it travels with that page, encrypted; afterwards it waits here for
the page it came from, under the new session. It is never sent by itself. A form's token says whose it
was (`Viewer.form_token`), so nobody else is shown it. Passwords and codes are not kept.
"""

from __future__ import annotations

import base64
import hashlib
from collections import OrderedDict
from collections.abc import Callable, Iterable
from urllib.parse import urlsplit

import msgspec
from cryptography.fernet import Fernet, InvalidToken
from fastapi import Request
from starlette.datastructures import FormData

from dashboard.methods import allowed
from dashboard.viewers import TOKEN, Viewer, seal_of, whose
from fleet.registry.office.sitecard import CardRefused, key_of
from fleet.settings import Settings

SECRET = frozenset({"password", "again", "old", "codes", "code"})
"""Fields that are never kept; a test holds every password field of a page against it."""
LETTERS_AT_MOST = 100_000
KEPT_S = 1_800
"""Letters of a form that is kept, and how long it is [s]. A bound of ours."""
HELD_AT_MOST = 200
"""Forms held at once; of more the oldest go. A bound of ours."""
ENDED = "Your session had ended, so nothing was changed. Sign in, and what you wrote is filled in again."
ENDED_TOO_LONG = (
    "Your session had ended, so nothing was changed. What you wrote is too long to be kept here: go "
    "back in your browser and copy it, then sign in."
)
ENDED_BEFORE = "You were signed out already."


class Unsent(msgspec.Struct, frozen=True, kw_only=True):
    """A form as it was sent. page: the path (with its query) it was sent from; seal: whose it was,
    with `salt`; lacks: whether fields were left out because they are secret."""

    action: str
    page: str
    fields: tuple[tuple[str, str], ...] = ()
    salt: str = ""
    seal: str = ""
    lacks: bool = False

    def is_of(self, person: str | None) -> bool:
        """Whether this person's page made it."""
        return bool(person and self.seal) and seal_of(self.salt, person or "") == self.seal


class Stale(Exception):
    """A form of this person's, made for a session before the present one."""

    def __init__(self, unsent: Unsent) -> None:
        super().__init__("a form of an older session")
        self.unsent = unsent


def unsent_of(request: Request, form: FormData) -> Unsent | None:
    """What was sent; None where it is longer than is kept."""
    sent = [(n, v) for n, v in form.multi_items() if isinstance(v, str)]
    token = next((v for n, v in reversed(sent) if n == TOKEN), "")
    fields = tuple((n, v) for n, v in sent if n != TOKEN and n not in SECRET)
    if sum(len(n) + len(v) for n, v in fields) > LETTERS_AT_MOST:
        return None
    salt, seal = whose(token)
    return Unsent(
        action=request.url.path,
        page=_page(request),
        fields=fields,
        salt=salt,
        seal=seal,
        lacks=any(n in SECRET and v for n, v in sent),
    )


def _page(request: Request) -> str:
    """Where the form stands: the page it was sent from, else its own address, else Today."""
    try:
        came = urlsplit(request.headers.get("referer", ""))
    except ValueError:
        came = urlsplit("")
    here = came.netloc == request.headers.get("host", "")
    for path, query in ((came.path if here else "", came.query), (request.url.path, "")):
        plain = path.startswith("/") and path[1:2] not in ("/", "\\") and path.isprintable()
        if plain and not path.startswith("/sign-") and "GET" in allowed(request.app, path):
            return f"{path}?{query}"[:500] if query else path[:500]
    return "/"


class WaitingForms:
    """Where forms wait: sealed into a page for those who are not signed in, else by session."""

    def __init__(self, settings: Settings, clock: Callable[[], int]) -> None:
        self._settings = settings
        self._clock = clock
        self._box: Fernet | None = None
        self._held: OrderedDict[str, tuple[int, Unsent]] = OrderedDict()

    def _fernet(self) -> Fernet:
        """By a key of this installation, so that a restart loses nothing; else of this process."""
        if self._box is None:
            try:
                key = key_of(self._settings)
            except CardRefused:
                key = Fernet.generate_key()
            made = hashlib.sha256(b"unsent forms " + key).digest()
            self._box = Fernet(base64.urlsafe_b64encode(made))
        return self._box

    def closed(self, unsent: Unsent) -> str:
        """As text for a hidden field, that this service alone can read."""
        return self._fernet().encrypt_at_time(msgspec.json.encode(unsent), self._clock()).decode()

    def opened(self, text: str) -> Unsent | None:
        """What a hidden field holds; None where it is none of ours or too old."""
        if not text or len(text) > 8 * LETTERS_AT_MOST:
            return None
        try:
            found = self._fernet().decrypt_at_time(text.encode(), KEPT_S, self._clock())
            return msgspec.json.decode(found, type=Unsent)
        except (InvalidToken, msgspec.DecodeError, UnicodeEncodeError):
            return None

    def keep(self, session: str, unsent: Unsent) -> None:
        """Let it wait for its page under this session."""
        self._held.pop(session, None)
        self._held[session] = (self._clock() + KEPT_S, unsent)
        while len(self._held) > HELD_AT_MOST:
            self._held.popitem(last=False)

    def waiting(self, viewer: Viewer, path: str) -> Unsent | None:
        """What this viewer wrote on the page at that path and has not sent since."""
        if viewer.session is None:
            return None
        until, unsent = self._held.get(viewer.session.id, (0, None))
        if unsent is None or until <= self._clock() or not unsent.is_of(viewer.actor.person):
            return None
        return unsent if urlsplit(unsent.page).path == path else None

    def sent(self, viewer: Viewer, action: str) -> None:
        """A form with that address was sent: what waited for it is done with."""
        if viewer.session is None:
            return
        _, unsent = self._held.get(viewer.session.id, (0, None))
        if unsent is not None and unsent.action == action:
            del self._held[viewer.session.id]


def shown(fields: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """Fields that hold something to read, with their names in words."""
    return [(n.replace("_", " ").capitalize(), v) for n, v in fields if v.strip() and n != "id"]
