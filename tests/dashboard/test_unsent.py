"""A form sent after its session had ended: said in words, kept, filled in again for who wrote it."""

from __future__ import annotations

import hashlib
import html as markup
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import crawl
import pytest
import sqlalchemy as sa
from browsers import opened, serving
from crawl import Form
from dispatching import Office
from fastapi import FastAPI
from fastapi.testclient import TestClient
from hypothesis import given
from hypothesis import strategies as st
from mains_off import mains_off
from playwright.sync_api import Browser, expect
from roles import HERE, PASSWORD, Caller, add, app_of, signed_in
from sampling import one_of_each, some
from seeding import LATE, NOW, unit_id
from unhurried import unhurried

from dashboard import unsent
from dashboard.refill import refill
from fleet.registry import people
from fleet.registry.base.tables import metadata
from fleet.registry.people import Actor, Person

pytest_plugins = ["dispatching"]
pytestmark = pytest.mark.sqlite_only
BY = Actor("the tests")
MARK = 'mark & <script>"x"</script> O\'Brien'
NOTE = f"/units/{unit_id(LATE)}/record/note"
APART = {"session", "audit", "heartbeat", "throttle", "person"}
"""Tables that signing in writes to."""


@dataclass
class House:
    office: Office
    app: FastAPI
    boss: Person

    def caller(self, person: Person | None = None) -> Caller:
        return signed_in(self.office.fleet, person or self.boss)

    def end(self, person: Person | None = None) -> None:
        """Every session of this person ends, as by the owner or by time."""
        people.end_sessions(self.office.fleet.registry, person or self.boss, BY, NOW)

    def kept(self) -> str:
        """A digest of all that is recorded."""
        made = hashlib.sha256()
        with self.office.fleet.registry.read() as connection:
            for name, table in sorted(metadata.tables.items()):
                if name not in APART:
                    made.update(
                        repr(sorted(map(str, connection.execute(sa.select(table))))).encode()
                    )
        return made.hexdigest()


@pytest.fixture(scope="module")
def house(module_office: Office) -> House:
    mains_off(module_office.fleet)
    return House(
        module_office, app_of(module_office.fleet), add(module_office.fleet, "boss", "owner")
    )


def field_of(html: str, name: str) -> str:
    """The value of a hidden field of the sign-in page."""
    found = re.search(rf'name="{name}" value="([^"]*)"', html)
    return markup.unescape(found[1]) if found else ""


def sign_in(house: House, client: TestClient, html: str, login: str = "boss") -> Any:
    """With what the sign-in page holds, as a browser sends it."""
    unhurried(house.app)
    data = {
        "login": login,
        "password": PASSWORD,
        "next": field_of(html, "next"),
        "unsent": field_of(html, "unsent"),
    }
    return client.post("/sign-in", data=data, headers={"origin": HERE})


def post(client: TestClient, form: Form, data: dict[str, list[str]]) -> Any:
    return client.post(
        form.action,
        data=data,
        headers={"origin": HERE, "referer": form.page, "host": "127.0.0.1:8080"},
    )


def typed(form: Form) -> dict[str, list[str]]:
    """The form with something typed into every field that takes text."""
    data = form.data
    for one in form.fields:
        if one.kind in ("text", "textarea", "search") or (one.kind == "hidden" and one.name == "q"):
            data[one.name] = [MARK] * max(1, len(data.get(one.name, [])))
        if one.kind == "password":
            data[one.name] = ["hunter2 hunter2"]
    return data


def all_forms(house: House, alike: int = crawl.LIKE_AT_MOST) -> list[Form]:
    """One form of each kind that the owner is shown on so many pages of one kind."""
    found: dict[Any, Form] = {}
    begin = ("/", f"/rounds/change/{house.office.call}", "/account", "/people/shares")
    people.make_share(house.office.fleet.registry, "s", frozenset({"weir-care-ltd"}), 9, BY, NOW)
    for page in crawl.follow(house.app, house.caller().client(house.app), begin, alike):
        for form in page.forms:
            if form.method == "post" and not form.action.endswith("/sign-out"):
                route = crawl.route_of(house.app, "POST", form.action.removeprefix(HERE))
                names = sorted({f.name for f in form.fields})
                found.setdefault((route, form.action if "{kind}" in route else "", *names), form)
    return list(found.values())


