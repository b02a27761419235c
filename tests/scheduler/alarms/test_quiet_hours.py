"""Each person's own quiet hours: what waits, until when and for whom; across handovers and the
nights the clocks change; how they are kept."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import msgspec
import pytest
import sqlalchemy as sa
from hypothesis import given, settings
from hypothesis import strategies as st
from waking_cases import case, later

from fleet.model import EVERYTHING, Contact, QuietHours, Rota, Severity, Swap
from fleet.registry import people
from fleet.registry.base import tables
from fleet.registry.base.engine import Registry
from fleet.registry.office import duty_rota, quiet_hours
from fleet.registry.office.quiet_hours import QuietHoursRefused, read
from fleet.registry.people import Actor, Person
from fleet.registry.people.audit import audit
from fleet.registry.told import outbox
from fleet.registry.told.outbox import write_notices
from scheduler import alarms
from scheduler.alarms import Office, holder, weekly
from scheduler.turns import reminders

pytest_plugins = ["databases"]
LONDON = "Europe/London"
NOW = 1_796_000_000
BY = Actor("the tests")


def at(text: str, zone: str = LONDON) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone)).timestamp())


def who(name: str, begins: str = "20:00", ends: str = "06:30") -> Contact:
    return Contact(
        person=name,
        name=name.title(),
        ways=("push", "email"),
        quiet=QuietHours(begins=begins, ends=ends),
    )


def office(*people: Contact, handover: str = "08:00", zone: str = LONDON) -> Office:
    """A week each from Monday 2026-11-02 on."""
    order = tuple(one.person for one in people)
    return Office(
        people=people, rota=Rota(people=order, start="2026-11-02", handover=handover, zone=zone)
    )


def told(here: Office, now: int, severity: Severity = "act_now") -> tuple[str, int]:
    """(whom, when) of an alert that wakes nobody."""
    (notice,) = alarms.tell([case("fuel_low", severity, now)], here, now)
    assert not notice.wakes
    return notice.person, notice.not_before


@pytest.mark.parametrize(
    ("begins", "ends", "now", "leaves"),
    [
        ("22:00", "07:30", "2026-11-04T21:59", "2026-11-04T21:59"),
        ("22:00", "07:30", "2026-11-04T22:00", "2026-11-05T07:30"),
        ("22:00", "07:30", "2026-11-05T07:29", "2026-11-05T07:30"),
        ("22:00", "07:30", "2026-11-05T07:30", "2026-11-05T07:30"),
        ("06:00", "14:00", "2026-11-05T03:00", "2026-11-05T03:00"),
        ("06:00", "14:00", "2026-11-05T09:00", "2026-11-05T14:00"),
        ("00:15", "09:00", "2026-11-05T00:00", "2026-11-05T00:00"),
        ("20:00", "06:30", "2026-10-24T22:00", "2026-10-25T06:30"),
        ("20:00", "06:30", "2026-03-28T22:00", "2026-03-29T06:30"),
    ],
)
def test_what_does_not_wake_waits_for_the_end_of_ones_own(
    begins: str, ends: str, now: str, leaves: str
) -> None:
    assert told(office(who("ann", begins, ends)), at(now)) == ("ann", at(leaves))


@pytest.mark.parametrize(
    ("now", "leaves"),
    [
        ("2026-11-04T11:00", "2026-11-05T09:15"),
        ("2026-11-05T03:00", "2026-11-05T09:15"),
        ("2026-11-05T09:15", "2026-11-05T09:15"),
    ],
)
def test_no_word_waits_for_their_end_by_day_too(now: str, leaves: str) -> None:
    here = office(who("ann", "23:00", "09:15"))
    assert told(here, at(now), "no_word") == ("ann", at(leaves))


def test_hours_that_end_at_a_time_the_wall_shows_twice() -> None:
    """London, 2026-10-25: 01:30 comes at 00:30 and at 01:30 UTC. Over at the first; what is found
    when the wall has gone back to 01:10 waits for the second."""
    here = office(who("ann", "22:00", "01:30"))
    first = int(datetime(2026, 10, 25, 0, 30, tzinfo=UTC).timestamp())
    assert told(here, at("2026-10-24T23:00")) == ("ann", first)
    assert told(here, first + 600) == ("ann", first + 600)
    assert told(here, first + 2400) == ("ann", first + 3600)


def test_hours_that_end_at_a_time_the_clocks_skip() -> None:
    """London, 2026-03-29: no 01:30; it would have been at 01:30 UTC, when the wall shows 02:30."""
    here = office(who("ann", "22:00", "01:30"))
    assert told(here, at("2026-03-28T23:00")) == ("ann", at("2026-03-29T02:30"))


HANDED = [
    # the phone passes on, 9 November 08:00, to somebody who is up
    (
        ("20:00", "10:00"),
        ("20:00", "06:30"),
        "08:00",
        "2026-11-09T05:00",
        "bob",
        "2026-11-09T08:00",
    ),
    # to somebody whose own quiet hours run longer
    (
        ("20:00", "06:30"),
        ("22:00", "09:00"),
        "06:00",
        "2026-11-09T05:00",
        "bob",
        "2026-11-09T09:00",
    ),
    # at the very end of the first one's
    (
        ("20:00", "08:00"),
        ("23:00", "11:45"),
        "08:00",
        "2026-11-09T05:00",
        "bob",
        "2026-11-09T11:45",
    ),
    # after they are over
    (
        ("20:00", "06:30"),
        ("22:00", "09:00"),
        "08:00",
        "2026-11-09T05:00",
        "ann",
        "2026-11-09T06:30",
    ),
    # it did already
    (
        ("20:00", "06:30"),
        ("22:00", "09:00"),
        "04:00",
        "2026-11-09T05:00",
        "bob",
        "2026-11-09T09:00",
    ),
]


@pytest.mark.parametrize(("first", "then", "handover", "now", "person", "leaves"), HANDED)
def test_the_phone_passes_on_in_the_night(
    first: tuple[str, str], then: tuple[str, str], handover: str, now: str, person: str, leaves: str
) -> None:
    """Whoever holds it when somebody who holds it is up first."""
    here = office(who("ann", *first), who("bob", *then), handover=handover)
    assert told(here, at(now)) == (person, at(leaves))


def test_an_all_clear_waits_for_them_and_what_woke_does_not() -> None:
    here = office(who("ann", "21:00", "08:40"))
    night = at("2026-11-04T03:00")
    over = later(case(now=at("2026-11-03T12:00")), None, night)
    assert {n.not_before for n in alarms.tell([over], here, night)} == {at("2026-11-04T08:40")}
    woken = case(mains="off", now=night)
    assert {n.not_before for n in alarms.tell([woken], here, night)} == {night}
    soon = later(woken, None, night + 600)
    assert {n.not_before for n in alarms.tell([soon], here, night + 600)} == {night + 600}


def test_dangers_and_what_nobody_answers_come_in_quiet_hours() -> None:
    here = office(who("ann", "20:00", "12:00"), who("bob", "20:00", "12:00"))
    night = at("2026-11-04T03:00")
    danger = alarms.tell([case("volts_standing", now=night)], here, night)
    assert {(n.person, n.not_before, n.wakes) for n in danger} == {("ann", night, True)}
    next_in_line = alarms.escalate(danger, here, night + 900)
    assert {(n.person, n.not_before) for n in next_in_line} == {("bob", night + 900)}


ZONES = (
    "Europe/London",
    "America/New_York",
    "Australia/Lord_Howe",
    "America/Santiago",
    "Africa/Cairo",
    "Asia/Kathmandu",
)
"""Clocks changed by an hour, by half an hour (Lord Howe), at midnight (Santiago, Cairo), never."""


def changes_of(zone: str) -> list[int]:
    """The hours of 2026 and 2027 in which the clocks of a zone change (UTC seconds)."""
    hours = range(at("2026-01-01", "UTC"), at("2028-01-01", "UTC"), 3600)
    there = ZoneInfo(zone)
    offsets = [datetime.fromtimestamp(h, there).utcoffset() for h in hours]
    return [
        h for h, (before, after) in zip(hours, pairwise(offsets), strict=False) if before != after
    ]


CHANGES = {zone: changes_of(zone) for zone in ZONES}


def wall(moment: int, zone: str) -> datetime:
    return datetime.fromtimestamp(moment, ZoneInfo(zone))


def minute(text: str) -> int:
    return int(text[:2]) * 60 + int(text[3:])


def inside(hours: QuietHours, moment: int, zone: str) -> bool:
    """Whether the wall shows a time in the quiet hours, by the minutes since they began."""
    shown = wall(moment, zone)
    since = (shown.hour * 60 + shown.minute - minute(hours.begins)) % 1440
    return since < (minute(hours.ends) - minute(hours.begins)) % 1440


def wall_text(minutes: int) -> str:
    return f"{minutes // 60 % 24:02d}:{minutes % 60:02d}"


@st.composite
def hours_of(draw: st.DrawFn) -> QuietHours:
    begins = draw(st.integers(0, 1439))
    ends = (begins + draw(st.integers(1, quiet_hours.LONGEST_MIN))) % 1440
    return read(wall_text(begins), wall_text(ends))


@st.composite
def nights(draw: st.DrawFn) -> tuple[str, int]:
    """A zone and a moment, mostly within a day and a half of a clock change."""
    zone = draw(st.sampled_from(ZONES))
    near = st.sampled_from(CHANGES[zone] or [NOW])
    middle = draw(near | st.integers(at("2026-01-01"), at("2027-12-01")))
    return zone, middle + draw(st.integers(-36 * 3600, 36 * 3600))


@settings(max_examples=120, deadline=None)
@given(nights(), hours_of())
def test_at_most_the_quiet_hours_later(when: tuple[str, int], hours: QuietHours) -> None:
    """For one person: never before now, never inside the hours, at most their length later, on the
    wall or by the seconds (a night that is set back is longer, one that skips shows more)."""
    zone, now = when
    ann = msgspec.structs.replace(who("ann"), quiet=hours)
    _, leaves = told(office(ann, zone=zone), now)
    length = (minute(hours.ends) - minute(hours.begins)) % 1440 * 60
    assert leaves >= now
    assert not inside(hours, leaves, zone)
    shown = wall(leaves, zone).replace(tzinfo=None) - wall(now, zone).replace(tzinfo=None)
    assert min(leaves - now, shown.total_seconds()) <= length
    if not inside(hours, now, zone):
        assert leaves == now


@settings(max_examples=120, deadline=None)
@given(nights(), st.lists(hours_of(), min_size=3, max_size=3), st.integers(0, 47), st.data())
def test_the_first_moment_at_which_who_holds_the_phone_is_up(
    when: tuple[str, int], hours: list[QuietHours], handover: int, data: st.DataObject
) -> None:
    """Three people with their own hours, swaps from one day to the next: whoever gets it holds the
    phone then and has no quiet hours, and until then whoever held it had. Left out is the hour or so
    after the clocks went forward, whose skipped times count as later ones."""
    zone, now = when
    people = [
        msgspec.structs.replace(who(name), quiet=mine)
        for name, mine in zip(("ann", "bob", "cat"), hours, strict=True)
    ]
    today = wall(now, zone).date()
    swaps = tuple(
        Swap(
            from_on=str(today + timedelta(days=n)),
            to_on=str(today + timedelta(days=n + 1)),
            person=data.draw(st.sampled_from(("ann", "bob", "cat"))),
        )
        for n in (-1, 0, 1)
    )
    here = office(*people, handover=wall_text(handover * 30), zone=zone)
    here = msgspec.structs.replace(here, rota=msgspec.structs.replace(here.rota, swaps=swaps))
    quiet = {one.person: one.quiet for one in people}
    for severity in ("act_now", "no_word"):
        person, leaves = told(here, now, severity)
        assert leaves >= now
        assert person == holder(here.rota, leaves)
        assert not inside(quiet[person], leaves, zone)
        assert leaves <= now + 3 * 86_400
    _, leaves = told(here, now)
    for moment in range(now, leaves, 900):
        ahead = wall(moment, zone).utcoffset() > wall(moment - 7200, zone).utcoffset()  # type: ignore[operator]
        assert ahead or inside(quiet[holder(here.rota, moment)], moment, zone)
    woken = alarms.tell([case(mains="off", now=now)], here, now)
    assert {(n.person, n.not_before) for n in woken} == {(holder(here.rota, now), now)}


def quiet_at(here: Office, text: str) -> list[tuple[str, str]]:
    return [(n.person, n.cause) for n in weekly.all_quiet(here, "F", 1, 1, (), at(text))]


def test_all_quiet_comes_when_the_hours_of_the_holder_end() -> None:
    here = office(who("ann", "22:00", "09:00"), who("bob", "06:00", "14:00"))
    cause = "all_quiet:2026-11-04"
    assert quiet_at(here, "2026-11-04T08:59") == []
    assert quiet_at(here, "2026-11-04T09:00") == [("ann", cause)]
    assert quiet_at(here, "2026-11-04T14:29") == [("ann", cause)]
    assert quiet_at(here, "2026-11-04T14:30") == []
    assert quiet_at(here, "2026-11-11T06:30") == []
    assert quiet_at(here, "2026-11-11T14:00") == [("bob", "all_quiet:2026-11-11")]


def test_all_quiet_goes_to_who_takes_over_meanwhile() -> None:
    """Monday 9 November, 08:00, the phone passes from somebody who sleeps till ten; in the second
    case at 13:00 from somebody who sleeps till two, when the other's morning is long over."""
    here = office(who("ann", "20:00", "10:00"), who("bob"))
    assert quiet_at(here, "2026-11-09T07:59") == []
    assert quiet_at(here, "2026-11-09T08:00") == [("bob", "all_quiet:2026-11-09")]
    late = office(who("ann", "06:00", "14:00"), who("bob"), handover="13:00")
    assert quiet_at(late, "2026-11-09T12:59") == []
    assert quiet_at(late, "2026-11-09T13:00") == [("bob", "all_quiet:2026-11-09")]


