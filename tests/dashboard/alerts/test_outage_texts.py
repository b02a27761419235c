"""What customers are written in an outage: the words, who is written at all, the page, the mail.

The facts a text must keep are those of the firm's rules of what is said (outdoors, openings, carbon
monoxide alarm, dizziness, back-feed, engine off and cool, OFF first).
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any, get_args
from urllib.parse import parse_qs, urlsplit

import msgspec
import outbox_runs
import pytest
from fastapi.testclient import TestClient
from hypothesis import given, settings
from hypothesis import strategies as st
from mains_off import OFFICE as DUTY
from mains_off import mains_off
from offending import offending
from posts import MailServer, mail_server
from register_rows import write_turn
from roles import HERE, Caller, add, app_of, customer_of, signed_in
from seeding import NOW, SILENT, Fleet, _row, seed, unit_id
from service import free_port

from dashboard.pages.alerts.outage_texts import sms_link, writing
from fleet.model import (
    EVERYTHING,
    Call,
    Contact,
    Cover,
    MainsNow,
    Outage,
    OutageMember,
    Placement,
    Scope,
)
from fleet.registry import lists, unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.derived.rows import UnitTurn
from fleet.registry.office.sitecard import key_of
from fleet.registry.people import Actor
from fleet.registry.people.audit import audit
from fleet.registry.register import import_units
from fleet.registry.told import alerts, kept_outages
from fleet.registry.told.customer_readers import customer_readers, write_to_customer
from fleet.registry.told.outbox import put_notices
from fleet.registry.told.rows import AlertChanges
from fleet.words import customer_sentences
from scheduler import alarms
from scheduler.alarms.customers import POWER, Reader, fares, outage_notices
from scheduler.notify import Mail
from scheduler.outage import finding
from scheduler.turns import outages
from scheduler.turns.outages import Places

pytest_plugins = ["databases"]

FAILED_START = 6
COVERED = 0
POWERS = get_args(customer_sentences.Power)
KEPT_IN_A_TEXT = (
    "outdoors only",
    "away from doors, windows",
    "CO alarm",
    "Dizzy",
    "go outside",
    "Never plug",
    "Engine off and cool",
    "fuel or oil",
    "at OFF",
    "start by itself",
)


def member(cover: Cover = "failed", **over: Any) -> OutageMember:
    base = OutageMember(
        unit="u1",
        site="s1",
        customer="c1",
        criticality="home",
        cover=cover,
        since=NOW,
        lost_at=NOW - 600,
    )
    return msgspec.structs.replace(base, **over)


OUTAGE = Outage(
    id="e1", subject="area:North", area="North", opened_at=NOW - 500, began_at=NOW - 600
)
MO = Reader(contact=Contact(person="p1", name="Mo", ways=("email",)), customer="c1", allowed=True)


# words -------------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    st.text(max_size=90),
    st.text(max_size=150),
    st.sampled_from(POWERS),
    st.booleans(),
    st.booleans(),
)
def test_a_text_is_three_messages_of_a_phone_at_most_with_every_caution(
    firm: str, place: str, power: customer_sentences.Power, here: bool, low: bool
) -> None:
    """153 letters of the 7-bit alphabet in each of several; none of them counts twice."""
    told_of = customer_sentences.Fares(
        place=place, at="28 Nov 2025 07:12", power=power, here=here, low=low and power == "powered"
    )
    text = customer_sentences.outage_text(firm, told_of)
    assert len(text) <= 3 * 153
    assert customer_sentences.segments(text) <= 3
    assert all(" " <= letter <= "~" and letter not in "[]{}~|^\\`" for letter in text)
    for words in (*KEPT_IN_A_TEXT, "28 Nov 2025 07:12"):
        assert words in text, words


@pytest.mark.parametrize(
    ("letters", "messages"), [(1, 1), (160, 1), (161, 2), (306, 2), (307, 3), (459, 3), (460, 4)]
)
def test_segments(letters: int, messages: int) -> None:
    """3GPP TS 23.038 and 23.040, from memory: 160 septets alone, 153 with the header of a part."""
    assert customer_sentences.segments("x" * letters) == messages


@pytest.mark.parametrize("power", POWERS)
@pytest.mark.parametrize("here", [True, False])
def test_a_text_says_what_is_known_and_asks_for_nothing_at_the_set(
    power: customer_sentences.Power, here: bool
) -> None:
    known = customer_sentences.Fares(place="Oak House", at="07:12", power=power, here=here)
    subject, body = customer_sentences.outage_mail("Elm Power", known)
    for text in (customer_sentences.outage_text("Elm Power", known), body):
        assert ("generator gives power" in text) == (power == "powered")
        assert ("generator gives no power" in text) == (power == "not_powered")
        assert ("do not hear from your generator" in text) == (power == "unknown")
        assert ("call" in text.split("start by itself")[0]) == (power != "powered")
        assert ("at Oak House" if here else "around Oak House") in text
        assert not offending(text)
        about = re.findall(r"[^.:]*\bswitch[^.]*\.", text)
        assert len(about) == 1, "of its switch nothing but that it be at OFF first"
        assert "before its switch is at OFF" in about[0]
    assert subject == "Elm Power: power cut at Oak House"
    assert all(line in body for line in customer_sentences.CUSTOMER_CAUTIONS)


def test_no_place_breaks_a_line_or_a_subject() -> None:
    bad = customer_sentences.Fares(place="Oak\r\nBcc: a@b", at="07:12", power="unknown")
    subject, body = customer_sentences.outage_mail("Elm\r\nPower", bad)
    assert "\n" not in subject + customer_sentences.outage_text("Elm\r\nPower", bad)
    assert "\r" not in subject + body


# who is written ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cover", "power"),
    [
        ("failed", "not_powered"),
        ("not_running", "not_powered"),
        ("no_voltage", "not_powered"),
        ("aside", "not_powered"),
        ("unproven", "unknown"),
        ("waiting", "unknown"),
        ("low_fuel", "powered"),
        ("bad_output", None),
        ("covered", None),
        ("mains_back", None),
    ],
)
def test_who_is_plainly_covered_or_has_mains_is_not_written(
    cover: Cover, power: str | None
) -> None:
    found = fares(OUTAGE, member(cover), "Oak House", "07:12")
    assert (found and found.power) == power
    over = msgspec.structs.replace(OUTAGE, ended_at=NOW)
    merged = msgspec.structs.replace(OUTAGE, into="e2")
    for without in (over, merged):
        assert fares(without, member(cover), "Oak House", "07:12") is None


def test_every_cover_is_decided() -> None:
    assert set(POWER) | {"bad_output", "covered", "mains_back"} == set(get_args(Cover))


def test_only_low_fuel_speaks_of_fuel() -> None:
    low = fares(OUTAGE, member("low_fuel"), "Oak House", "07:12")
    assert low is not None
    assert "fuel runs low" in customer_sentences.outage_text("Elm Power", low)
    covers: tuple[Cover, ...] = ("failed", "unproven")
    for cover in covers:
        other = fares(OUTAGE, member(cover), "Oak House", "07:12")
        assert other is not None
        assert "fuel runs low" not in customer_sentences.outage_text("Elm Power", other)


def notices(placement: Placement = "outdoors", reader: Reader = MO, **over: Any) -> list[Any]:
    about = member(**over)
    said = fares(OUTAGE, about, "Oak House", "07:12")
    assert said is not None
    return outage_notices([reader], OUTAGE, about, placement, said, "Elm Power", NOW)


@pytest.mark.parametrize("placement", ["portable", "unknown"])
def test_never_of_a_set_that_may_be_run_indoors(placement: Placement) -> None:
    assert notices(placement) == []
    assert (
        "Call them" in customer_sentences.WHY_NOT[placement]
        or "call them" in customer_sentences.WHY_NOT[placement]
    )


def test_never_without_consent_and_nobody_reads_of_anothers_set() -> None:
    assert notices(reader=msgspec.structs.replace(MO, allowed=False)) == []
    assert notices(reader=msgspec.structs.replace(MO, customer="c2")) == []
    silent = msgspec.structs.replace(MO.contact, ways=())
    assert notices(reader=msgspec.structs.replace(MO, contact=silent)) == []


def test_the_same_notice_for_one_outage_set_person_and_state() -> None:
    (first,) = notices()
    (again,) = notices(cover="not_running", since=NOW + 60)
    (other_state,) = notices(cover="unproven")
    (other_set,) = notices(unit="u2")
    (other_person,) = notices(
        reader=msgspec.structs.replace(MO, contact=msgspec.structs.replace(MO.contact, person="p2"))
    )
    assert first.id == again.id, "no power is no power, however the set fails"
    assert len({n.id for n in (first, other_state, other_set, other_person)}) == 4
    assert (first.kind, first.way, first.customer) == ("customer_text", "email", "c1")
    assert first.cause == OUTAGE.id, "withdrawn when the outage is over"


# the link ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("phone", "number"),
    [
        ("01632 960006", "01632960006"),
        ("+44 (0)1632 960006", "+441632960006"),
        ("+1 (510) 555-0101", "+15105550101"),
        ("01632 960006 / 07700 900123", "01632960006"),
        ("01632 960006 ext. 5", "01632960006"),
        ("0+1632960006", "01632960006"),
        ("", ""),
        ("ask at the desk", ""),
        ("112", ""),
        ("javascript:alert(1)", ""),
    ],
)
def test_a_link_opens_a_text_message(phone: str, number: str) -> None:
    """RFC 5724, 2.2: sms:number?body=escaped."""
    link = sms_link(phone, "50 % & more?\r\n#x")
    if not number:
        assert link == ""
        return
    assert link == f"sms:{number}?body=50%20%25%20%26%20more%3F%0D%0A%23x"


# the page ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fleet]:
    """Outdoors: the one that failed and one that is covered; portable: the silent one."""
    fleet = seed(tmp_path_factory.mktemp("texts"), demo=False)
    placed = {FAILED_START: "outdoors", COVERED: "outdoors", SILENT: "portable"}
    rows = [{**_row(n), "placement": where} for n, where in placed.items()]
    assert import_units(fleet.registry, rows, NOW, "office").ok
    asked = msgspec.structs.replace(
        fleet.settings, remind_customers=True, smtp_host="127.0.0.1", smtp_from="duty@example.org"
    )
    yield Fleet(asked, fleet.registry, fleet.history)
    fleet.registry.close()
    fleet.history.store.close()


@pytest.fixture(scope="module")
def outage(made: Fleet) -> str:
    return mains_off(made)


@pytest.fixture(scope="module")
def dee(made: Fleet) -> Caller:
    return signed_in(made, add(made, "dee", "technician"))


@pytest.fixture(scope="module")
def mo(made: Fleet) -> Caller:
    """Of the customer whose set failed."""
    whose = customer_of(made, unit_id(FAILED_START))
    return signed_in(made, add(made, "mo@example.org", "reader", whose))


def row_of(fleet: Fleet, who: Caller, outage: str, n: int) -> str:
    """One site's item of the call list."""
    answer = who.client(app_of(fleet)).get(f"/outages/{outage}")
    assert answer.status_code == 200
    found = re.search(rf'<li id="u-{unit_id(n)}".*?</li>\n', answer.text, re.DOTALL)
    assert found is not None
    return html.unescape(found.group())


