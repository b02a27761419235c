"""Whoever opens a share link, or signs in as a customer, reads no sentence meant for the installer.

A set with an open alert of every kind there is; every page and answer that a customer may open.
"""

from __future__ import annotations

import html
from collections.abc import Iterator

import msgspec
import pytest
from found import finding as made
from register_rows import write_turn
from roles import Caller, add, app_of, customer_of, signed_in, with_link
from seeding import NOW, Fleet, seeded, unit_id

from fleet import words
from fleet.findings import ROWS
from fleet.model import EVERYTHING, Finding, ReadinessNow
from fleet.registry import lists, unscoped
from fleet.registry.derived.rows import UnitTurn
from fleet.registry.told.rows import AlertChanges
from fleet.words import readiness_sentences
from fleet.words.customer_findings import CALL_US, KEEP_AWAY
from scheduler import alarms

UNIT = unit_id(0)
ZONE = "Europe/London"
READY = ReadinessNow(
    state="not_ready",
    why="not_in_auto",
    since=NOW - 7200,
    others=("crank_limit",),
    blind=("switch",),
)


def every_kind() -> tuple[Finding, ...]:
    """One of each kind, as grave as it may be."""
    ours = ("this_service", "earlier")
    rows = [row for row in ROWS if row.family not in ours]
    return tuple(made(row.kind, row.severities[0], NOW - 7200) for row in rows)


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fleet]:
    with seeded(tmp_path_factory.mktemp("customers"), demo=False) as made_:
        row = lists.unit(made_.registry, EVERYTHING, UNIT)
        inputs = unscoped.unit_inputs(made_.registry, UNIT)
        assert row is not None
        assert row.summary is not None
        assert inputs is not None
        found = every_kind()
        known = {e.kind for e in unscoped.open_episodes(made_.registry, [f"unit:{UNIT}"])}
        opened = [
            alarms.opening(f"unit:{UNIT}", f, NOW)
            for f in found
            if f.kind not in known and f.severity != "note"
        ]
        turn = UnitTurn(
            unit=UNIT,
            customer=inputs.customer.id,
            assessment=lists.assessment(made_.registry, EVERYTHING, UNIT) or b"{}",
            look_again_at=NOW + 60,
            summary=msgspec.structs.replace(row.summary, findings=found, readiness=READY),
            facts_seq=inputs.facts_seq,
            alerts=AlertChanges(opened=opened),
        )
        assert write_turn(made_.registry, [turn], NOW) == []
        yield made_


@pytest.fixture(scope="module")
def customers(fleet: Fleet) -> tuple[Caller, ...]:
    mine = customer_of(fleet, UNIT)
    person = add(fleet, "owner.of.a.set@example.org", "reader", mine)
    return with_link(fleet, "link", mine), signed_in(fleet, person)


def pages(fleet: Fleet) -> list[str]:
    episodes = unscoped.open_episodes(fleet.registry, [f"unit:{UNIT}"])
    return [
        "/",
        "/units",
        f"/units/{UNIT}",
        "/due",
        "/alerts",
        "/tolerance",
        "/api/units",
        f"/api/units/{UNIT}",
        "/api/alerts",
        *(f"/alerts/{e.id}" for e in episodes),
    ]


def installers(finding: Finding) -> list[str]:
    """What the installer reads of it: what was seen, and the next step."""
    said = words.sentence(finding, ZONE, NOW)
    return [line[:60] for line in (said.seen, said.do) if line]


def test_no_page_tells_a_customer_what_is_for_the_installer(
    fleet: Fleet, customers: tuple[Caller, ...]
) -> None:
    app = app_of(fleet)
    theirs = [line for f in every_kind() for line in installers(f)]
    theirs += list(words.CAUTIONS)
    theirs += [
        readiness_sentences.reason(why, READY, ZONE, NOW) for why in ("not_in_auto", "crank_limit")
    ]
    theirs += ["panel switch", "no meter has been on"]
    read = 0
    for caller in customers:
        with caller.client(app) as client:
            for path in pages(fleet):
                answer = client.get(path)
                assert answer.status_code == 200, (caller.name, path, answer.status_code)
                text = html.unescape(answer.text)
                assert [line for line in theirs if line in text] == [], (caller.name, path)
                read += KEEP_AWAY in text or CALL_US in text
    assert read > 20, "it is told in plain words instead"


def test_the_installer_reads_them_as_before(fleet: Fleet) -> None:
    boss = signed_in(fleet, add(fleet, "boss@example.org", "owner"))
    with boss.client(app_of(fleet)) as client:
        text = html.unescape(client.get(f"/units/{UNIT}").text)
    assert "Call the site, send the nearest van." in text
    assert KEEP_AWAY not in text