def test_past_midnight_it_is_still_the_same_day_s() -> None:
    here = office(who("ann", "12:00", "21:00"))
    assert quiet_at(here, "2026-11-04T21:00") == [("ann", "all_quiet:2026-11-04")]
    assert quiet_at(here, "2026-11-05T01:00") == [("ann", "all_quiet:2026-11-04")]


def test_the_weekly_test_wakes_nobody() -> None:
    """The holder sleeps till ten, the next in line till noon, the one after is up: asked at 10:00,
    12:00 and 11:00."""
    here = office(who("ann", "23:00", "10:00"), who("bob", "23:00", "12:00"), who("cat"))
    monday = "2026-11-23"  # Ann's: the third week after the first
    assert holder(here.rota, at(f"{monday}T10:00")) == "ann"

    def asked(time: str) -> set[str]:
        return {n.person for n in weekly.weekly_test(here, "F", False, at(f"{monday}T{time}"))}

    assert asked("09:00") == set()
    assert asked("09:59") == set()
    assert asked("10:00") == {"ann"}
    assert asked("10:30") == {"ann"}
    assert asked("11:00") == {"ann", "cat"}
    assert asked("12:00") == {"ann", "bob", "cat"}
    assert asked("23:30") == set()


def test_a_reminder_waits_for_each_and_reaches_who_sleeps_by_day() -> None:
    people = [who("ann"), who("bob", "23:00", "09:30"), who("cat", "06:00", "19:00")]

    def reminded(text: str) -> set[str]:
        found = weekly.reminders(people, "F", LONDON, ("u1: late",), (), at(text))
        assert {n.cause for n in found} <= {"reminder:2026-11-23"}
        return {n.person for n in found}

    assert reminded("2026-11-23T06:59") == set()
    assert reminded("2026-11-23T07:00") == {"ann"}
    assert reminded("2026-11-23T09:30") == {"ann", "bob"}
    assert reminded("2026-11-23T18:00") == {"bob"}
    assert reminded("2026-11-23T19:00") == {"bob", "cat"}
    assert reminded("2026-11-24T01:00") == {"cat"}
    assert reminded("2026-11-24T06:00") == set()


