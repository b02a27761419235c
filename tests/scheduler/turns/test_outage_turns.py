"""Outages through the registry: summaries in, one outage, its call list, its messages, its end.

Summaries are written as a unit's turn writes them, so that what is looked at is what is kept.
"""

from __future__ import annotations

import time
from typing import Any

import pytest
from databases import Registry
from found import facts_as
from found import finding as made
from register_rows import NOW, row, take, write_turn

from fleet.findings.this_service import OwnLine
from fleet.model import (
    EVERYTHING,
    Contact,
    EngineHours,
    MainsNow,
    Notice,
    Outage,
    Rota,
    Run,
    Scope,
    UnitSummary,
)
from fleet.registry import lists, unscoped
from fleet.registry.derived.rows import UnitTurn
from fleet.registry.people import Actor
from fleet.registry.told import alerts, kept_outages
from scheduler import alarms
from scheduler.alarms import Office, state_of
from scheduler.outage import call_list, tally
from scheduler.turns import outages, uplink
from scheduler.turns.alerting import Judged, of_unit
from scheduler.turns.outages import Places
from scheduler.turns.uplink import uplink_finding

pytest_plugins = ["databases"]

ANN = Contact(person="ann", name="Ann", ways=("push",))
BOB = Contact(person="bob", name="Bob", ways=("sms",))
OFFICE = Office(
    people=(ANN, BOB), rota=Rota(people=("ann", "bob"), start="2026-11-23", zone="Europe/London")
)
FAILED = made("failed_start", severity="act_now", since=NOW, facts={"attempts": 3})


def fleet(reg: Registry, count: int, **changes: Any) -> None:
    rows = [
        row(
            f"U{n:04d}",
            site=f"Site {n:04d}",
            customer=f"Customer {n:04d}",
            area="North",
            habit="steady 60 60",
            **changes,
        )
        for n in range(count)
    ]
    take(reg, *rows)


def summary(n: int, now: int, lost: int | None, **changes: Any) -> UnitSummary:
    """A set's summary: with mains, or without it since `lost`."""
    mains = MainsNow(state="present", since=NOW - 90_000, at=now)
    if lost is not None:
        mains = MainsNow(state="absent", since=lost, since_earliest=lost - 5, at=lost)
    known: dict[str, Any] = {
        "unit": f"U{n:04d}",
        "at": now,
        "condition": "standing_by",
        "condition_since": NOW - 9000,
        "heard_at": now if lost is None else lost,
        "newest_at": now,
        "silent_limit_s": 1200,
        "hours": EngineHours(hours_h=1.0, source="meter"),
        "mains": mains,
    }
    return UnitSummary(**known | changes)


def on_load(n: int, now: int, lost: int) -> UnitSummary:
    run = Run(start=lost + 12, end=None, start_seen="observed", end_seen="open", last_on_at=now)
    return summary(n, now, lost, condition="on_load", heard_at=now, last_run=run)


def write(reg: Registry, places: Places, now: int, *summaries: UnitSummary) -> None:
    """As the turns of these units write them."""
    turns = []
    for one in summaries:
        inputs = unscoped.unit_inputs(reg, one.unit)
        assert inputs is not None
        turns.append(
            UnitTurn(
                unit=one.unit,
                customer=inputs.customer.id,
                assessment=b"{}",
                look_again_at=now + 60,
                summary=one,
                facts_seq=inputs.facts_seq,
            )
        )
        places.note(inputs, one)
    for start in range(0, len(turns), 100):
        assert write_turn(reg, turns[start : start + 100], now) == []


def sent(reg: Registry, cause: str) -> list[Notice]:
    return [notice for notice, _ in alerts.notices(reg, EVERYTHING, cause)]


