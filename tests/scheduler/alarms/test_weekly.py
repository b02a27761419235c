"""All quiet, the weekly test of the duty phone, reminders: each once, at its time on the wall."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime
from zoneinfo import ZoneInfo

import outbox_runs
import pytest
from fastapi.testclient import TestClient
from roles import HERE, Caller, add, app_of, signed_in
from seeding import LATE, NOW, Fleet, _row, seeded

from fleet import words
from fleet.model import EVERYTHING, Contact, Rota
from fleet.registry import lists, people
from fleet.registry.office import duty_rota
from fleet.registry.people import Actor, Person
from fleet.registry.register import import_units
from fleet.registry.told import outbox
from fleet.words import notice_sentences
from scheduler.alarms import Office, weekly
from scheduler.notify import Mail
from scheduler.turns import reminders

LONDON = "Europe/London"
ANN = Contact(person="ann", name="Ann", ways=("push", "email"), zone=LONDON)
BEN = Contact(person="ben", name="Ben", ways=("email",), zone=LONDON)
OFFICE = Office(
    people=(ANN, BEN), rota=Rota(people=("ann", "ben"), start="2026-01-05", zone=LONDON, last="ben")
)
BY = Actor("the tests")


def at(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(LONDON)).timestamp())


def test_all_quiet_comes_at_half_past_six_on_the_wall_on_both_sides_of_the_change() -> None:
    for day in ("2026-03-28", "2026-03-29", "2026-10-24", "2026-10-25"):
        assert weekly.all_quiet(OFFICE, "F", 59, 60, (), at(f"{day} 06:29")) == []
        (told,) = weekly.all_quiet(OFFICE, "F", 59, 60, (), at(f"{day} 06:30"))
        assert told.cause == f"all_quiet:{day}"
        assert told.way == "email"
        assert "59 of 60 heard" in told.subject


def test_what_is_open_is_not_called_quiet() -> None:
    (told,) = weekly.all_quiet(
        OFFICE, "F", 60, 60, ("Act now: Would not start (u1)",), at("2026-05-05 07:00")
    )
    assert "quiet" not in told.subject + told.body
    assert "1 alert open" in told.subject


def test_the_weekly_test_goes_down_the_line_until_somebody_answers() -> None:
    """Monday 09:00; half an hour later the next in line is asked too."""
    monday = "2026-05-04"
    assert weekly.newest(OFFICE.rota, at(f"{monday} 08:59")) == "weekly_test:2026-04-27"
    assert weekly.newest(OFFICE.rota, at(f"{monday} 09:00")) == f"weekly_test:{monday}"
    first = weekly.weekly_test(OFFICE, "F", False, at(f"{monday} 09:00"))
    assert len({n.person for n in first}) == 1
    assert {n.way for n in first} == set(
        next(c.ways for c in OFFICE.people if c.person == first[0].person)
    )
    assert all(n.path == f"/weekly-test/{monday}" for n in first)
    later = weekly.weekly_test(OFFICE, "F", False, at(f"{monday} 09:31"))
    assert {n.person for n in later} == {"ann", "ben"}
    assert {n.id for n in first} < {n.id for n in later}
    assert weekly.weekly_test(OFFICE, "F", True, at(f"{monday} 09:31")) == []
    assert weekly.weekly_test(OFFICE, "F", False, at("2026-05-05 09:00")) == []


def test_reminders_come_on_monday_morning_and_only_where_there_is_something() -> None:
    line = ("u1, Barn: Oil and filter, 12 days late",)
    assert weekly.reminders([ANN], "F", LONDON, line, (), at("2026-05-04 06:59")) == []
    assert weekly.reminders([ANN], "F", LONDON, line, (), at("2026-05-05 07:00")) == []
    assert weekly.reminders([ANN], "F", LONDON, (), (), at("2026-05-04 07:00")) == []
    (told,) = weekly.reminders([ANN], "F", LONDON, line, (), at("2026-05-04 07:00"))
    assert told.cause == "reminder:2026-05-04"
    assert line[0] in told.body
    assert all(caution in told.body for caution in words.CAUTIONS), "it sends somebody to a set"
    both = weekly.reminders([ANN, BEN], "F", LONDON, line, line, at("2026-05-04 08:00"))
    assert len({n.id for n in both}) == 4


NEVER = re.compile(
    r"\b(switch (it )?(back )?to auto(matic)?|start it again|try (it )?again|another start|"
    r"jump[- ]?start|open the panel|bypass)\b",
    re.I,
)


def test_no_message_says_what_is_never_said() -> None:
    """docs/engineering/cautions.md#never-said."""
    lines = ("u1: something",)
    for subject, body in (
        notice_sentences.channel_test("F"),
        notice_sentences.weekly_test("F"),
        notice_sentences.all_quiet("F", 1, 2, lines),
        notice_sentences.service_reminder("F", lines, "2026-05-04"),
        notice_sentences.exercise_reminder("F", lines, "2026-05-04"),
    ):
        assert NEVER.search(f"{subject} {body}") is None
        assert subject.isprintable()


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fleet]:
    with seeded(tmp_path_factory.mktemp("weekly"), demo=False) as made:
        yield made