@pytest.mark.parametrize(
    ("begins", "ends", "says"),
    [
        ("", "06:30", "Quiet from: write a time"),
        ("22:00", "24:00", "Quiet until: write a time"),
        ("ten", "06:30", "like 06:30"),
        ("22:60", "06:30", "like 06:30"),
        ("22", "06", "like 06:30"),
        ("٢٢:00", "06:30", "like 06:30"),
        ("22:00\n", "6:3", "until"),
        ("07:00", "07:00", "two times that differ"),
        ("06:30", "22:31", "16 h 1 min"),
        ("06:30", "06:00", "the other way round"),
    ],
)
def test_nonsense_is_refused_with_what_to_do(begins: str, ends: str, says: str) -> None:
    with pytest.raises(QuietHoursRefused, match=says):
        read(begins, ends)


def test_sixteen_hours_and_one_digit_are_taken() -> None:
    assert read("6:30", " 22:30 ") == QuietHours(begins="06:30", ends="22:30")
    assert read("18:00", "10:00") == QuietHours(begins="18:00", ends="10:00")


def person(reg: Registry, login: str) -> str:
    made = Person(id="", login=login, name=login.partition("@")[0].title(), role="technician")
    return people.add_person(reg, made, BY, NOW).id


def test_they_are_appended_and_the_newest_holds(reg: Registry) -> None:
    ann, ben = person(reg, "ann@example.org"), person(reg, "ben@example.org")
    assert quiet_hours.of_person(reg, ann) == (QuietHours(), 0)
    first, then = QuietHours(begins="22:00", ends="07:00"), QuietHours(begins="21:00", ends="05:00")
    quiet_hours.agree(reg, ann, first, 0, BY, NOW)
    with pytest.raises(duty_rota.AgreedMeanwhile):
        quiet_hours.agree(reg, ann, then, 0, BY, NOW + 1)
    with pytest.raises(QuietHoursRefused):
        quiet_hours.agree(reg, ann, QuietHours(begins="1", ends="2"), 1, BY, NOW + 1)
    quiet_hours.agree(reg, ann, then, 1, BY, NOW + 2)
    assert quiet_hours.every(reg) == {ann: (then, 2)}
    assert {c.person: c.quiet for c in duty_rota.contacts(reg)} == {ann: then, ben: QuietHours()}
    duty_rota.agree_rota(reg, Rota(people=(ben,)), 0, BY, NOW)
    assert duty_rota.rota(reg)[0].people == (ben,)
    with reg.read() as connection:
        docs = connection.execute(
            sa.select(tables.agreed.c.doc).where(tables.agreed.c.n == 1)
        ).scalars()
        assert msgspec.json.encode(first) in set(docs), "the older ones stay"
    said = [(row.subject, row.detail) for row in audit(reg, kind="channel_changed")]
    assert said == [(ann, "quiet hours 21:00 to 05:00"), (ann, "quiet hours 22:00 to 07:00")]