def route_of(house: House, form: Form) -> str:
    """What answers a form, by which forms are of one kind."""
    route = crawl.route_of(house.app, "POST", form.action.removeprefix(HERE))
    return form.action if "{kind}" in route else route


def test_a_form_of_each_route_is_filled_in_again_for_who_wrote_it(house: House) -> None:
    def route(form: Form) -> str:
        return route_of(house, form)

    each = one_of_each(all_forms(house, 2), route, lambda form: sorted(f.name for f in form.fields))
    forms = some(each, 20, name=route)
    assert filled_in_again(house, forms) > 8


@pytest.mark.long
def test_every_form_is_filled_in_again_for_who_wrote_it(house: House) -> None:
    forms = all_forms(house)
    assert len(forms) > 35
    assert filled_in_again(house, forms) > 20


def filled_in_again(house: House, forms: list[Form]) -> int:
    """Each of the forms, sent too late and found again; how many of them took text."""
    with_text = 0
    for form in forms:
        client = house.caller().client(house.app)
        data = typed(form)
        data["form_token"] = [house.caller().form_token]
        fresh = crawl.read(form.page, client.get(form.page).text)[1]
        mine = next(
            f
            for f in fresh
            if f.action == form.action
            and f.method == "post"
            and {x.name for x in f.fields} == {x.name for x in form.fields}
        )
        data["form_token"] = mine.data["form_token"]
        before = house.kept()
        house.end()
        answer = post(client, form, data)
        assert answer.status_code == 401, form.action
        assert "Your session had ended, so nothing was changed." in answer.text
        assert "mark &" not in markup.unescape(answer.text), "readable to whoever comes next"
        inside = sign_in(house, client, answer.text)
        assert inside.status_code == 303, form.action
        where = inside.headers["location"]
        assert "mark" not in where
        assert HERE + where == form.page, form.action
        page = client.get(where).text
        assert house.kept() == before, f"{form.action} was sent by itself"
        assert "Not sent yet" in page, form.action
        assert "<script>" not in page.replace('<script type="module"', "")
        again = [f for f in crawl.read(HERE + where, page)[1] if f.action == form.action]
        told = {n: v for n, v in data.items() if n not in ("form_token", *unsent.SECRET)}
        best = [
            f for f in again if all(normal(f.data.get(n)) == normal(v) for n, v in told.items())
        ]
        assert best, f"{form.action}: {told} not in {[f.data for f in again]}"
        with_text += any(MARK in v for values in told.values() for v in values)
        assert "hunter2" not in page
        token = best[0].data["form_token"][0]
        assert token != data["form_token"][0]
        person = house.caller()
        assert person.form_token
    return with_text


def normal(values: list[str] | None) -> list[str]:
    return [v.replace("\r\n", "\n").strip() for v in values or []]


def begun(house: House, text: str = MARK) -> tuple[TestClient, Any]:
    """A note that was sent after the session had ended: the browser, and what it is shown."""
    client = house.caller().client(house.app)
    (form,) = [f for f in crawl.read(HERE + NOTE, client.get(NOTE).text)[1] if f.method == "post"]
    house.end()
    return client, post(client, form, form.data | {"text": [text]})


def test_it_can_then_be_sent_and_is_done_with(house: House) -> None:
    client, answer = begun(house, "the third pot")
    page = client.get(sign_in(house, client, answer.text).headers["location"]).text
    (form,) = [f for f in crawl.read(HERE + NOTE, page)[1] if f.method == "post"]
    assert form.data["text"] == ["the third pot"]
    sent = post(client, form, form.data)
    assert sent.status_code == 303
    assert "the third pot" in client.get(f"/units/{unit_id(LATE)}").text
    assert "Not sent yet" not in client.get(NOTE).text


def test_a_wrong_password_loses_nothing(house: House) -> None:
    client, answer = begun(house)
    unhurried(house.app)
    wrong = client.post(
        "/sign-in",
        headers={"origin": HERE},
        data={
            "login": "boss",
            "password": "no",
            "next": "/",
            "unsent": field_of(answer.text, "unsent"),
        },
    )
    assert wrong.status_code == 401
    sign_in(house, client, wrong.text)
    assert "mark &amp; " in client.get(NOTE).text


def test_another_person_is_not_shown_it(house: House) -> None:
    add(house.office.fleet, "other", "owner")
    client, answer = begun(house)
    assert sign_in(house, client, answer.text, login="other").status_code == 303
    page = client.get(NOTE).text
    assert "Not sent yet" not in page
    assert "mark &amp; " not in page


