"""Routes of the app as they are, and the viewers of a role walk."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from fastapi import FastAPI
from fastapi.testclient import TestClient
from seeding import NOW, Fleet

from dashboard.app import create_app
from dashboard.viewers import Viewer
from fleet.model import EVERYTHING
from fleet.registry import lists, people
from fleet.registry.people import Actor, Person, Role

HERE = "http://127.0.0.1:8080"
PASSWORD = "four plain words here"
OFFICE = Actor("the tests")


def routes(app: Any) -> Iterator[Any]:
    """Every route of the app, those of its routers too."""
    for route in app.routes:
        if hasattr(route, "dependant"):
            yield route
        elif hasattr(route, "original_router"):
            yield from routes(route.original_router)
        elif hasattr(route, "routes"):
            yield from routes(route)


@dataclass
class Caller:
    """Somebody who asks: a name for the table, and what is sent along."""

    name: str
    cookies: dict[str, str] = field(default_factory=dict)
    headers: dict[str, str] = field(default_factory=dict)

    @property
    def form_token(self) -> str:
        """The second lock of this browser's forms."""
        secret = next(iter(self.cookies.values()), "")
        kind: Any = "share" if "hourhand-share" in self.cookies else "person"
        return Viewer(kind, "reader", EVERYTHING, OFFICE, proof=secret).form_token

    def client(self, app: FastAPI) -> TestClient:
        return TestClient(
            app,
            base_url=HERE,
            raise_server_exceptions=False,
            follow_redirects=False,
            headers=self.headers,
            cookies=self.cookies,
        )


def app_of(fleet: Fleet) -> FastAPI:
    return create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)


@cache
def hashed(password: str) -> str:
    """The password's hash at its full cost, made once for all who have it in tests."""
    return people.hash_password(password)


def add(fleet: Fleet, login: str, role: Role, *customers: str) -> Person:
    """Somebody with a password."""
    wanted = Person(
        id="",
        login=login,
        name=login.title(),
        role=role,
        customers=frozenset(customers) if customers else None,
    )
    return people.add_person(fleet.registry, wanted, OFFICE, NOW, hashed(PASSWORD))


def signed_in(fleet: Fleet, person: Person) -> Caller:
    kept = people.by_login(fleet.registry, person.login)
    assert kept is not None
    token = people.open_session(
        fleet.registry, person, False, "tests", "127.0.0.1", NOW, proof=kept[1]
    )
    return Caller(person.login, cookies={"hourhand": token})


def with_token(fleet: Fleet, name: str, rights: set[Any], *customers: str) -> Caller:
    only = frozenset(customers) if customers else None
    _, secret = people.make_token(fleet.registry, name, frozenset(rights), only, 1, OFFICE, NOW)
    return Caller(name, headers={"authorization": f"Bearer {secret}"})


def with_link(fleet: Fleet, name: str, *customers: str) -> Caller:
    _, secret = people.make_share(fleet.registry, name, frozenset(customers), 1, OFFICE, NOW)
    return Caller(name, cookies={"hourhand-share": secret})


def customer_of(fleet: Fleet, unit: str) -> str:
    found = lists.unit(fleet.registry, EVERYTHING, unit)
    assert found is not None
    return found[2].id