def test_the_calendar_minds_the_hours_that_are_kept(reg: Registry) -> None:
    """All quiet and the weekly test of Monday, to somebody who sleeps till ten."""
    ann = person(reg, "ann@example.org")
    duty_rota.agree_rota(reg, Rota(people=(ann,), zone=LONDON), 0, BY, NOW)
    quiet_hours.agree(reg, ann, QuietHours(begins="23:00", ends="10:00"), 0, BY, NOW)
    assert reminders.tell(reg, "Harrow", at("2026-11-23T09:59")) == 0
    assert reminders.tell(reg, "Harrow", at("2026-11-23T10:00")) == 2
    kinds = {
        n.kind: n.not_before
        for cause in ("all_quiet", "weekly_test")
        for n in outbox.of_cause(reg, EVERYTHING, f"{cause}:2026-11-23")
    }
    assert kinds == dict.fromkeys(("all_quiet", "weekly_test"), at("2026-11-23T10:00"))


def test_an_all_clear_reaches_who_was_told_though_the_phone_has_passed_on(reg: Registry) -> None:
    """Ann was told on Sunday, the next in line was asked; on Monday Cy holds the phone and it ends:
    Ann and Bob hear so, each outside their own quiet hours, Cy was never told."""
    here = office(who("ann"), who("cy"), who("bob", "07:00", "12:00"))
    alone = Office(people=here.people[:1], rota=here.rota)
    told_at, over_at = at("2026-11-08T15:00"), at("2026-11-09T09:00")
    rose = case("fuel_low", now=told_at)
    assert holder(here.rota, told_at) == "ann"
    assert holder(here.rota, over_at) == "cy"
    first = alarms.tell([rose], alone, told_at)
    bob = msgspec.structs.replace(first[0], id="asked", person="bob", kind="escalated", step="1.1")
    over = later(rose, None, over_at - 60)
    over = later(over, None, over_at + 6 * 3600)
    ended = alarms.tell([over], here, over_at)
    with reg.write() as connection:
        write_notices(connection, [*first, bob], (), told_at)
        write_notices(connection, ended, (), over_at)
    with reg.read() as connection:
        rows = connection.execute(
            sa.select(tables.notice.c.person, tables.notice.c.not_before, tables.notice.c.doc)
        )
        heard = {
            row.person: row.not_before
            for row in rows
            if msgspec.json.decode(row.doc)["kind"] == "cleared"
        }
    assert heard == {"ann": over_at, "bob": at("2026-11-09T12:00")}