def test_an_outage_from_its_first_loss_to_its_minutes(reg: Registry) -> None:
    fleet(reg, 12)
    places, lost = Places(), NOW + 100
    write(reg, places, NOW, *(summary(n, NOW, None) for n in range(12)))
    assert outages.look(reg, places, OFFICE, NOW) == 0
    write(reg, places, lost + 5, *(summary(n, lost + 5, lost) for n in range(4)))
    assert outages.look(reg, places, OFFICE, lost + 5) == 1
    (outage,) = kept_outages.outages(reg, EVERYTHING)
    assert (outage.subject, len(outage.members), outage.told) == ("area:North", 4, 0)
    assert sent(reg, outage.id) == [], "nobody is known to be without cover yet"
    failed = summary(1, lost + 90, lost, findings=(FAILED,), heard_at=lost + 90)
    write(reg, places, lost + 90, on_load(0, lost + 90, lost), failed)
    outages.look(reg, places, OFFICE, lost + 90)
    write(reg, places, lost + 690, *(summary(n, lost + 690, None) for n in range(4, 12)))
    outages.look(reg, places, OFFICE, lost + 700)
    (outage,) = kept_outages.outages(reg, EVERYTHING)
    assert tally(outage.members) == {"covered": 1, "failed": 1, "unproven": 2}
    assert call_list(outage.members)[0].unit == "U0001"
    first, *_ = sent(reg, outage.id)
    assert (first.person, first.kind, first.wakes) == ("ann", "outage", True)
    assert first.path == f"/outages/{outage.id}"
    assert "1 would not start" in first.body
    end = lost + 3000
    run = Run(start=lost + 12, end=end + 60, start_seen="observed", end_seen="observed")
    back = MainsNow(state="present", since=end, since_earliest=end - 5, at=end)
    write(
        reg,
        places,
        end + 20,
        *(
            summary(
                n,
                end + 20,
                None,
                mains=back,
                last_run=run if n == 0 else None,
                findings=(FAILED,) if n == 1 else (),
            )
            for n in range(4)
        ),
    )
    outages.look(reg, places, OFFICE, end + 30)
    (over,) = kept_outages.outages(reg, EVERYTHING)
    assert over.ended_at == end
    fares = {m.unit: (m.covered_s, m.uncovered_s, m.unproven_s) for m in over.members}
    assert fares["U0000"] == (2988, 12, 0)
    assert fares["U0001"] == (0, 3000, 0)
    assert [n.kind for n in sent(reg, over.id)][-1] == "cleared"
    episode = alerts.episode(reg, EVERYTHING, over.id)
    assert episode is not None
    assert state_of(episode) == "returned"


def test_a_scope_sees_its_own_sets_of_an_outage(reg: Registry) -> None:
    fleet(reg, 6)
    places = Places()
    write(reg, places, NOW, *(summary(n, NOW, NOW - 20) for n in range(5)))
    outages.look(reg, places, OFFICE, NOW)
    (whole,) = kept_outages.outages(reg, EVERYTHING)
    mine = lists.unit(reg, EVERYTHING, "U0002")
    other = lists.unit(reg, EVERYTHING, "U0005")
    assert mine is not None
    assert other is not None
    scope = Scope(frozenset({mine.customer.id}))
    (seen,) = kept_outages.outages(reg, scope)
    assert [m.unit for m in seen.members] == ["U0002"]
    assert kept_outages.outage(reg, scope, whole.id) == seen
    stranger = Scope(frozenset({other.customer.id}))
    assert kept_outages.outages(reg, stranger) == []
    assert kept_outages.outage(reg, stranger, whole.id) is None
    assert alerts.episode(reg, scope, whole.id) is None