@pytest.fixture(scope="module")
def owner(fleet: Fleet) -> Caller:
    return signed_in(fleet, add(fleet, "olga@example.org", "owner"))


@pytest.fixture(scope="module")
def client(fleet: Fleet, owner: Caller) -> TestClient:
    return owner.client(app_of(fleet))


def send(client: TestClient, owner: Caller, path: str, **fields: str) -> int:
    form = {"form_token": owner.form_token, **fields}
    return client.post(
        path, data=form, headers={"origin": HERE}, follow_redirects=False
    ).status_code


def test_the_calendar_puts_each_into_the_outbox_once(fleet: Fleet, owner: Caller) -> None:
    reg = fleet.registry
    monday = at("2026-11-23 09:05")
    duty_rota.agree_rota(
        reg,
        Rota(people=(duty_rota.contacts(reg)[0].person,), start="2026-01-05", zone=LONDON),
        0,
        BY,
        NOW,
    )
    first = reminders.tell(reg, "Harrow", monday)
    assert first >= 3
    assert reminders.tell(reg, "Harrow", monday + 60) == 0
    kinds = {
        n.kind
        for c in ("all_quiet", "weekly_test", "reminder")
        for n in outbox.of_cause(reg, EVERYTHING, f"{c}:2026-11-23")
    }
    assert kinds == {"all_quiet", "weekly_test", "reminder"}


def test_customers_are_reminded_only_where_the_office_says_so(fleet: Fleet) -> None:
    reg = fleet.registry
    monday = at("2026-11-23 11:00")
    outdoors = {**_row(LATE), "placement": "outdoors"}
    assert import_units(reg, [outdoors], NOW, "office").ok
    mine = next(r for r in lists.units(reg, EVERYTHING) if r.unit.placement == "outdoors")
    reader = Person(
        id="",
        login="mo@example.org",
        name="Mo",
        role="reader",
        customers=frozenset({mine.customer.id}),
    )
    mo = people.add_person(reg, reader, BY, NOW, people.hash_password("four plain words"))
    cause = f"reminder:{mine.customer.id}:2026-11-23"
    reminders.tell(reg, "Harrow", monday)
    assert outbox.of_cause(reg, EVERYTHING, cause) == []
    assert reminders.tell(reg, "Harrow", monday, to_customers=True) == 1
    assert reminders.tell(reg, "Harrow", monday + 60, to_customers=True) == 0
    (told,) = outbox.of_cause(reg, EVERYTHING, cause)
    assert (told.person, told.customer, told.way) == (mo.id, mine.customer.id, "email")
    assert mine.site.name in told.body


def test_a_tap_answers_the_weekly_test_and_opening_does_not(
    fleet: Fleet, client: TestClient, owner: Caller
) -> None:
    reminders.tell(fleet.registry, "Harrow", at("2026-11-23 09:05"))
    page = client.get("/weekly-test/2026-11-23")
    assert page.status_code == 200
    assert "not answered yet" in page.text
    assert outbox.answers(fleet.registry, EVERYTHING, "weekly_test:2026-11-23") == []
    assert send(client, owner, "/weekly-test/2026-11-23") == 303
    assert "was answered by" in client.get("/weekly-test/2026-11-23").text
    assert client.get("/weekly-test/2026-11-24").status_code == 404


def test_addresses_are_added_tested_and_removed(
    fleet: Fleet, client: TestClient, owner: Caller
) -> None:
    person = duty_rota.contacts(fleet.registry)[0].person
    address = "json://127.0.0.1:9/tok4711"
    assert send(client, owner, "/channels", person=person, address="file:///x") == 422
    assert send(client, owner, "/channels", person="nobody", address=address) == 422
    assert send(client, owner, "/channels", person=person, address=address) == 303
    page = client.get("/channels").text
    assert "json://127.0.0.1/…" in page
    assert "4711" not in page
    made = next(t for t in outbox.targets(fleet.registry, person) if t.way == "webhook")
    assert send(client, owner, f"/channels/{made.id}/test") == 303
    key = (fleet.settings.data / "codes.key").read_bytes()
    assert outbox_runs.send(fleet.registry, Mail(), key, NOW).again == 1
    assert "not delivered" in client.get("/channels").text
    assert send(client, owner, f"/channels/{made.id}/remove") == 200, "no other is known to work"
    assert made in outbox.targets(fleet.registry, person)
    assert send(client, owner, f"/channels/{made.id}/remove", sure="yes") == 303
    assert "json://127.0.0.1/…" not in client.get("/channels").text


def test_a_technician_sees_and_tests_only_its_own(fleet: Fleet) -> None:
    tom = signed_in(fleet, add(fleet, "tom@example.org", "technician"))
    theirs = next(t for t in outbox.targets(fleet.registry) if t.shown != "tom@example.org")
    with_tom = tom.client(app_of(fleet))
    page = with_tom.get("/channels").text
    assert "tom@example.org" in page
    assert theirs.shown not in page
    form = {"form_token": tom.form_token}
    answer = with_tom.post(f"/channels/{theirs.id}/test", data=form, headers={"origin": HERE})
    assert answer.status_code == 404
