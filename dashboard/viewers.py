"""Who looks: a signed-in person, a program with a token, the holder of a share link, or the demo.

Whoever it is has one role, one Scope and what may be done; every route asks for these and for
nothing else.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from dataclasses import dataclass, field
from typing import Literal

from fleet.model import EVERYTHING, Scope, Technician
from fleet.registry import people
from fleet.registry.base.engine import Registry
from fleet.registry.office import technicians
from fleet.registry.people import Actor, Right, Role, Session

Kind = Literal["person", "token", "share", "demo"]
TOKEN = "form_token"
"""The field of a form that holds its token."""
READ: frozenset[Right] = frozenset({"read"})
BOTH: frozenset[Right] = frozenset({"read", "record"})


@dataclass(frozen=True, slots=True)
class Viewer:
    """Who asks. proof: the secret shown, to look again whether it still holds."""

    kind: Kind
    role: Role
    scope: Scope
    actor: Actor
    rights: frozenset[Right] = READ
    session: Session | None = None
    proof: str = field(default="", repr=False)

    @property
    def name(self) -> str:
        """As shown on pages."""
        return self.actor.name

    @property
    def key(self) -> str:
        """What tells this viewer from others, whatever browser it uses; '' for the nameless."""
        return f"{self.kind} {self.actor.person or self.proof}" if self.proof else ""

    @property
    def form_token(self) -> str:
        """The second lock of this session's forms, another each time (so that compressing a page
        tells nothing of it), and whose they are; '' where no form may be sent."""
        if self.kind not in ("person", "share") or not self.proof:
            return ""
        salt = secrets.token_hex(8)
        return f"{salt}{_locked(salt, self.proof)}{seal_of(salt, self.actor.person or '')}"

    def sent_form(self, token: str) -> bool:
        """Whether a form's token is one of this session's."""
        if self.kind not in ("person", "share") or not self.proof:
            return False
        salt, lock = token[:16], token[16:80]
        return hmac.compare_digest(lock.encode(), _locked(salt, self.proof).encode())

    @property
    def staff(self) -> bool:
        """Whether this is one of the firm who sees the whole fleet, signed in."""
        return self.kind == "person" and self.role != "reader" and self.scope.everything

    @property
    def may_record(self) -> bool:
        """Whether this one may add records by a form."""
        return self.kind == "person" and self.role != "reader"


def whose(token: str) -> tuple[str, str]:
    """(salt, seal) of a form's token; '' for a seal that is none."""
    return token[:16], token[80:144] if token.isascii() else ""


def seal_of(salt: str, person: str) -> str:
    """What a form's token says of whose it was, so that it can be told when its session is gone.
    It opens nothing: it keeps one person's text from being shown to another."""
    return hashlib.sha256(f"form of {salt} {person}".encode()).hexdigest() if person else ""


def _locked(salt: str, secret: str) -> str:
    return hashlib.sha256(f"form {salt} {secret}".encode()).hexdigest()


def by_session(registry: Registry, token: str, address: str, now: int) -> Viewer | None:
    """The person whose browser holds this cookie."""
    session = people.session_of(registry, token, now) if token else None
    if session is None:
        return None
    person = session.person
    return Viewer(
        kind="person",
        role=person.role,
        scope=person.scope,
        actor=Actor(person.name, person.id, address),
        rights=READ if person.role == "reader" else BOTH,
        session=session,
        proof=token,
    )


def by_token(registry: Registry, secret: str, address: str, now: int) -> Viewer | None:
    """The program that shows this API token."""
    token = people.token_of(registry, secret, now) if secret else None
    if token is None:
        return None
    return Viewer(
        kind="token",
        role="reader",
        scope=token.scope,
        actor=Actor(f"token {token.name}", None, address),
        rights=token.rights,
        proof=secret,
    )


def by_share(registry: Registry, secret: str, address: str, now: int) -> Viewer | None:
    """The holder of a share link."""
    share = people.share_of(registry, secret, now) if secret else None
    if share is None:
        return None
    return Viewer(
        kind="share",
        role="reader",
        scope=share.scope,
        actor=Actor(f"link {share.name}", None, address),
        proof=secret,
    )


def visitor() -> Viewer:
    """Whoever opens the demonstration on its own machine: a reader of all that is invented."""
    return Viewer(kind="demo", role="reader", scope=EVERYTHING, actor=Actor("visitor"))


def still(registry: Registry, viewer: Viewer, now: int) -> bool:
    """Whether the viewer may go on seeing the same: not signed out, revoked, ended or changed."""
    if viewer.kind == "demo":
        return True
    look = {"person": by_session, "token": by_token, "share": by_share}[viewer.kind]
    found = look(registry, viewer.proof, viewer.actor.address, now)
    return found is not None and (found.role, found.scope) == (viewer.role, viewer.scope)


def may_see_rounds(viewer: Viewer, technician: Technician) -> bool:
    """Whether this viewer may see a technician's rounds: a technician sees the own ones only."""
    person = viewer.actor.person
    return viewer.role != "technician" or bool(person and technician.person == person)


def only_technician(registry: Registry, viewer: Viewer) -> str | None:
    """The one technician whose rounds this viewer may see; None: everybody's; "" nobody's."""
    if viewer.role != "technician":
        return None
    mine = technicians.of_person(registry, viewer.actor.person)
    return mine.id if mine else ""