def test_somebody_has_it_and_nobody_is_asked_again(reg: Registry) -> None:
    fleet(reg, 6)
    places = Places()
    write(reg, places, NOW, *(summary(n, NOW, NOW - 20, findings=(FAILED,)) for n in range(5)))
    outages.look(reg, places, OFFICE, NOW)
    (outage,) = kept_outages.outages(reg, EVERYTHING)
    assert outages.escalate(reg, places, OFFICE, NOW + 60) == 0
    assert outages.escalate(reg, places, OFFICE, NOW + 900) == 1
    assert {n.person for n in sent(reg, outage.id)} == {"ann", "bob"}
    episode = alerts.episode(reg, EVERYTHING, outage.id)
    assert episode is not None
    step = alarms.acknowledge(episode, "Ann", NOW + 950)
    assert alerts.add_step(reg, step, Actor("Ann", None, ""))
    assert not alerts.add_step(reg, step, Actor("Ann", None, "")), "that step is taken"
    assert alerts.unanswered(reg, 0) == []
    before = sent(reg, outage.id)
    assert outages.escalate(reg, places, OFFICE, NOW + 3000) == 0
    assert sent(reg, outage.id) == before


def test_a_step_in_between_makes_it_look_again(reg: Registry) -> None:
    """An answer is written between reading and writing: the look is worked out anew."""
    fleet(reg, 6)
    places = Places()
    write(reg, places, NOW, *(summary(n, NOW, NOW - 20, findings=(FAILED,)) for n in range(4)))
    outages.look(reg, places, OFFICE, NOW)
    (outage,) = kept_outages.outages(reg, EVERYTHING)
    going = kept_outages.going_on(reg, NOW - 9000)
    later = NOW + 700
    write(reg, places, later, summary(4, later, NOW, findings=(FAILED,)))
    stale = outages.work_out(reg, going, outages.Heard({"North"}), OFFICE, later)
    assert stale.alerts.steps, "it is told again"
    episode = alerts.episode(reg, EVERYTHING, outage.id)
    assert episode is not None
    alerts.add_step(reg, alarms.acknowledge(episode, "Ann", later), Actor("Ann", None, ""))
    assert kept_outages.write_outages(reg, stale, later) is False
    assert outages.look(reg, places, OFFICE, later) == 1
    after = alerts.episode(reg, EVERYTHING, outage.id)
    assert after is not None
    assert [s.kind for s in after.steps] == ["raised", "acknowledged", "realarmed"]


def test_a_set_that_is_silent_in_an_outage_is_held_back_until_it_comes_back(reg: Registry) -> None:
    fleet(reg, 6)
    places = Places()
    write(reg, places, NOW, *(summary(n, NOW, NOW - 20) for n in range(4)))
    outages.look(reg, places, OFFICE, NOW)
    inputs = unscoped.unit_inputs(reg, "U0003")
    assert inputs is not None
    silent = made("not_reporting", severity="no_word", since=NOW, facts={"heard_at": NOW})
    quiet = summary(3, NOW + 1300, NOW - 20, condition="not_reporting", findings=(silent,))
    found = of_unit(reg, inputs, Judged(quiet, quiet.findings), NOW + 1300, OFFICE)
    assert [state_of(e) for e in found.changes.opened] == ["suppressed"]
    assert found.changes.notices == []
    failed = of_unit(reg, inputs, Judged(quiet, (FAILED,)), NOW + 1300, OFFICE)
    assert [state_of(e) for e in failed.changes.opened] == ["unacknowledged"]
    assert failed.changes.notices == [], "the call list says it"
    away = unscoped.unit_inputs(reg, "U0005")
    assert away is not None
    alone = of_unit(reg, away, Judged(quiet, quiet.findings), NOW + 1300, OFFICE)
    assert [state_of(e) for e in alone.changes.opened] == ["unacknowledged"]


@pytest.mark.parametrize(("later_s", "both"), [(600, False), (601, True)])
def test_an_outage_learned_late_is_told_with_both_times(
    reg: Registry, later_s: int, both: bool
) -> None:
    """Its devices kept the news while their links were down; NOW is 08:01 in Berlin, where they are."""
    fleet(reg, 4)
    places, came = Places(), NOW + later_s
    write(
        reg,
        places,
        came,
        *(summary(n, came, NOW, findings=(FAILED,), heard_at=came) for n in range(4)),
    )
    outages.look(reg, places, OFFICE, came)
    (found,) = [o for o in kept_outages.outages(reg, EVERYTHING) if not o.into]
    (notice, *_) = sent(reg, found.id)
    assert ("learned" in notice.subject, "learned at" in notice.body) == (both, both)
    if both:
        assert notice.subject == "Act now: North: Outage 08:01, learned 08:11"


