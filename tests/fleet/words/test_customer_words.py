"""Everything a customer can read is in plain words: findings of every kind, reminders, outages.

What is looked for are the installer's own words: the trade's, the programs' and units of measure.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import product
from typing import get_args

import pytest
from found import finding as made

from fleet import words
from fleet.findings import ROWS, Cover
from fleet.model import Contact, DueItem, Notice, Readiness, ReadinessNow, Severity
from fleet.words import customer_sentences as say
from fleet.words.customer_findings import KEEP_AWAY, customer_readiness, customer_sentence
from fleet.words.readiness_sentences import READINESS, REASONS
from scheduler.alarms import customers

ZONE = "Europe/Dublin"
NOW = 1_764_582_300
"""2025-12-01T09:45:00Z, a Monday."""
INSTALLERS = re.compile(
    r"""\b(
      volts?|V|Hz|hertz|amps?|kW|nominal|neutral|leg|phase|circuit|windings?|governor|regulator|
      crank\w*|starter|solenoid|overcrank|controller|panel|breaker|transfer|AUTO|automatic|
      lock(ed)?\ out|charger|cells?|float|sulphat\w*|float|meter|telemetry|broker|MQTT|topic|
      device|modem|SIM|sequence|van|technician|round|job|dispatch\w*|duty|tolerance|interval|
      plan|code|load|learn\w*|acknowledg\w*|alert|finding|episode|customer|Same\ day|Next\ visit
    )\b""",
    re.VERBOSE,
)


KINDS = [(row.kind, severity) for row in ROWS for severity in row.severities]


def plain(text: str) -> list[str]:
    """The installer's words in a text."""
    return [found.group(0) for found in INSTALLERS.finditer(text)]


def test_the_search_finds_what_the_installer_reads() -> None:
    told = [words.sentence(made(kind, "act_now", NOW), ZONE, NOW) for kind, _ in KINDS]
    assert sum(bool(plain(f"{one.text} {one.cautions}")) for one in told) > len(told) / 2


@pytest.mark.parametrize(("kind", "severity"), KINDS)
@pytest.mark.parametrize("late", [False, True])
def test_a_finding_of_every_kind(kind: str, severity: Severity, late: bool) -> None:
    found = made(kind, severity, NOW - 9000, learned_at=NOW if late else None)
    said = customer_sentence(found, ZONE, NOW)
    assert plain(f"{said.title} {said.text} {' '.join(said.cautions)} {said.late}") == []
    row = next(row for row in ROWS if row.kind == kind)
    assert (said.do == KEEP_AWAY) == row.endangers
    if row.sends or row.endangers:
        assert said.cautions == say.CUSTOMER_CAUTIONS


@pytest.mark.parametrize("state", get_args(Readiness))
@pytest.mark.parametrize("proof_at", [None, NOW - 6 * 86_400])
def test_whether_it_would_start(state: Readiness, proof_at: int | None) -> None:
    for why in (*REASONS, *(row.kind for row in ROWS)):
        held = ReadinessNow(
            state=state,
            why=why,
            since=NOW - 60,
            others=("crank_limit",),
            proof_at=proof_at,
            proof_v=231,
        )
        said = customer_readiness(held, ZONE, NOW)
        assert plain(said) == []
        assert said.startswith(f"{READINESS[state]}: ")
        assert ("6 days ago" in said) == (proof_at is not None)
    assert customer_readiness(None, ZONE, NOW).startswith("Unknown: ")


def reminded() -> Iterator[Notice]:
    """A reminder of each kind of finding, with work called as installers call it."""
    contact = Contact(person="p1", name="Ada", ways=("email",))
    reader = customers.Reader(contact=contact, customer="c1", zone="Europe/Berlin", allowed=True)
    work = DueItem(
        unit="u1",
        task="tk",
        name="Megger the windings, torque the starter lugs (job 4711)",
        state="late",
        binds="calendar",
        share=1.1,
        due_on="2025-11-20",
    )
    for kind, severity in KINDS:
        one = customers.OwnedSet(
            unit="u1",
            customer="c1",
            place="Oak House",
            placement="outdoors",
            findings=(made(kind, severity, NOW - 86_400),),
            due=(work, work),
        )
        yield from customers.customer_reminders([reader], [one], "Elm Power", NOW)


def test_a_reminder_says_that_service_is_due_and_not_what_it_is_called() -> None:
    told = list(reminded())
    assert len(told) == len(KINDS)
    for notice in told:
        assert plain(f"{notice.subject} {notice.body}") == []
        assert notice.body.count("its regular service is due since 20 Nov 2025.") == 1


def test_every_text_of_an_outage() -> None:
    powers: tuple[say.Power, ...] = get_args(say.Power)
    for power, here, low in product(powers, (True, False), (True, False)):
        fares = say.Fares(place="Oak House", at="10:45", power=power, here=here, low=low)
        for text in (*say.outage_mail("Elm Power", fares), say.outage_text("Elm Power", fares)):
            assert plain(text) == []


@pytest.mark.parametrize("cover", get_args(Cover))
def test_every_cover_is_told_by_one_of_those_or_not_at_all(cover: Cover) -> None:
    assert customers.POWER.get(cover) in {None, *get_args(say.Power)}