def test_a_form_of_an_older_session_of_ones_own(house: House) -> None:
    """Signed in anew elsewhere in the browser: no sign-in page is needed."""
    old = house.caller()
    form = next(
        f
        for f in crawl.read(HERE + NOTE, old.client(house.app).get(NOTE).text)[1]
        if f.method == "post"
    )
    client = house.caller().client(house.app)
    before = house.kept()
    answer = post(client, form, form.data | {"text": [MARK]})
    assert (answer.status_code, answer.headers["location"]) == (303, NOTE)
    page = client.get(NOTE).text
    assert house.kept() == before
    assert "Not sent yet" in page
    assert "mark &amp; " in page


def test_a_form_of_another_person_is_refused(house: House) -> None:
    other = house.caller(add(house.office.fleet, "third", "owner"))
    form = next(
        f
        for f in crawl.read(HERE + NOTE, other.client(house.app).get(NOTE).text)[1]
        if f.method == "post"
    )
    client = house.caller().client(house.app)
    answer = post(client, form, form.data | {"text": [MARK]})
    assert answer.status_code == 403
    assert "mark &amp; " not in client.get(NOTE).text


def test_what_is_too_long_is_said_to_be(house: House) -> None:
    _, answer = begun(house, "x" * (unsent.LETTERS_AT_MOST + 1))
    assert answer.status_code == 401
    assert "too long to be kept" in answer.text
    assert 'name="unsent"' not in answer.text


def test_what_is_no_longer_on_its_page_stands_there_to_be_copied(house: House) -> None:
    client = house.caller().client(house.app)
    token = house.caller().form_token
    house.end()
    answer = client.post(
        "/jobs/nowhere/step",
        data={"form_token": sealed(house, token), "note": "gone & lost"},
        headers={"origin": HERE},
    )
    page = client.get(sign_in(house, client, answer.text).headers["location"]).text
    assert "The form is not on this page any more" in page
    assert "gone &amp; lost" in page


def sealed(house: House, token: str) -> str:
    """A token such as a page of the owner's had."""
    from dashboard.viewers import seal_of

    return token[:80] + seal_of(token[:16], house.boss.id)


def test_signing_out_twice_is_no_form_to_keep(house: House) -> None:
    client = house.caller().client(house.app)
    house.end()
    answer = client.post("/sign-out", data={"form_token": "x"}, headers={"origin": HERE})
    assert answer.status_code == 401
    assert "You were signed out already." in answer.text
    assert 'name="unsent"' not in answer.text


@pytest.mark.parametrize("held", ["", "nonsense", "²", "gAAAA" * 50, "x" * 900_000])
def test_what_is_not_ours_is_not_opened(house: House, held: str) -> None:
    client = Caller("nobody").client(house.app)
    unhurried(house.app)
    data = {"login": "boss", "password": PASSWORD, "next": "/", "unsent": held}
    answer = client.post("/sign-in", data=data, headers={"origin": HERE})
    assert answer.status_code == 303
    assert "Not sent yet" not in client.get("/").text


def test_no_password_field_is_kept(house: House) -> None:
    names = {
        one.name
        for page in crawl.follow(house.app, house.caller().client(house.app), ("/", "/account"))
        for form in page.forms
        for one in form.fields
        if one.kind == "password"
    }
    assert names
    assert names <= unsent.SECRET


def test_it_waits_so_long_and_no_more_of_them() -> None:
    from dashboard.viewers import Viewer
    from fleet.model import EVERYTHING
    from fleet.registry.people import Session
    from fleet.settings import Settings

    clock = [NOW]
    desk = unsent.WaitingForms(Settings(data=None, codes_key="n" * 43 + "="), lambda: clock[0])  # type: ignore[arg-type]
    salt = "0" * 16
    kept = unsent.Unsent(
        action="/a", page="/b?c=d", fields=(("t", "x"),), salt=salt, seal=unsent.seal_of(salt, "p")
    )

    def viewer(session: str) -> Viewer:
        held = Session(
            id=session,
            person=Person(id="p", login="l", name="n", role="owner"),
            phone=False,
            agent="",
            address="",
            made_at=NOW,
            seen_at=NOW,
        )
        return Viewer("person", "owner", EVERYTHING, Actor("n", "p"), session=held, proof="s")

    for n in range(unsent.HELD_AT_MOST + 5):
        desk.keep(f"s{n}", kept)
    assert desk.waiting(viewer("s4"), "/b") is None, "the oldest went"
    last = viewer(f"s{unsent.HELD_AT_MOST + 4}")
    assert desk.waiting(last, "/b") == kept
    assert desk.waiting(last, "/other") is None
    closed = desk.closed(kept)
    assert desk.opened(closed) == kept
    clock[0] += unsent.KEPT_S + 1
    assert desk.opened(closed) is None
    assert desk.waiting(last, "/b") is None


