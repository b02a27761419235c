"""Nouns of people and how they get in. No secret is among them but where one is first handed out."""

from __future__ import annotations

from typing import Literal

import msgspec

from fleet.model import Scope
from fleet.registry.base.faults import RegistryFault

Role = Literal["reader", "technician", "office", "owner"]
ROLES: tuple[Role, ...] = ("reader", "technician", "office", "owner")
"""From the least to the most: each may do what those before it may, on its own Scope."""
Right = Literal["read", "record"]
AuditKind = Literal[
    "owner_made",
    "sign_in",
    "sign_in_failed",
    "sign_out",
    "session_ended",
    "password_changed",
    "person_added",
    "person_invited",
    "person_changed",
    "token_made",
    "token_revoked",
    "share_made",
    "share_opened",
    "share_revoked",
    "record_added",
    "setting_changed",
    "alert_answered",
    "channel_changed",
    "alert_marked",
    "call_made",
    "job_changed",
    "contract_changed",
    "technician_changed",
    "site_card_changed",
    "codes_seen",
    "round_published",
    "feed_made",
    "feed_revoked",
    "restored",
]


class PeopleRefused(RegistryFault):
    """Something about people cannot be done. A sentence: what was wrong and what to do."""


class Actor(msgspec.Struct, frozen=True):
    """Who does something, for the audit: the name shown, the person's id, the address."""

    name: str
    person: str | None = None
    address: str = ""


class Person(msgspec.Struct, frozen=True, kw_only=True):
    """Somebody who may sign in. customers None: all; a reader always has a set of them."""

    id: str
    login: str
    name: str
    role: Role
    customers: frozenset[str] | None = None
    active: bool = True
    has_password: bool = False
    made_at: int = 0

    @property
    def scope(self) -> Scope:
        """Whose data this person may see."""
        return Scope(self.customers)


class Session(msgspec.Struct, frozen=True, kw_only=True):
    """A signed-in browser. id names it; the token of its cookie is not known to the registry."""

    id: str
    person: Person
    phone: bool
    agent: str
    address: str
    made_at: int
    seen_at: int


class ApiToken(msgspec.Struct, frozen=True, kw_only=True):
    """A program's way in. until None: until revoked."""

    id: str
    name: str
    rights: frozenset[Right]
    customers: frozenset[str] | None
    made_at: int
    made_by: str
    until: int | None = None
    used_at: int | None = None
    revoked_at: int | None = None

    @property
    def scope(self) -> Scope:
        """Whose data it may see."""
        return Scope(self.customers)


class ShareLink(msgspec.Struct, frozen=True, kw_only=True):
    """A link that shows the pages of some customers, read-only, until a day."""

    id: str
    name: str
    customers: frozenset[str]
    made_at: int
    made_by: str
    until: int
    used_at: int | None = None
    revoked_at: int | None = None

    @property
    def scope(self) -> Scope:
        """Whose data it shows."""
        return Scope(self.customers)


class AuditRow(msgspec.Struct, frozen=True, kw_only=True):
    """One thing that was done. who: as named then; subject: to what or whom."""

    id: int
    at: int
    kind: AuditKind
    who: str
    person: str | None
    address: str
    subject: str
    detail: str
