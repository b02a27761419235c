"""Whatever a page shows somebody can be followed by that somebody: no link, no form leads to a
refusal or to nothing.

Forms are sent once empty of their token: who may send them is told that the form was not of the
session (403 with those words), and who may not would be told so instead.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace

import crawl
import pytest
from dispatching import Office, belongs
from fastapi import FastAPI
from fastapi.testclient import TestClient
from mains_off import mains_off
from msgspec import structs
from roles import HERE, Caller, add, app_of, customer_of, signed_in, with_link
from seeding import FAILED, NOW, unit_id
from unhurried import unhurried

from fleet.model import EVERYTHING
from fleet.registry import people
from fleet.registry.office import kept_jobs
from fleet.registry.people import Actor

pytest_plugins = ["dispatching"]
pytestmark = pytest.mark.sqlite_only
BY = Actor("the tests")
NOT_THE_FORM = ("This form was not made for your present session", "made for another session")


@dataclass
class House:
    """An office where much is going on, and who comes there."""

    office: Office
    app: FastAPI
    callers: dict[str, Caller]
    demo: FastAPI
    seen: dict[tuple[str, int], list[crawl.Looked]] = field(default_factory=dict)

    def client(self, who: str) -> TestClient:
        """Their browser; a visitor comes to the demonstration."""
        return self.callers[who].client(self.demo if who == "visitor" else self.app)

    def pages(self, who: str, alike: int) -> list[crawl.Looked]:
        """Every page one is led to, so many of a kind; followed once."""
        if (who, alike) not in self.seen:
            client = self.client(who)
            pages = crawl.follow(self.app, client, begin(self, who), alike)
            self.seen[who, alike] = list(pages)
        return self.seen[who, alike]


@pytest.fixture(scope="module")
def house(module_office: Office) -> House:
    fleet = module_office.fleet
    mains_off(fleet)
    ours, outed = customer_of(fleet, unit_id(FAILED)), customer_of(fleet, unit_id(0))
    mine = add(fleet, "ana", "technician")
    belongs(module_office, "ana", mine)
    callers = {
        "nobody": Caller("nobody"),
        "visitor": Caller("visitor"),
        "link": with_link(fleet, "link", outed),
        "reader": signed_in(fleet, add(fleet, "reader", "reader", ours)),
        "reader in an outage": signed_in(fleet, add(fleet, "reader2", "reader", outed)),
        "technician": signed_in(fleet, mine),
        "technician of nobody": signed_in(fleet, add(fleet, "tom", "technician")),
        "office": signed_in(fleet, add(fleet, "office", "office")),
        "office of one customer": signed_in(fleet, add(fleet, "part", "office", ours)),
        "technician of one customer": signed_in(fleet, add(fleet, "part2", "technician", outed)),
        "owner": signed_in(fleet, add(fleet, "boss", "owner")),
    }
    people.make_share(fleet.registry, "a share", frozenset({ours}), 9, BY, NOW)
    people.make_token(fleet.registry, "a token", frozenset({"read"}), None, 9, BY, NOW)
    demo = replace(fleet, settings=structs.replace(fleet.settings, demo=True))
    return House(module_office, app_of(fleet), callers, app_of(demo))


WHO = (
    "nobody",
    "visitor",
    "link",
    "reader",
    "reader in an outage",
    "technician",
    "technician of nobody",
    "technician of one customer",
    "office",
    "office of one customer",
    "owner",
)


def begin(house: House, who: str) -> tuple[str, ...]:
    """Where one comes in: by the front door, and by what a message or a page led to before."""
    if who == "nobody":
        return ("/sign-in", "/signed-out")
    found = ["/", "/more"] if who in ("link", "visitor") else ["/", "/more", "/account"]
    reg = house.office.fleet.registry
    if who in ("office", "owner", "technician"):
        found += [f"/jobs/{job.id}" for job in kept_jobs.jobs(reg, EVERYTHING)[:12]]
    return tuple(found)


ALIKE = pytest.mark.parametrize(
    "alike", [2, pytest.param(crawl.LIKE_AT_MOST, marks=pytest.mark.long)]
)
"""Pages of one kind that are looked at: two in the ordinary run, the
first that one is led to."""


@ALIKE
@pytest.mark.parametrize("who", WHO)
def test_every_link_that_is_shown_can_be_followed(house: House, who: str, alike: int) -> None:
    wrong, seen = [], 0
    for page in house.pages(who, alike):
        seen += 1
        if page.status >= 400:
            wrong.append(f"{page.status} {page.path}, shown on {page.of or 'no page'}")
    assert seen >= (3 if who == "nobody" else 8)
    assert not wrong, "\n".join(wrong)


@ALIKE
@pytest.mark.parametrize("who", WHO)
def test_every_form_that_is_shown_may_be_sent(house: House, who: str, alike: int) -> None:
    client = house.client(who)
    wrong: list[str] = []
    sent: set[tuple[str, str]] = set()
    for page in house.pages(who, alike):
        for form in page.forms:
            path = form.action.removeprefix(HERE)
            key = (form.method, crawl.route_of(house.app, form.method.upper(), path))
            if key in sent and key[1]:
                continue
            sent.add(key)
            wrong += refused(house, client, form, path)
    assert sent
    assert not wrong, "\n".join(wrong)


def refused(house: House, client: TestClient, form: crawl.Form, path: str) -> list[str]:
    unhurried(house.app)
    if form.method == "get":
        answer = client.get(path, params=form.data)
        return (
            [f"GET {path} of {form.page}: {answer.status_code}"]
            if answer.status_code >= 400
            else []
        )
    data = {name: values for name, values in form.data.items() if name != "form_token"}
    answer = client.post(path, data=data, headers={"origin": HERE})
    outside = path in ("/sign-in", "/set-up")
    if outside or any(words in answer.text for words in NOT_THE_FORM):
        return []
    return [f"POST {path} of {form.page}: {answer.status_code} {said(answer.text)}"]


def said(html: str) -> str:
    """The words of a page's main part."""
    return " ".join(re.sub(r"<[^>]+>", " ", html.partition("<main")[2]).split())[:300]