def write(
    fleet: Fleet,
    who: Caller,
    outage: str,
    n: int = FAILED_START,
    client: TestClient | None = None,
    **over: str,
) -> Any:
    data = {"form_token": who.form_token, "unit": unit_id(n), "power": "not_powered"} | over
    return (client or who.client(app_of(fleet))).post(
        f"/outages/{outage}/write", data=data, headers={"origin": HERE}
    )


def texts(fleet: Fleet, outage: str) -> list[tuple[Any, str]]:
    return [
        (n, s)
        for n, s in alerts.notices(fleet.registry, EVERYTHING, outage)
        if n.kind == "customer_text"
    ]


def states(fleet: Fleet, outage: str) -> dict[str, str]:
    """Of the e-mails about one set, by what they say of its power."""
    return {n.step.rpartition(".")[2]: state for n, state in texts(fleet, outage)}


def test_the_prepared_text_opens_on_the_persons_own_phone(
    made: Fleet, dee: Caller, outage: str
) -> None:
    row = row_of(made, dee, outage, FAILED_START)
    (link,) = re.findall(r'href="(sms:[^"]+)"', row)
    shown = re.search(r'<p class="words">(.*?)</p>', row, re.DOTALL)
    assert shown is not None
    split = urlsplit(link)
    assert split.path == "01632960006", "the phone of the site"
    assert parse_qs(split.query)["body"] == [shown.group(1)], "the words that are shown"
    assert shown.group(1).startswith("Harrow & Finch, 07:05: no public power at Hostile yard, and ")
    assert "3 messages long" in row
    assert "Text to the customer" not in row_of(made, dee, outage, COVERED)


