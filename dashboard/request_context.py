"""What a page or an API function is given: the services (where things are), who looks, and the Scope.

Every route says whom it is for, by `require(role)` or `ANYONE`; a test walks the routes and fails
for one that does not. A Scope comes from the viewer and from nowhere else.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import Depends, Query, Request
from jinja2 import Environment

from dashboard import unsent, viewers
from dashboard.assets import Assets
from dashboard.door import WANTS_TLS, Door, name_of
from dashboard.events import Feed
from dashboard.hashing import Hashing
from dashboard.problems import Problem
from dashboard.server.crowd import Crowd
from dashboard.throttle import Throttle
from dashboard.viewers import Viewer
from fleet.bounds import ROW_MOST
from fleet.history import History
from fleet.model import Customer, Scope, Site, Unit, UnitSummary
from fleet.registry import lists, people
from fleet.registry.base.engine import Registry
from fleet.registry.people import ROLES, Right, Role
from fleet.settings import Settings

RowNumber = Annotated[int, Query(ge=0, le=ROW_MOST)]
"""The number of a row in a query: where a list goes on."""


@dataclass(frozen=True, slots=True)
class Services:
    """Everything the pages read from; made once by `app.create_app`. clock gives UTC seconds."""

    settings: Settings
    registry: Registry
    history: History
    clock: Callable[[], int]
    assets: Assets
    templates: Environment
    feed: Feed
    door: Door
    crowd: Crowd
    hashing: Hashing
    throttle: Throttle
    unsent: unsent.WaitingForms


class NotSignedIn(Exception):
    """Nobody we know asks. no_owner: there is nobody yet who could be known."""

    def __init__(self, no_owner: bool) -> None:
        super().__init__("not signed in")
        self.no_owner = no_owner


def services_of(request: Request) -> Services:
    """The services of the app that answers this request."""
    services: Services = request.app.state.services
    return services


TheServices = Annotated[Services, Depends(services_of)]


def host_of(request: Request) -> str:
    """The name the browser asked for."""
    return name_of(request.headers.get("host", ""))


def address_of(request: Request) -> str:
    """Where the request comes from, as far as it can be trusted."""
    peer = request.client.host if request.client else ""
    return services_of(request).door.address(peer, request.headers)


def cookie_name(request: Request, what: str = "") -> str:
    """The cookie of a session (or of a share link); `__Host-` binds it to this host and TLS."""
    name = f"hourhand-{what}" if what else "hourhand"
    return f"__Host-{name}" if services_of(request).door.secure(host_of(request)) else name


def cookie_of(request: Request, what: str = "") -> str:
    """What the browser sent in that cookie; '' where nothing, or where it might be overheard."""
    if not services_of(request).door.private(host_of(request)):
        return ""
    return request.cookies.get(cookie_name(request, what), "")[:200]


def find_viewer(request: Request) -> Viewer | None:
    """Who asks: a token goes before a session, a session before a share link.

    Raises Problem where a token is shown that does not hold, or that could be overheard.
    """
    services, now, address = services_of(request), services_of(request).clock(), address_of(request)
    kind, _, secret = request.headers.get("authorization", "").partition(" ")
    if kind.lower() == "bearer":
        if not services.door.private(host_of(request)):
            raise Problem(403, WANTS_TLS)
        found = viewers.by_token(services.registry, secret.strip()[:200], address, now)
        if found is None:
            raise Problem(401, "This token is unknown, revoked or has ended: ask for a new one.")
        return found
    found = viewers.by_session(services.registry, cookie_of(request), address, now)
    if found is not None and found.session is not None and by_hand(request):
        people.note_seen(services.registry, found.session, now)
    if found is None:
        found = viewers.by_share(services.registry, cookie_of(request, "share"), address, now)
    if found is None and services.settings.demo:
        found = viewers.visitor()
    return found


def by_hand(request: Request) -> bool:
    """Whether a person did this, not a page that keeps itself fresh (which may not keep a
    session alive for ever)."""
    going = request.headers.get("sec-fetch-mode", "navigate")
    return going == "navigate" or request.method != "GET"


def viewer_of(request: Request) -> Viewer:
    """Who asks. Raises NotSignedIn, Problem."""
    found = find_viewer(request)
    if found is None:
        raise NotSignedIn(no_owner=not people.owner_exists(services_of(request).registry))
    return found


CurrentViewer = Annotated[Viewer, Depends(viewer_of)]


def scope_of(viewer: CurrentViewer) -> Scope:
    """Whose data this viewer may see."""
    return viewer.scope


CurrentScope = Annotated[Scope, Depends(scope_of)]


@dataclass(frozen=True, slots=True)
class Requirement:
    """Whom a route is for. role None: anyone at all. right: what a token needs; None: no token.

    whole: only who sees the whole fleet. person: only a signed-in person.
    """

    role: Role | None
    right: Right | None = "read"
    whole: bool = False
    person: bool = False

    def refusal(self, viewer: Viewer) -> str:
        """Why this viewer may not, in a sentence; '' where it may."""
        if viewer.kind == "token":
            if self.right is None:
                return "This is for people who sign in, not for tokens."
            if self.right not in viewer.rights:
                return f"This token has no right to {self.right}: make one that has."
        elif self.role is None or ROLES.index(viewer.role) < ROLES.index(self.role):
            return READ_ONLY.get(viewer.kind, f"This is for the {self.role} only. {ASK}")
        if self.person and viewer.kind != "person":
            return READ_ONLY.get(viewer.kind, "This is for people who sign in.")
        if self.whole and not viewer.scope.everything:
            return "Only who sees the whole fleet may see the service itself."
        return ""


ASK = "The owner can change what you may do."
READ_ONLY: dict[str, str] = {
    "demo": "The demonstration is read-only: nothing can be written down or changed here.",
    "share": "A shared link is read-only: nothing can be written down or changed with it.",
}


def require(
    role: Role, right: Right | None = "read", whole: bool = False, person: bool = False
) -> Any:
    """A dependency: only viewers of that role or more. right: what lets a token in instead."""
    asked = Requirement(role, right, whole, person)

    def held(request: Request, viewer: CurrentViewer) -> None:
        request.state.viewer = viewer
        refusal = asked.refusal(viewer)
        if refusal:
            raise Problem(403, refusal)

    return _declared(held, asked)


def _declared(call: Callable[..., None], asked: Requirement) -> Any:
    call.__dict__["requirement"] = asked
    return Depends(call)


def _anyone() -> None:
    """For everybody, signed in or not."""


ANYONE = _declared(_anyone, Requirement(None))


def note_change(request: Request, scope: CurrentScope) -> None:
    """Remember the newest change before a page is read, so that its live feed misses none."""
    services: Services = request.app.state.services
    request.state.change = lists.latest_change(services.registry, scope)


LIVE = [require("reader"), Depends(note_change)]
"""Dependencies of a page of the fleet that stays fresh by itself."""


FoundUnit = tuple[Unit, Site, Customer, UnitSummary | None]


def find_unit(services: Services, scope: Scope, unit: str) -> FoundUnit:
    """The unit, or Problem 404: what a Scope does not see does not exist."""
    found = lists.unit(services.registry, scope, unit)
    if found is None:
        raise Problem(404, "There is no unit of that id here. GET /api/units lists them.")
    return found