# --- filling in ------------------------------------------------------------------------------------

PAGE = """<!doctype html>
<p>before \u2028 &amp; \x0c</p>
<details class="later"><summary>More</summary>
<form class="form" method="post" action="/x"><input type="hidden" name="form_token" value="fresh"><input type="hidden" name="kind" value="one"><button name="kind" value="b">B</button></form>
<form method="post" action="/x">
<input type="hidden" name="form_token" value="fresh"><input type="hidden" name="kind" value="two">
<label>T<input type="text" name="t" value="old" required></label><input name="t"
 value="old 2"><textarea name="long" rows="3">
before</textarea><select name="s"><option value="">none</option><option value="a" selected>A</option><option value="b">B</option></select>
<input type="checkbox" name="c" value="1" checked><input type="checkbox" name="c" value="2"><input type="password" name="password"></form></details>
<form method="post" action="/y"><input name="t" value="untouched"></form>"""
VALUES = st.text(st.characters(codec="utf-8", exclude_characters="\r\x00"), max_size=40)


@given(
    VALUES, VALUES, VALUES, st.sampled_from(["", "a", "b"]), st.sets(st.sampled_from(["1", "2"]))
)
def test_filled_in_is_what_was_sent_and_nothing_else_moves(
    first: str, second: str, long: str, choice: str, ticks: set[str]
) -> None:
    sent = [
        ("kind", "two"),
        ("t", first),
        ("t", second),
        ("long", long),
        ("s", choice),
        *(("c", tick) for tick in sorted(ticks)),
        ("form_token", "stale"),
    ]
    page, filled = refill(PAGE, "/x", sent)
    assert filled
    forms = crawl.read(f"{HERE}/p", page)[1]
    assert len(forms) == 3
    assert forms[0].data == {"form_token": ["fresh"], "kind": ["one", "b"]}
    data = forms[1].data
    assert data["t"] == [first, second]
    assert data["long"] == [long]
    assert data["s"] == [choice]
    assert sorted(data.get("c", [])) == sorted(ticks)
    assert data["form_token"] == ["fresh"]
    assert forms[2].data == {"t": ["untouched"]}
    assert page.startswith(PAGE[: PAGE.index("<details")])
    assert '<details class="later" open>' in page
    assert page.count("<script") == 0
    assert page.count('<span id="unsent-form"></span><form method="post" action="/x">') == 1


def test_a_page_without_the_form_stays_as_it_is() -> None:
    assert refill(PAGE, "/z", [("t", "x")]) == (PAGE, False)


# --- a browser -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def served(house: House) -> Iterator[str]:
    with serving(house.app) as url:
        yield url


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "plain"])
def test_in_a_browser(browser: Browser, house: House, served: str, scripts: bool) -> None:
    with opened(browser, {"width": 390, "height": 844}, scripts=scripts) as watched:
        page = watched.page
        page.context.add_cookies(
            [{"name": n, "value": v, "url": served} for n, v in house.caller().cookies.items()]
        )
        page.goto(served + NOTE)
        page.get_by_label("Note").fill("Fuel cap is\nloose & <dirty>")
        house.end()
        page.get_by_role("button", name="Write down the note").click()
        expect(page.get_by_text("Your session had ended, so nothing was changed.")).to_be_visible()
        watched.complaints.clear()  # the browser reports the 401 it was given
        unhurried(house.app)
        page.get_by_label("E-mail or user name").fill("boss")
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        expect(page.get_by_role("heading", name="Not sent yet")).to_be_visible()
        expect(page.get_by_label("Note")).to_have_value("Fuel cap is\nloose & <dirty>")
        page.get_by_role("link", name="To the form").click()
        page.get_by_role("button", name="Write down the note").click()
        expect(page.get_by_text("Written down: note.")).to_be_visible()
        expect(page.locator("#records")).to_contain_text("loose & <dirty>")
        page.goto(served + NOTE)
        expect(page.get_by_role("heading", name="Not sent yet")).to_have_count(0)