def test_of_a_portable_set_the_page_says_why_there_is_no_text(
    made: Fleet, dee: Caller, outage: str
) -> None:
    row = row_of(made, dee, outage, SILENT)
    assert customer_sentences.WHY_NOT["portable"] in row
    assert "sms:" not in row
    refused = write(made, dee, outage, SILENT, power="unknown")
    assert (
        refused.status_code,
        customer_sentences.WHY_NOT["portable"] in html.unescape(refused.text),
    ) == (
        409,
        True,
    )


def test_that_a_text_was_sent_by_hand_stands_in_the_log(
    made: Fleet, dee: Caller, outage: str
) -> None:
    data = {
        "form_token": dee.form_token,
        "unit": unit_id(FAILED_START),
        "outcome": "written",
        "note": "by text message",
    }
    answer = dee.client(app_of(made)).post(
        f"/outages/{outage}/call", data=data, headers={"origin": HERE}
    )
    assert answer.status_code == 303
    row = row_of(made, dee, outage, FAILED_START)
    assert "Written to the customer by Dee 07:05, by text message" in row


def test_without_an_address_or_a_word_of_the_office_there_is_no_button(
    made: Fleet, dee: Caller, outage: str
) -> None:
    """The customer has nobody yet who signs in with an e-mail address."""
    row = row_of(made, dee, outage, FAILED_START)
    assert "signs in with an e-mail address" in row
    assert "/write" not in row
    assert write(made, dee, outage).status_code == 409
    for name, value, said in (
        ("remind_customers", False, "remind_customers is off"),
        ("smtp_host", "", "no mail server is set"),
    ):
        other = Fleet(
            msgspec.structs.replace(made.settings, **{name: value}), made.registry, made.history
        )
        row = row_of(other, dee, outage, FAILED_START)
        assert said in row
        assert "sms:" in row, "from their own phone anybody may still write"
        assert write(other, dee, outage).status_code == 409
    assert texts(made, outage) == []


