"""Whom the app of a test takes its visitor for, where signing in is not what is tested."""

from __future__ import annotations

from fastapi import FastAPI

from dashboard.request_context import viewer_of
from dashboard.viewers import BOTH, READ, Viewer, by_session
from fleet.model import EVERYTHING, Scope
from fleet.registry import people
from fleet.registry.base.engine import Registry
from fleet.registry.people import Actor, Person

OWNER = Viewer(
    kind="person",
    role="owner",
    scope=EVERYTHING,
    actor=Actor("Dee", "p-owner"),
    rights=BOTH,
    proof="only-in-tests",
)


def as_owner(app: FastAPI) -> Viewer:
    """Every request is the owner's."""
    app.dependency_overrides[viewer_of] = lambda: OWNER
    return OWNER


def as_real_owner(app: FastAPI, registry: Registry, now: int) -> None:
    """Every request is a signed-in owner's, whose session stands in the registry: live news goes
    on only as long as it does."""
    wanted = Person(id="", login="dee", name="Dee", role="owner")
    person = people.add_person(registry, wanted, OWNER.actor, now, people.hash_password("-" * 20))
    kept = people.by_login(registry, "dee")
    assert kept is not None
    token = people.open_session(registry, person, False, "", "", now, proof=kept[1])
    app.dependency_overrides[viewer_of] = lambda: by_session(registry, token, "", now)


def as_reader(app: FastAPI, *customers: str) -> Viewer:
    """Every request is a customer's."""
    viewer = Viewer(
        kind="person",
        role="reader",
        scope=Scope(frozenset(customers)),
        actor=Actor("Customer", "p-reader"),
        rights=READ,
        proof="only-in-tests",
    )
    app.dependency_overrides[viewer_of] = lambda: viewer
    return viewer


def form(**fields: str) -> dict[str, str]:
    """A form of the owner's session."""
    return {"form_token": OWNER.form_token, **fields}
