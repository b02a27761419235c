"""What a message says is the alert as it stands when it is written, whatever it was made for."""

from __future__ import annotations

import msgspec
import pytest
from found import finding as made
from waking_cases import DAY, NIGHT, ZONE, at, case, later

from fleet.model import Contact, DeliveryMethod, Notice, Rota
from fleet.words.alert_sentences import NOBODY, UNCHECKED
from scheduler import alarms
from scheduler.alarms import AlertNews, Office

WAYS: tuple[DeliveryMethod, ...] = ("push", "sms", "webhook", "email")
ANN = Contact(person="ann", name="Ann", ways=WAYS)
BOB = Contact(person="bob", name="Bob", ways=WAYS)
OFFICE = Office(people=(ANN, BOB), rota=Rota(people=("ann", "bob"), start="2026-11-02", zone=ZONE))
FIRST = case(mains="off")


def raised() -> list[Notice]:
    return alarms.tell([FIRST], OFFICE, NIGHT)


def asked() -> list[Notice]:
    return alarms.escalate(raised(), OFFICE, NIGHT + 900)


def over() -> AlertNews:
    return later(FIRST, None, NIGHT + 600)


def test_a_message_made_now_is_worded_as_now() -> None:
    for notice in raised():
        assert alarms.worded(notice, FIRST.episode, NIGHT) == notice
        assert notice.subject == "Act now: Alder House: Would not start"


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("step", ["first", "next in line"])
def test_what_is_over_is_said_to_be_so_by_every_way_and_step(
    way: DeliveryMethod, step: str
) -> None:
    made_of = raised() if step == "first" else asked()
    (notice,) = (one for one in made_of if one.way == way)
    said = alarms.worded(notice, over().episode, NIGHT + 1500)
    assert said.subject == "Over: Alder House: Would not start"
    assert "It was over at 03:10." in said.body
    assert "nearest van" not in said.body
    assert (said.id, said.step, said.person) == (notice.id, notice.step, notice.person)


def test_what_is_over_grows_no_older() -> None:
    """An engine stopped after 30 h is not said to have run for 43 d by an all-clear of weeks later."""
    found = made(
        "oil_check_in_run",
        severity="same_day",
        since=DAY,
        facts={"started_at": DAY - 30 * 3600, "run_h": 8.0, "check": 1},
    )
    episode = alarms.opening("unit:u1", found, DAY)
    first = AlertNews(episode=episode, steps=episode.steps, place="Mill", zone=ZONE)
    (notice, *_) = alarms.tell([first], OFFICE, DAY)
    lapsed = alarms.grown(episode, alarms.proceed(episode, None, DAY + 60))
    gone = alarms.grown(lapsed, alarms.proceed(lapsed, None, DAY + 3600))
    assert alarms.state_of(gone) == "returned"
    told = {alarms.worded(notice, gone, DAY + days * 86_400).body for days in (8, 43)}
    assert all("43 d" not in body and "8 d" not in body for body in told)
    assert all("Until then: " in body for body in told)


def test_who_has_it_is_said_and_nobody_is_called_silent() -> None:
    taken = alarms.grown(FIRST.episode, [alarms.acknowledge(FIRST.episode, "Dee", NIGHT + 300)])
    for notice in (*raised(), *asked()):
        said = alarms.worded(notice, taken, NIGHT + 1000)
        assert NOBODY not in said.subject
        assert "Dee has it since 03:05." in said.body
    for notice in asked():
        assert notice.subject.startswith(f"{NOBODY}: ")
        assert alarms.worded(notice, FIRST.episode, NIGHT + 1000).subject.startswith(NOBODY)


def test_what_is_not_seen_any_more_and_not_over_yet_says_so() -> None:
    swinging = case("not_in_auto", mains="off")
    (notice, *_) = alarms.tell([swinging], OFFICE, NIGHT)
    gone = later(swinging, None, NIGHT + 600)
    assert alarms.state_of(gone.episode) == "unacknowledged"
    said = alarms.worded(notice, gone.episode, NIGHT + 610)
    assert "Not seen any more since 03:10." in said.body


def test_what_came_back_is_not_called_over() -> None:
    """The all-clear waits for the morning; the fault is back before it leaves."""
    (clear, *_) = alarms.tell([over()], OFFICE, NIGHT + 600)
    assert clear.kind == "cleared"
    back = later(over(), FIRST.episode.finding, NIGHT + 900)
    said = alarms.worded(clear, back.episode, NIGHT + 4000)
    assert said.subject == "Act now: Alder House: Would not start"
    assert "over" not in said.body


def test_moments_are_those_of_the_day_it_is_read() -> None:
    """03:00 of a message that waits until the next morning is yesterday's by then."""
    (notice, *_) = raised()
    morning = alarms.worded(notice, FIRST.episode, at("2026-11-05T06:30"))
    assert "Wed 02:59" in morning.body


def test_a_reading_that_a_meter_was_on_meanwhile_is_not_doubted() -> None:
    unsure = case("over_voltage", now=DAY, adopted=True, facts={})
    (notice, *_) = alarms.tell([unsure], OFFICE, DAY)
    assert UNCHECKED in notice.body
    assert notice.place is not None
    sure = msgspec.structs.replace(
        notice, place=msgspec.structs.replace(notice.place, unsure=False)
    )
    assert UNCHECKED not in alarms.worded(sure, unsure.episode, DAY).body


def test_a_notice_of_an_earlier_version_keeps_its_words() -> None:
    old = msgspec.structs.replace(raised()[0], place=None)
    assert alarms.worded(old, over().episode, NIGHT + 1500) == old
