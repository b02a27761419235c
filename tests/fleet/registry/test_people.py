"""People in the registry and through their pages: added, invited, changed, shut out, let in again."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx2
import pytest
from fastapi.testclient import TestClient
from register_rows import row, take
from roles import HERE, PASSWORD, add, app_of, customer_of, signed_in, with_token
from seeding import FAILED, LATE, NOW, Fleet, seed, unit_id
from service import Service, free_port

from dashboard.door import Door, door_of, neighbourhood
from dashboard.people.labels import browser
from dashboard.people.signing import onward
from fleet.model import EVERYTHING, Scope
from fleet.registry import lists, people
from fleet.registry.base.engine import Registry
from fleet.registry.people import Actor, PeopleRefused, Person
from fleet.registry.people.secrets import CODE_LETTERS, new_code, tidy_code
from fleet.settings import Settings, SettingsFault, load

pytest_plugins = ["databases"]

BY = Actor("the tests")
DAY_S = 86_400
NEW_PASSWORD = "herons wade at the weir"


def person(login: str = "dee", role: people.Role = "owner", **more: Any) -> Person:
    fields: dict[str, Any] = {"id": "", "login": login, "name": login.title(), "role": role}
    return Person(**(fields | more))


# --- the registry, on both databases ---------------------------------------------------------


def test_a_name_is_taken_once_whatever_its_letters(reg: Registry) -> None:
    people.add_person(reg, person("Dee@Example.org"), BY, NOW)
    found = people.by_login(reg, "  dee@EXAMPLE.org ")
    assert found is not None
    assert found[0].login == "dee@example.org"
    with pytest.raises(PeopleRefused, match="already"):
        people.add_person(reg, person("DEE@example.org"), BY, NOW)


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (person("d"), "2 to 100"),
        (person("dee voss"), "no spaces"),
        (person("dee\n"), None),  # space around is taken off
        (person("dee\x00x"), "no spaces"),
        (person(name="  "), "name"),
        (person(role="chief"), "A role is one of"),  # type: ignore[arg-type]
        (person(role="reader"), "choose at least one"),
        (person(role="reader", customers=frozenset({"nobody-here"})), "no customer nobody-here"),
    ],
)
def test_unfit_people_are_refused_with_a_sentence(
    reg: Registry, given: Person, says: str | None
) -> None:
    if says is None:
        assert people.add_person(reg, given, BY, NOW).login == "dee"
        return
    with pytest.raises(PeopleRefused, match=says):
        people.add_person(reg, given, BY, NOW)
    assert people.people(reg) == []


def test_a_scope_comes_from_the_role(reg: Registry) -> None:
    take(reg, row())
    held = frozenset(customer.id for customer in lists.customers(reg, EVERYTHING))
    assert held
    reader = people.add_person(reg, person("kim", "reader", customers=held), BY, NOW)
    assert reader.scope.customers == held
    # Customers named for anybody but a reader mean nothing: those see every set.
    office = people.add_person(reg, person("ola", "office", customers=held), BY, NOW)
    assert office.scope.everything


def test_the_last_owner_stays(reg: Registry) -> None:
    dee = people.add_person(reg, person(), BY, NOW, "hash")
    people.add_person(reg, person("tom"), BY, NOW)  # has not chosen a password: cannot sign in

    def change(role: people.Role, active: bool) -> Person:
        return people.change_person(
            reg, dee.id, BY, NOW, name="Dee", role=role, customers=None, active=active
        )

    lost: list[tuple[people.Role, bool]] = [("technician", True), ("owner", False)]
    for role, active in lost:
        with pytest.raises(PeopleRefused, match="only owner"):
            change(role, active)
    people.add_person(reg, person("ann"), BY, NOW, "hash")
    assert change("technician", True).role == "technician"


def test_an_invitation_is_used_once_ends_and_is_replaced(reg: Registry) -> None:
    tom = people.add_person(reg, person("tom", "technician"), BY, NOW)
    first = people.invite(reg, tom.id, BY, NOW)
    second = people.invite(reg, tom.id, BY, NOW)
    assert people.invited(reg, first, NOW) is None, "replaced"
    assert people.invited(reg, second, NOW + 7 * DAY_S) is None, "ended"
    token = people.open_session(reg, tom, False, "", "", NOW)
    assert people.accept(reg, second, "hash", "", NOW).id == tom.id
    assert people.session_of(reg, token, NOW) is None, "a new password ends every session"
    with pytest.raises(PeopleRefused, match="used already"):
        people.accept(reg, second, "hash", "", NOW)


def test_who_is_shut_out_is_out_at_once(reg: Registry) -> None:
    tom = people.add_person(reg, person("tom", "technician"), BY, NOW, "hash")
    secret = people.invite(reg, tom.id, BY, NOW)
    token = people.open_session(reg, tom, True, "", "", NOW)
    people.change_person(
        reg, tom.id, BY, NOW, name="Tom", role="technician", customers=None, active=False
    )
    assert people.session_of(reg, token, NOW) is None
    assert people.invited(reg, secret, NOW) is None
    with pytest.raises(PeopleRefused):
        people.open_session(reg, tom, False, "", "", NOW)


def test_a_password_changed_while_it_was_checked_opens_nothing(reg: Registry) -> None:
    tom = people.add_person(reg, person("tom", "technician"), BY, NOW, "old")
    people.set_password(reg, tom.id, "new", BY, NOW)
    with pytest.raises(PeopleRefused):
        people.open_session(reg, tom, False, "", "", NOW, proof="old")
    assert people.open_session(reg, tom, False, "", "", NOW, proof="new")


def test_only_one_first_owner_and_only_with_a_code_that_holds(reg: Registry) -> None:
    code = people.make_set_up_code(reg, NOW)
    assert code is not None
    for wrong in ("", "AAAA-AAAA-AAAA-AAAA-AAAA"):
        with pytest.raises(PeopleRefused, match="not the set-up code"):
            people.make_first_owner(reg, "dee", "Dee", "hash", NOW, code=wrong)
    with pytest.raises(PeopleRefused, match="not the set-up code"):
        people.make_first_owner(reg, "dee", "Dee", "hash", NOW + 7 * DAY_S, code=code)
    people.make_first_owner(reg, "dee", "Dee", "hash", NOW, code=code.lower().replace("-", " "))
    assert people.owner_exists(reg)
    assert people.make_set_up_code(reg, NOW) is None
    with pytest.raises(PeopleRefused, match="an owner already"):
        people.make_first_owner(reg, "eve", "Eve", "hash", NOW, code=None)


def test_secrets_are_kept_nowhere(reg: Registry) -> None:
    take(reg, row())
    dee = people.add_person(reg, person(), BY, NOW, people.hash_password(PASSWORD))
    held = frozenset(c.id for c in lists.customers(reg, EVERYTHING))
    secrets = [
        people.invite(reg, dee.id, BY, NOW),
        people.open_session(reg, dee, False, "", "", NOW),
        people.make_token(reg, "t", frozenset({"read"}), None, None, BY, NOW)[1],
        people.make_share(reg, "s", held, 7, BY, NOW)[1],
        PASSWORD,
    ]
    assert len(set(secrets)) == 5
    tables = ("person", "invitation", "session", "api_token", "share_link", "audit")
    with reg.read() as connection:
        kept = "".join(
            str(connection.exec_driver_sql(f"SELECT * FROM {name}").fetchall()) for name in tables
        )
    for secret in secrets:
        assert secret not in kept
        assert secret.removeprefix("hh_") not in kept


def test_failed_sign_ins_are_kept_90_days_and_all_else_for_good(reg: Registry) -> None:
    people.add_person(reg, person(), BY, NOW, "hash")
    people.note_failure(reg, "dee", "192.0.2.7", "wrong password", NOW)
    people.note_failure(reg, "", "192.0.2.7", "unknown name", NOW + 91 * DAY_S)
    assert [(r.kind, r.who) for r in people.audit(reg)] == [
        ("sign_in_failed", "somebody"),
        ("person_added", "the tests"),
    ]


# --- passwords and codes ------------------------------------------------------------------------


@pytest.mark.parametrize(
    "weak",
    ["short", "elevenchars", "aaaaaaaaaaaaaa", "password1234", "dee@example.org1", "x" * 201],
)
def test_a_weak_password_is_refused(weak: str) -> None:
    with pytest.raises(PeopleRefused):
        people.check_password(weak, "dee@example.org")


@pytest.mark.usefixtures("full_passwords")
def test_a_password_is_kept_as_argon2id_of_rfc_9106() -> None:
    """RFC 9106, section 4: Argon2id, 3 passes, 4 lanes, 64 MiB."""
    people.check_password(NEW_PASSWORD, "dee")
    kept = people.hash_password(NEW_PASSWORD)
    assert kept.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert people.verify_password(kept, NEW_PASSWORD)
    assert not people.verify_password(kept, NEW_PASSWORD + " ")
    assert not people.verify_password("", ""), "nobody's"
    assert not people.needs_rehash(kept)


@pytest.mark.usefixtures("full_passwords")
def test_a_hash_of_weaker_parameters_is_made_anew_when_it_is_next_used(tmp_path: Path) -> None:
    from argon2 import PasswordHasher

    fleet = seed(tmp_path / "data", demo=False)
    weaker = PasswordHasher(time_cost=1, memory_cost=8192, parallelism=1).hash(PASSWORD)
    people.add_person(fleet.registry, person(), BY, NOW, weaker)
    client = Pages(fleet)
    assert client.sign_in("dee") == 303
    found = people.by_login(fleet.registry, "dee")
    assert found is not None
    assert "m=65536,t=3,p=4" in found[1]
    assert client.get("/account").status_code == 200
    fleet.registry.close()
    fleet.history.store.close()


def test_a_code_is_read_however_it_was_typed() -> None:
    code = new_code()
    assert re.fullmatch(rf"[{CODE_LETTERS}]{{4}}(-[{CODE_LETTERS}]{{4}}){{4}}", code)
    assert tidy_code(f" {code.lower().replace('-', ' ')} ") == code


# --- the door -----------------------------------------------------------------------------------

HERE_ONLY = Door()
BEHIND = door_of(
    Settings(
        data=Path("x"), http_names="sets.example", tls_in_front=True, trusted_proxies="10.0.0.0/8"
    )
)


@pytest.mark.parametrize(
    ("peer", "host", "headers", "door", "there"),
    [
        ("127.0.0.1", "127.0.0.1", {}, HERE_ONLY, True),
        ("::1", "localhost", {}, HERE_ONLY, True),
        ("172.17.0.1", "127.0.0.1", {}, HERE_ONLY, False),  # a container's gateway
        ("127.0.0.1", "sets.example", {}, HERE_ONLY, False),
        ("127.0.0.1", "127.0.0.1", {"x-forwarded-for": "192.0.2.7"}, HERE_ONLY, False),
        ("127.0.0.1", "127.0.0.1", {"via": "1.1 front"}, HERE_ONLY, False),
        ("127.0.0.1", "127.0.0.1", {}, BEHIND, False),
        ("127.0.0.1", "127.0.0.1", {}, Door(bound="0.0.0.0"), False),
    ],
)
def test_who_is_at_the_box(
    peer: str, host: str, headers: dict[str, str], door: Door, there: bool
) -> None:
    assert door.at_the_box(peer, host, headers) is there


@pytest.mark.parametrize(
    ("peer", "told", "address"),
    [
        ("192.0.2.9", "198.51.100.4", "192.0.2.9"),  # no proxy of ours: what it says counts nothing
        ("10.1.2.3", "198.51.100.4", "198.51.100.4"),
        ("10.1.2.3", "198.51.100.4, 10.9.9.9", "198.51.100.4"),
        ("10.1.2.3", "6.6.6.6, 198.51.100.4", "198.51.100.4"),  # the first was made up by the asker
        ("10.1.2.3", "not an address", "10.1.2.3"),
        ("10.1.2.3", "", "10.1.2.3"),
        ("::ffff:10.1.2.3", "2001:db8::7", "2001:db8::7"),
    ],
)
def test_forwarded_addresses_are_believed_of_our_proxies_only(
    peer: str, told: str, address: str
) -> None:
    assert BEHIND.address(peer, {"x-forwarded-for": told} if told else {}) == address


def test_one_subscribers_ipv6_addresses_count_as_one() -> None:
    assert neighbourhood("2001:db8:1:2:3::4") == neighbourhood("2001:db8:1:2:ffff::9")
    assert neighbourhood("2001:db8:1:2::1") != neighbourhood("2001:db8:1:3::1")
    assert neighbourhood("192.0.2.7") != neighbourhood("192.0.2.8")


def test_names_and_tls_of_the_door() -> None:
    for door in (HERE_ONLY, BEHIND, Door(bound="192.0.2.1")):
        assert door.serves("localhost")
        assert not door.serves("evil.example")
        assert not door.serves("")
    assert Door(bound="192.0.2.1").serves("192.0.2.1")
    assert not Door(bound="0.0.0.0").serves("0.0.0.0")
    assert BEHIND.secure("sets.example")
    assert not BEHIND.secure("127.0.0.1"), "the container's own health check speaks plain HTTP"
    assert not HERE_ONLY.private("sets.example")
    assert Door(tls=True).secure("127.0.0.1")


@pytest.mark.parametrize(
    ("asked", "to"),
    [
        ("/units?q=a", "/units?q=a"),
        ("https://evil.example", "/"),
        ("//evil.example", "/"),
        ("/\\evil.example", "/"),
        ("javascript:alert(1)", "/"),
        ("/sign-in?next=/", "/"),
        ("", "/"),
        ("/a\r\nset-cookie: x", "/"),
    ],
)
def test_signing_in_leads_to_our_own_pages_only(asked: str, to: str) -> None:
    assert onward(asked) == to


@pytest.mark.parametrize(
    ("written", "says"),
    [
        ({"HTTP_NAMES": "https://sets.example"}, "host names only"),
        ({"HTTP_NAMES": "sets.example:8080"}, "host names only"),
        ({"TRUSTED_PROXIES": "proxy"}, "addresses such as"),
        ({"TLS_CERT": "a.pem"}, "both or neither"),
        ({"TLS_CERT": "a", "TLS_KEY": "b", "TLS_IN_FRONT": "yes"}, "exclude each other"),
    ],
)
def test_settings_of_the_door_that_cannot_be(written: dict[str, str], says: str) -> None:
    with pytest.raises(SettingsFault, match=says):
        load(Path("x"), {f"HOURHAND_{name}": value for name, value in written.items()})


@pytest.mark.parametrize(
    ("agent", "said"),
    [
        (
            "Mozilla/5.0 (X11; Linux x86_64) AppleWebKit/537.36 Chrome/120 Safari/537.36",
            "Chrome on Linux",
        ),
        (
            "Mozilla/5.0 (iPhone; CPU iPhone OS 17_0 like Mac OS X) Version/17 Safari/604",
            "Safari on iPhone",
        ),
        ("<script>alert(1)</script>", "a browser"),
    ],
)
def test_a_browser_is_named_in_our_own_words(agent: str, said: str) -> None:
    assert browser(agent) == said


# --- the pages ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fleet]:
    made = seed(tmp_path_factory.mktemp("people"), demo=False)
    add(made, "owner", "owner")
    yield made
    made.registry.close()
    made.history.store.close()


class Pages(TestClient):
    """A browser of its own; forms are filled in as they came, with their hidden fields."""

    def __init__(self, fleet: Fleet) -> None:
        super().__init__(
            app_of(fleet), base_url=HERE, follow_redirects=False, headers={"origin": HERE}
        )

    def sign_in(self, login: str, password: str = PASSWORD) -> int:
        sent = {"login": login, "password": password}
        return self.post("/sign-in", data=sent).status_code

    def fill(self, page: str, action: str, **fields: object) -> httpx2.Response:
        """Send the form of that page whose action it is."""
        text = self.get(page).text
        form = re.search(rf'<form[^>]*action="{re.escape(action)}".*?</form>', text, re.S)
        assert form is not None, f"no form {action} on {page}"
        hidden = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', form[0]))
        return self.post(action, data=hidden | fields)


@pytest.fixture
def owner(fleet: Fleet) -> Pages:
    made = Pages(fleet)
    kept = people.by_login(fleet.registry, "owner")
    assert kept is not None
    made.cookies.update(signed_in(fleet, kept[0]).cookies)
    return made


def shown(text: str) -> str:
    """What a page shows once: a link or a token."""
    found = re.search(r'<p class="secret mono">([^<]+)</p>', text)
    assert found is not None, re.sub(r"<[^>]+>|\s+", " ", text)[-400:]
    return found[1]


def test_somebody_is_added_chooses_a_password_and_sees_their_own_sets(
    fleet: Fleet, owner: Pages
) -> None:
    ours = customer_of(fleet, unit_id(FAILED))
    made = owner.fill(
        "/people",
        "/people",
        name="Kim Lee",
        login="Kim@example.org",
        role="reader",
        customer=[ours],
    )
    assert made.status_code == 201
    link = shown(made.text)
    assert link.startswith(f"{HERE}/join/")
    path = link.removeprefix(HERE)
    kim = Pages(fleet)
    assert "kim@example.org" in kim.get(path).text
    differ = kim.post(path, data={"password": NEW_PASSWORD, "again": "another one here"})
    assert differ.status_code == 422
    assert kim.post(path, data={"password": NEW_PASSWORD, "again": NEW_PASSWORD}).status_code == 303
    assert kim.get(f"/units/{unit_id(FAILED)}").status_code == 200
    assert kim.get(f"/units/{unit_id(LATE)}").status_code == 404
    assert kim.get(path).status_code == 404, "used up"
    assert Pages(fleet).sign_in("kim@example.org", NEW_PASSWORD) == 303

    # The owner shows the role; changing it ends the session at once.
    found = people.by_login(fleet.registry, "kim@example.org")
    assert found is not None
    page = f"/people/person/{found[0].id}"
    changed = owner.fill(page, page, name="Kim Lee", role="technician", active="yes")
    assert changed.status_code == 303
    assert kim.get("/units").headers["location"].startswith("/sign-in")
    again = Pages(fleet)
    assert again.sign_in("kim@example.org", NEW_PASSWORD) == 303
    assert again.get(f"/units/{unit_id(LATE)}").status_code == 200
    assert owner.fill(page, page, name="Kim Lee", role="technician").status_code == 303
    assert again.get("/units").status_code == 303
    assert Pages(fleet).sign_in("kim@example.org", NEW_PASSWORD) == 401, "shut out"
    kinds = [row.kind for row in people.audit(fleet.registry) if "kim@" in row.subject]
    assert kinds.count("person_changed") == 2
    assert {"person_added", "person_invited", "password_changed", "sign_in"} <= set(kinds)
    assert "Person changed" in owner.get("/people/done").text


def test_an_unfit_person_comes_back_with_a_sentence(owner: Pages) -> None:
    answer = owner.fill("/people", "/people", name="Kim", login="kim2", role="reader")
    assert answer.status_code == 422
    assert "choose at least one" in answer.text
    assert 'value="kim2"' in answer.text


def test_a_token_made_on_its_page_works_until_it_is_revoked(fleet: Fleet, owner: Pages) -> None:
    made = owner.fill(
        "/people/tokens", "/people/tokens", name="probe", right=["read"], whose="all", days="90"
    )
    assert made.status_code == 201
    secret = shown(made.text)
    assert secret.startswith("hh_")
    assert secret not in owner.get("/people/tokens").text
    header = {"authorization": f"Bearer {secret}"}
    program = Pages(fleet)
    assert program.get("/metrics", headers=header).status_code == 200
    assert program.get("/people", headers=header).status_code == 403
    held = next(
        token for token in people.tokens(fleet.registry, EVERYTHING) if token.name == "probe"
    )
    restricted = Scope(frozenset({customer_of(fleet, unit_id(FAILED))}))
    assert people.tokens(fleet.registry, restricted) == [], "it opens more than they may see"
    revoke = f"/people/tokens/{held.id}/revoke"
    assert owner.fill("/people/tokens", revoke).status_code == 303
    refused = program.get("/api/units", headers=header)
    assert refused.status_code == 401
    assert refused.headers["www-authenticate"].startswith("Bearer")


def test_a_link_made_on_its_page_opens_the_sets_of_its_customer(fleet: Fleet, owner: Pages) -> None:
    ours = customer_of(fleet, unit_id(FAILED))
    made = owner.fill("/people/shares", "/people/shares", name="Quay", customer=[ours], days="30")
    assert made.status_code == 201
    path = shown(made.text).removeprefix(HERE)
    guest = Pages(fleet)
    assert guest.get(path).status_code == 200
    assert guest.get("/units").status_code == 303, "looking at the link alone opens nothing"
    assert guest.post(path).status_code == 303
    page = guest.get(f"/units/{unit_id(FAILED)}")
    assert page.status_code == 200
    assert "Shared with you" in page.text
    assert "/record/" not in page.text
    assert guest.get(f"/units/{unit_id(LATE)}").status_code == 404
    assert guest.fill("/more", "/sign-out").status_code == 303
    assert guest.get("/units").status_code == 303, "closed on this device"
    guest.post(path)
    held = next(link for link in people.shares(fleet.registry, EVERYTHING) if link.name == "Quay")
    assert people.shares(fleet.registry, Scope(frozenset({ours, "x"}))) == [held]
    assert people.shares(fleet.registry, Scope(frozenset({"x"}))) == []
    assert owner.fill("/people/shares", f"/people/shares/{held.id}/revoke").status_code == 303
    assert guest.get("/units").status_code == 303
    assert guest.get(path).status_code == 404


def test_a_new_password_ends_other_browsers_and_keeps_this_one(fleet: Fleet) -> None:
    add(fleet, "ola", "office")
    here, there = Pages(fleet), Pages(fleet)
    assert (here.sign_in("ola"), there.sign_in("ola")) == (303, 303)
    before = here.cookies["hourhand"]
    both = {"password": NEW_PASSWORD, "again": NEW_PASSWORD}
    wrong = here.fill("/account", "/account/password", old="not the old one", **both)
    assert wrong.status_code == 422
    assert here.fill("/account", "/account/password", old=PASSWORD, **both).status_code == 303
    assert here.get("/account").status_code == 200
    assert here.cookies["hourhand"] != before, "a new token"
    assert there.get("/account").status_code == 303
    assert Pages(fleet).sign_in("ola") == 401


def test_one_other_browser_can_be_signed_out(fleet: Fleet) -> None:
    add(fleet, "sam", "technician")
    here, there, third = Pages(fleet), Pages(fleet), Pages(fleet)
    for one in (here, there, third):
        assert one.sign_in("sam") == 303
    theirs = re.search(r'name="session" value="(\w+)"', here.get("/account").text)
    assert theirs is not None
    here.fill("/account", "/account/sessions", session=theirs[1])
    open_ones = [one.get("/account").status_code for one in (here, there, third)]
    assert open_ones[0] == 200
    assert sorted(open_ones[1:]) == [200, 303]


def test_names_of_the_firms_people_are_not_shown_to_customers(fleet: Fleet, owner: Pages) -> None:
    unit = unit_id(0)
    kept = owner.get(f"/api/units/{unit}/records").json()["items"]
    assert {record["by"] for record in kept} >= {"Dee"}
    customer = Pages(fleet)
    add(fleet, "hanna", "reader", customer_of(fleet, unit))
    assert customer.sign_in("hanna") == 303
    seen = customer.get(f"/api/units/{unit}/records").json()["items"]
    assert len(seen) == len(kept)
    assert {record["by"] for record in seen} == {""}
    assert ">Dee<" not in customer.get(f"/units/{unit}").text


def test_a_token_of_some_customers_may_record_but_move_no_device(fleet: Fleet) -> None:
    ours = customer_of(fleet, unit_id(FAILED))
    program = Pages(fleet)
    program.headers.update(with_token(fleet, "tablet", {"record"}, ours).headers)
    path = f"/api/units/{unit_id(FAILED)}/records"
    note = {"at": "2026-11-24T10:00:00Z", "by": "Dee", "kind": "note", "text": "seen"}
    assert program.post(path, json=note).status_code == 201
    moved = program.post(
        path, json={**note, "kind": "fitting", "device": "dev-04", "from": "2026-11-24T10:00:00Z"}
    )
    assert moved.status_code == 403
    assert program.post(f"/api/units/{unit_id(LATE)}/records", json=note).status_code == 404
    assert program.get("/api/units").status_code == 403, "it has no right to read"
    added = people.audit(fleet.registry, kind="record_added")[0]
    assert (added.who, added.subject) == ("token tablet", unit_id(FAILED))


def test_health_tells_a_stranger_its_status_and_nothing_else(fleet: Fleet, owner: Pages) -> None:
    assert Pages(fleet).get("/health").json() == {"status": "attention"}
    customer = Pages(fleet)
    add(fleet, "ida", "reader", customer_of(fleet, unit_id(FAILED)))
    assert customer.sign_in("ida") == 303
    assert customer.get("/health").json() == {"status": "attention"}
    assert "programs" in owner.get("/health").json()


# --- from the box itself --------------------------------------------------------------------------


def test_people_from_the_command_line(tmp_path: Path) -> None:
    house = Service(tmp_path / "data", free_port())
    house.register()
    house.add_person("dee", PASSWORD)
    assert "dee" in house.hourhand("people", "list").stdout
    twice = house.hourhand("people", "add", "dee", "--password-stdin")
    assert twice.returncode == 1
    assert "Traceback" not in twice.stderr
    nobody = house.hourhand("people", "reset", "eve", "--password-stdin")
    assert (nobody.returncode, "nobody called" in nobody.stderr) == (1, True)
    token = house.hourhand("people", "token", "probe", "--customers", "no-such")
    assert (token.returncode, "no customer" in token.stderr) == (1, True)