def test_outages_page_by_page(reg: Registry) -> None:
    """Single sites one after the other: open ones first, then the newest; none twice, none lost."""
    fleet(reg, 30)
    places = Places()
    for n in range(5):
        write(reg, places, NOW + 2000 * n, summary(n, NOW + 2000 * n, NOW + 2000 * n - 30))
        outages.look(reg, places, OFFICE, NOW + 2000 * n)
    end = NOW + 9000
    back = MainsNow(state="present", since=end, since_earliest=end - 5, at=end)
    write(reg, places, end + 5, summary(3, end + 5, None, mains=back))
    outages.look(reg, places, OFFICE, end + 20)
    found: list[Outage] = []
    while page := kept_outages.outages(reg, EVERYTHING, 2, found[-1].id if found else ""):
        found += page
    assert [o.ended_at is None for o in found] == [True] * 4 + [False]
    began = [o.began_at for o in found[:4]]
    assert began == sorted(began, reverse=True)
    assert len({o.id for o in found}) == 5
    assert kept_outages.outages(reg, EVERYTHING, 2, "nothing") == []


def test_our_own_line() -> None:
    """Five sets and a fifth of all, last heard within ten minutes."""
    assert uplink_finding([NOW, NOW + 1, NOW + 2, NOW + 3], 10) is None
    found = uplink_finding([NOW - 90_000, NOW, NOW + 1, NOW + 2, NOW + 3, NOW + 600], 20)
    assert found is not None
    assert (facts_as(found, OwnLine).units, found.since, found.severity) == (5, NOW, "act_now")
    assert uplink_finding([NOW + 150 * n for n in range(6)], 20) is not None
    assert uplink_finding([NOW + 151 * n for n in range(5)], 20) is None
    assert uplink_finding([NOW] * 5, 26) is None


def test_many_silent_without_an_outage_are_one_alert_on_our_line(reg: Registry) -> None:
    fleet(reg, 8)
    places = Places()
    silent = [
        summary(n, NOW + 2000, None, condition="not_reporting", heard_at=NOW + n) for n in range(7)
    ]
    write(reg, places, NOW + 2000, *silent, summary(7, NOW + 2000, None))
    assert uplink.look(reg, places, OFFICE, NOW + 2000) == 1
    (line,) = unscoped.open_episodes(reg, ["service"])
    assert (line.kind, line.severity) == ("own_line", "act_now")
    assert [n.wakes for n in sent(reg, line.id)] == [True]
    assert uplink.look(reg, places, OFFICE, NOW + 2002) == 0, "nothing new"
    write(reg, places, NOW + 3000, *(summary(n, NOW + 3000, None) for n in range(8)))
    uplink.look(reg, places, OFFICE, NOW + 3000)
    uplink.look(reg, places, OFFICE, NOW + 3001)
    (line,) = unscoped.open_episodes(reg, ["service"])
    assert state_of(line) == "returned"
    assert [n.kind for n in sent(reg, line.id)] == ["alert", "cleared"]


