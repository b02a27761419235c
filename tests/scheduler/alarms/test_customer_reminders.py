"""Customers are reminded only where the office allowed it, of fixed sets in their place, once."""

from __future__ import annotations

import msgspec
import pytest
from found import finding

from fleet.model import Contact, DueItem, Placement
from fleet.words.customer_sentences import CUSTOMER_CAUTIONS
from scheduler.alarms.customers import OwnedSet, Reader, customer_reminders

MONDAY = 1_764_582_300  # 2025-12-01T09:45:00Z, 10:45 in Berlin
DAY = 86_400
READER = Reader(
    contact=Contact(person="p1", name="Ada", ways=("email",)),
    customer="c1",
    zone="Europe/Berlin",
    allowed=True,
)
MISSED = finding(
    "exercise_missed",
    severity="next_visit",
    since=MONDAY - DAY,
    facts={"due_at": MONDAY - DAY, "times": 2},
)
OIL = DueItem(
    unit="u1",
    task="oil",
    name="Oil and filter",
    state="late",
    binds="calendar",
    share=1.1,
    due_on="2025-11-20",
)
SET = OwnedSet(
    unit="u1",
    customer="c1",
    place="Oak House",
    placement="outdoors",
    findings=(MISSED,),
    due=(OIL,),
)


def test_one_digest_says_all_of_it_and_the_dangers() -> None:
    second = msgspec.structs.replace(SET, unit="u2", place="Mill", placement="engine_room", due=())
    (notice,) = customer_reminders([READER], [SET, second], "Elm Power", MONDAY)
    assert notice.body.startswith("About your generators:\n")
    assert "Oak House: its last 2 regular test runs were not seen." in notice.body
    assert "Oak House: its regular service is due since 20 Nov 2025." in notice.body
    assert "Mill: " in notice.body
    assert all(line in notice.body for line in CUSTOMER_CAUTIONS)
    assert (notice.kind, notice.way, notice.customer) == ("reminder", "email", "c1")
    assert notice.cause == "reminder:c1:2025-12-01"


@pytest.mark.parametrize("placement", ["portable", "unknown"])
def test_never_of_a_set_that_may_be_run_indoors(placement: Placement) -> None:
    assert not customer_reminders(
        [READER], [msgspec.structs.replace(SET, placement=placement)], "Elm Power", MONDAY
    )


def test_off_until_the_office_allows_it() -> None:
    unasked = Reader(contact=READER.contact, customer="c1", zone="Europe/Berlin")
    assert not customer_reminders([unasked], [SET], "Elm Power", MONDAY)


def test_nobody_reads_of_anothers_set() -> None:
    other = msgspec.structs.replace(SET, customer="c2", place="Elsewhere")
    assert not customer_reminders([READER], [other], "Elm Power", MONDAY)


def test_worked_out_again_it_is_the_same_and_next_week_another() -> None:
    (one,) = customer_reminders([READER], [SET], "Elm Power", MONDAY)
    (again,) = customer_reminders([READER], [SET], "Elm Power", MONDAY + 3600)
    (later,) = customer_reminders([READER], [SET], "Elm Power", MONDAY + 7 * DAY)
    assert one.id == again.id != later.id


@pytest.mark.parametrize("at", [MONDAY - 3600, MONDAY + 8 * 3600, MONDAY + DAY])
def test_only_in_its_hours_in_the_readers_zone(at: int) -> None:
    """09:45 and 18:45 on Monday and Tuesday 10:45 on the wall in Berlin."""
    assert not customer_reminders([READER], [SET], "Elm Power", at)


def test_nothing_to_say_is_not_said() -> None:
    quiet = msgspec.structs.replace(
        SET, findings=(), due=(msgspec.structs.replace(OIL, state="later"),)
    )
    assert not customer_reminders([READER], [quiet], "Elm Power", MONDAY)