def test_a_customer_sees_neither_texts_nor_names(
    made: Fleet, dee: Caller, mo: Caller, outage: str
) -> None:
    row = row_of(made, mo, outage, FAILED_START)
    assert "Text to the customer" not in row
    assert "sms:" not in row
    assert "Written to the customer 07:05" in row
    assert "Dee" not in row
    assert write(made, mo, outage).status_code == 403


def test_one_button_writes_to_the_customer_once_and_says_so(
    made: Fleet, dee: Caller, mo: Caller, outage: str
) -> None:
    """Pressed eight times at once and again later it is one e-mail and one line; a real mail server
    has it with all its cautions."""
    assert "E-mail it to Mo@Example.Org" in row_of(made, dee, outage, FAILED_START)
    served = [dee.client(app_of(made)) for _ in range(4)]
    assert [client.get("/outages").status_code for client in served] == [200] * 4
    with ThreadPoolExecutor(4) as pool:  # pages of four processes, as it were, all of them up
        pressed = [
            pool.submit(write, made, dee, outage, client=client) for client in served for _ in "ab"
        ]
        went = sorted(press.result().headers["location"].split("done=")[1] for press in pressed)
    at = f"#u-{unit_id(FAILED_START)}"
    assert went == [f"before{at}"] * 7 + [f"written{at}"]
    ((notice, state),) = texts(made, outage)
    assert (state, notice.unit) == ("waiting", unit_id(FAILED_START))
    row = row_of(made, dee, outage, FAILED_START)
    assert row.count("Written to the customer by Dee 07:05, by e-mail to one person") == 1
    assert "it is not delivered yet" in row
    assert "/write" not in row
    with mail_server() as post:
        assert send(made, post).sent == 1
        (got,) = post.got
        assert got["X-To"] == "mo@example.org"
        assert got["Subject"] == "Harrow & Finch: power cut at Hostile yard"
        text = got.get_body().get_content()  # type: ignore[union-attr]
        lines = text.splitlines()
        assert (
            lines[0] == "07:05: no public power at Hostile yard, and your generator gives no power."
        )
        assert all(line in lines for line in customer_sentences.CUSTOMER_CAUTIONS)
        assert (
            write(made, dee, outage)
            .headers["location"]
            .startswith(f"/outages/{outage}?done=before")
        )
        assert send(made, post).sent == 0
    assert "it was delivered" in row_of(made, dee, outage, FAILED_START)
    assert [r.detail for r in audit(made.registry) if r.subject == unit_id(FAILED_START)].count(
        "written"
    ) == 2
    page = dee.client(app_of(made)).get(f"/alerts/{outage}").text
    assert "the customer" in page