def test_our_line_holds_back_what_was_told_of_single_sets(reg: Registry) -> None:
    """A life site's silence woke somebody a moment before; it is held back once the cause is seen."""
    fleet(reg, 6)
    places, now = Places(), NOW + 2000
    silent = [summary(n, now, None, condition="not_reporting", heard_at=NOW + n) for n in range(6)]
    finding = made(
        "not_reporting",
        severity="no_word",
        since=NOW + 1,
        facts={"silent_since": NOW + 1, "heard_at": NOW + 1},
    )
    inputs = unscoped.unit_inputs(reg, "U0001")
    assert inputs is not None
    found = of_unit(reg, inputs, Judged(silent[1], (finding,)), now, OFFICE)
    turn = UnitTurn(
        unit="U0001",
        customer=inputs.customer.id,
        assessment=b"{}",
        look_again_at=now + 60,
        summary=silent[1],
        facts_seq=inputs.facts_seq,
        alerts=found.changes,
    )
    assert write_turn(reg, [turn], now) == []
    (before,) = unscoped.open_episodes(reg, ["unit:U0001"])
    assert [n.not_before > now for n in sent(reg, before.id)] == [True]
    write(reg, places, now, *silent)
    uplink.look(reg, places, OFFICE, now + 2)
    (line,) = unscoped.open_episodes(reg, ["service"])
    (held,) = unscoped.open_episodes(reg, ["unit:U0001"])
    assert (state_of(held), held.steps[-1].cause) == ("suppressed", line.id)
    assert sent(reg, held.id) == [], "it had not left yet"
    again = of_unit(reg, inputs, Judged(silent[1], (finding,)), now + 4, OFFICE)
    assert (again.changes.steps, again.changes.notices) == ([], [])


@pytest.mark.long
def test_a_storm_over_two_thousand_sets(lite: Registry, capsys: pytest.CaptureFixture[str]) -> None:
    """2,000 sets lose mains within 5 min, 30 % their link with it and 1 in 10 of those fails to
    start, as do others that can say so: one outage, under 10 messages to a person, every failed or
    unproven set above every covered one, none of them called covered."""
    fleet(lite, 2000)
    places, seconds = Places(), []
    write(lite, places, NOW, *(summary(n, NOW, None) for n in range(2000)))
    for now in [*range(NOW + 10, NOW + 400, 30), *range(NOW + 400, NOW + 4 * 3600, 600)]:
        write(lite, places, now, *(storm(n, now) for n in range(2000) if due(n, now)))
        began = time.monotonic()
        outages.look(lite, places, OFFICE, now)
        seconds.append(time.monotonic() - began)
    areas = [o for o in kept_outages.outages(lite, EVERYTHING, 100) if not o.alone]
    assert len(areas) == 1
    (outage,) = areas
    messages = [n for o in kept_outages.outages(lite, EVERYTHING, 100) for n in sent(lite, o.id)]
    by_person = {p: sum(n.person == p for n in messages) for p in ("ann", "bob")}
    counts = tally(outage.members)
    with capsys.disabled():
        print(f"\nstorm: {counts}, messages {by_person}, look {max(seconds):.2f} s at most")
    assert counts == {"unproven": 600, "failed": 120, "covered": 1280}
    assert max(by_person.values()) < 10
    covers = [m.cover for m in call_list(outage.members)]
    assert set(covers[:720]) == {"unproven", "failed"}
    _no_word_of_cover(outage)


def _no_word_of_cover(outage: Outage) -> None:
    """Nobody who lost the link is called covered, failed or not."""
    linkless = {f"U{n:04d}" for n in range(2000) if n % 10 < 3}
    assert {m.cover for m in outage.members if m.unit in linkless} == {"unproven"}


def lost_at(n: int) -> int:
    return NOW + n * 300 // 2000


def due(n: int, now: int) -> bool:
    """Whether a set has something to say at this look: it lost its mains, or it still has a link."""
    return now >= lost_at(n) and (n % 10 >= 3 or now - lost_at(n) < 60)


def storm(n: int, now: int) -> UnitSummary:
    lost = lost_at(n)
    if n % 10 < 3:  # its link died; every tenth of these failed, which nobody can know
        return summary(n, now, lost)
    if n % 20 == 15 or n % 50 == 25:  # failed, and can say so
        return summary(n, now, lost, heard_at=now, findings=(FAILED,) if now > lost + 60 else ())
    return on_load(n, now, lost)
