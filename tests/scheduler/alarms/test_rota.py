"""Whose week it is, across handovers, swaps and clock changes; who is next in line; 06:30."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.model import Contact, Rota, Swap
from scheduler.alarms import holder, in_line, next_morning, recipient_at, weeks_ahead, with_stand_in
from scheduler.alarms.rota import handover_after, took_over

ZONE = "Europe/London"
ROTA = Rota(
    people=("ann", "bob", "cat"), start="2026-11-02", handover="08:00", zone=ZONE, last="own"
)


def at(text: str, zone: str = ZONE) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone)).timestamp())


@pytest.mark.parametrize(
    ("moment", "who"),
    [
        ("2026-11-02T08:00", "ann"),
        ("2026-11-02T07:59", "cat"),
        ("2026-11-09T07:59", "ann"),
        ("2026-11-09T08:00", "bob"),
        ("2026-11-16T12:00", "cat"),
        ("2026-11-23T08:00", "ann"),
        ("2026-10-26T09:00", "cat"),
        ("2027-03-29T08:00", "ann"),
    ],
)
def test_weeks_change_at_the_handover_by_the_clock_on_the_wall(moment: str, who: str) -> None:
    """2027-03-28 the clocks go forward; the handover stays at 08:00 local. 21 weeks after the
    start it is the first one's turn again."""
    assert holder(ROTA, at(moment)) == who


def test_a_swap_goes_before_the_week() -> None:
    swap = Swap(from_on="2026-11-11", to_on="2026-11-13", person="cat")
    rota = Rota(**{**{f: getattr(ROTA, f) for f in ROTA.__struct_fields__}, "swaps": (swap,)})
    assert holder(rota, at("2026-11-11T07:59")) == "bob"
    assert holder(rota, at("2026-11-11T08:00")) == "cat"
    assert holder(rota, at("2026-11-13T07:59")) == "cat"
    assert holder(rota, at("2026-11-13T08:00")) == "bob"
    spans = weeks_ahead(rota, at("2026-11-10T12:00"), 2)
    assert spans == [
        ("2026-11-09", "2026-11-11", "bob"),
        ("2026-11-11", "2026-11-13", "cat"),
        ("2026-11-13", "2026-11-16", "bob"),
        ("2026-11-16", "2026-11-23", "cat"),
    ]


def test_when_the_phone_passes_on_next_and_passed_on_last() -> None:
    assert handover_after(ROTA, at("2026-11-10T07:59")) == at("2026-11-10T08:00")
    assert handover_after(ROTA, at("2026-11-10T08:00")) == at("2026-11-11T08:00")
    assert took_over(ROTA, at("2026-11-09T08:00")) == at("2026-11-09T08:00")
    assert took_over(ROTA, at("2026-11-09T07:59")) == 0
    assert took_over(ROTA, at("2026-11-10T09:00")) == 0


def test_a_handover_at_a_time_the_wall_shows_twice_is_still_to_come_when_it_was_put_back() -> None:
    """London, 2026-10-25: at 01:10 UTC the wall shows 01:10 again; 01:30 comes at 01:30 UTC."""
    rota = Rota(people=("ann", "bob"), start="2026-10-19", handover="01:30", zone=ZONE)
    again = int(datetime(2026, 10, 25, 1, 10, tzinfo=UTC).timestamp())
    assert handover_after(rota, again) == again + 1200


def test_who_is_next_in_line() -> None:
    assert in_line(ROTA, at("2026-11-10T12:00")) == ("bob", "cat", "ann", "own")
    assert in_line(Rota(last="own"), at("2026-11-10T12:00")) == ("own",)
    assert in_line(Rota(), at("2026-11-10T12:00")) == ()


@pytest.mark.parametrize(
    ("moment", "morning"),
    [
        ("2026-11-10T03:00", "2026-11-10T06:30"),
        ("2026-11-10T06:30", "2026-11-10T06:30"),
        ("2026-11-10T06:31", "2026-11-11T06:30"),
        ("2026-10-24T23:00", "2026-10-25T06:30"),
        ("2027-03-27T23:00", "2027-03-28T06:30"),
    ],
)
def test_the_morning(moment: str, morning: str) -> None:
    """Half past six on the wall, on the nights the clocks change too."""
    assert next_morning(at(moment), ZONE) == at(morning)


@settings(max_examples=60, deadline=None)
@given(st.integers(at("2026-01-01T00:00"), at("2030-01-01T00:00")))
def test_there_is_always_one_holder(moment: int) -> None:
    """Somebody of the rota at any moment, the same as the week that covers it, everybody in line."""
    who = holder(ROTA, moment)
    assert who in ROTA.people
    assert weeks_ahead(ROTA, moment, 1)[0][2] == who
    assert set(in_line(ROTA, moment)) == {"ann", "bob", "cat", "own"}


NAMED: tuple[Contact, ...] = (
    Contact(person="abe", name="Abe", role="technician", ways=("push",)),
    Contact(person="bea", name="Bea", role="office", ways=("email",)),
    Contact(person="cy", name="Cy", role="owner"),
    Contact(person="di", name="Di", role="owner", ways=("email",)),
)


@pytest.mark.parametrize(
    ("people", "asked"),
    [
        (NAMED, "di"),
        (NAMED[:3], "bea"),
        (NAMED[:1], "abe"),
        (NAMED[2:3], ""),
        ((), ""),
    ],
)
def test_without_a_rota_the_owner_is_asked(people: tuple[Contact, ...], asked: str) -> None:
    """Of the owners the first who can be reached; then the office; never whoever is first by name."""
    assert holder(with_stand_in(Rota(), people), 0) == asked
    agreed = Rota(people=("abe",))
    assert with_stand_in(agreed, people) == agreed
    assert with_stand_in(Rota(last="bea"), people) == Rota(last="bea")


@pytest.mark.parametrize(
    ("rota", "asked"),
    [
        (Rota(people=("cy", "bea")), "bea"),
        (Rota(people=("gone",)), "di"),
        (Rota(people=("gone",), last="abe"), "abe"),
        (Rota(people=("abe", "bea"), start="2026-01-05"), "abe"),
    ],
)
def test_a_holder_who_cannot_be_reached_silences_nobody(rota: Rota, asked: str) -> None:
    at = int(datetime(2026, 1, 6, tzinfo=UTC).timestamp())
    contact = recipient_at(rota, NAMED, at)
    assert contact is not None
    assert contact.person == asked
    assert recipient_at(rota, NAMED[2:3], at) is None