def send(fleet: Fleet, post: MailServer, at: int = NOW) -> Any:
    mail = Mail(host="127.0.0.1", port=post.port, security="none", sender="duty@example.org")
    return outbox_runs.send(fleet.registry, mail, key_of(fleet.settings), at)


@pytest.mark.parametrize(
    ("over", "code"),
    [
        ({"unit": "gs-02"}, 422),
        ({"unit": ""}, 422),
        ({"power": "powered"}, 409),
        ({"power": ""}, 409),
        ({"form_token": "x"}, 403),
    ],
)
def test_what_is_not_written(
    made: Fleet, dee: Caller, outage: str, over: dict[str, Any], code: int
) -> None:
    before = len(texts(made, outage))
    assert write(made, dee, outage, **over).status_code == code
    assert len(texts(made, outage)) == before


def fare(fleet: Fleet, places: Places, n: int, at: int, **change: Any) -> None:
    """Change what is known of a set as its turn writes it."""
    row = lists.unit(fleet.registry, EVERYTHING, unit_id(n))
    inputs = unscoped.unit_inputs(fleet.registry, unit_id(n))
    assert row is not None
    assert row.summary is not None
    assert inputs is not None
    summary = msgspec.structs.replace(row.summary, **change)
    turn = UnitTurn(
        unit=unit_id(n),
        customer=row.customer.id,
        assessment=b"{}",
        look_again_at=at + 60,
        summary=summary,
        facts_seq=inputs.facts_seq,
    )
    assert write_turn(fleet.registry, [turn], at) == []
    places.note(inputs, summary)


def test_another_state_is_another_text_and_after_the_outage_there_is_none(
    made: Fleet, dee: Caller, mo: Caller, outage: str
) -> None:
    """It falls silent: unknown is new, and said once. The mail server is down; the mains comes back
    before it is there again, and the text that waited is not sent any more."""
    places = Places()
    silent = NOW + 900
    fare(made, places, FAILED_START, silent, findings=(), condition="not_reporting")
    for n in (COVERED, SILENT, 8):
        fare(made, places, n, silent)
    outages.look(made.registry, places, DUTY, silent)
    assert write(made, dee, outage).status_code == 409, "the page that was read says not powered"
    assert write(made, dee, outage, power="unknown").status_code == 303
    assert states(made, outage) == {"not_powered": "sent", "unknown": "waiting"}
    assert send(made, MailServer(port=free_port())).again >= 1
    back = silent + 30
    for n in (COVERED, FAILED_START, SILENT, 8):
        mains = MainsNow(
            state="present", since=back, since_earliest=back - 5, at=back, last="present"
        )
        fare(made, places, n, back, mains=mains, condition="standing_by", heard_at=back)
    outages.look(made.registry, places, DUTY, back)
    held = kept_outages.outage(made.registry, EVERYTHING, outage)
    assert held is not None
    assert held.ended_at is not None
    assert states(made, outage) == {"not_powered": "sent", "unknown": "withdrawn"}
    with mail_server() as post:
        send(made, post, back + 3600)
        assert all("generator" not in str(m["Subject"]) for m in post.got)
        assert [m for m in post.got if m["X-To"] == "mo@example.org"] == []
    row = row_of(made, dee, outage, FAILED_START)
    assert "Text to the customer" not in row
    assert write(made, dee, outage, power="unknown").status_code == 409


def test_what_a_set_alone_was_written_counts_when_its_area_follows(
    made: Fleet, outage: str
) -> None:
    """A single site's outage went into this one: its e-mail is not sent again under this one's id."""
    whole = kept_outages.outage(made.registry, EVERYTHING, outage)
    assert whole is not None
    assert kept_outages.parts_of(made.registry, EVERYTHING, whole) == []
    part = msgspec.structs.replace(
        OUTAGE, id="o-part", subject="site:s1", area="", ended_at=whole.began_at + 60, into=outage
    )
    other = msgspec.structs.replace(part, id="o-other", into="")
    opened = tuple(
        alarms.opening(o.subject + o.id, finding(o), NOW, name=o.id) for o in (part, other)
    )
    turn = kept_outages.OutageTurn(outages=(part, other), alerts=AlertChanges(opened=opened))
    assert kept_outages.write_outages(made.registry, turn, NOW)
    assert kept_outages.parts_of(made.registry, EVERYTHING, whole) == ["o-part"]
    said = fares(OUTAGE, member(), "Oak House", "07:12")
    assert said is not None
    (early,) = outage_notices(
        [MO], msgspec.structs.replace(part, into=""), member(), "outdoors", said, "Elm", NOW
    )
    put_notices(made.registry, [early], NOW)
    about = writing(app_of(made).state.services, EVERYTHING, whole)
    assert about.sent[early.step, "p1"] == "waiting"


def test_one_of_many_at_once_writes_on_either_database(reg: Registry) -> None:
    """The e-mail and its line of the log in one transaction, for the first of them only."""
    opened = alarms.opening(OUTAGE.subject, finding(OUTAGE), NOW, name=OUTAGE.id)
    turn = kept_outages.OutageTurn(outages=(OUTAGE,), alerts=AlertChanges(opened=(opened,)))
    assert kept_outages.write_outages(reg, turn, NOW)
    (told_of,) = notices()
    call = Call(id="c1", episode=OUTAGE.id, unit="u1", at=NOW, by="Dee", outcome="written")
    dee = Actor("Dee", None, "")
    with ThreadPoolExecutor(6) as pool:
        asked = [pool.submit(write_to_customer, reg, [told_of], call, dee, NOW) for _ in range(12)]
        assert sorted(one.result() for one in asked) == [False] * 11 + [True]
    assert [n.id for n, _ in alerts.notices(reg, EVERYTHING, OUTAGE.id)] == [told_of.id]
    assert alerts.calls(reg, EVERYTHING, OUTAGE.id) == [call]
    assert [r.detail for r in audit(reg)] == ["written"]


def test_people_of_customers_are_found_by_their_address(made: Fleet, mo: Caller) -> None:
    whose = customer_of(made, unit_id(FAILED_START))
    add(made, "no-address", "reader", whose)
    add(made, "tech@example.org", "technician")
    assert [(c.name, c.ways, who) for c, who in customer_readers(made.registry, EVERYTHING)] == [
        ("Mo@Example.Org", ("email",), whose)
    ]
    assert len(customer_readers(made.registry, Scope(frozenset({whose})))) == 1
    assert customer_readers(made.registry, Scope(frozenset({"another"}))) == []
