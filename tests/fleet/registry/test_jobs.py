"""Jobs, technicians, site cards and rounds in the registry, on SQLite and PostgreSQL."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import msgspec
import pytest
import sqlalchemy as sa
from cryptography.fernet import Fernet
from ready_jobs import BY, WEEK, driver, job_at, ready, stocked
from register_rows import NOW

from fleet.model import (
    EVERYTHING,
    Contract,
    DueItem,
    HandPin,
    Job,
    Scope,
    SiteCard,
    SiteContact,
)
from fleet.model.book import FeedEvent
from fleet.registry import lists, people
from fleet.registry.base import tables
from fleet.registry.base.engine import Registry
from fleet.registry.facts.records import RecordRefused
from fleet.registry.office import (
    jobs_done,
    kept_jobs,
    kept_rounds,
    rounds_feed,
    sitecard,
    technicians,
)
from fleet.registry.office.kept_jobs import JobRefused
from fleet.registry.office.kept_rounds import Ask, RoundsRefused
from fleet.registry.office.sitecard import CardRefused
from fleet.registry.office.technicians import TechnicianRefused
from fleet.registry.office.technicians_hours import HoursFault, read_hours, say_hours
from fleet.registry.people import Actor
from scheduler import dispatch, publishing, work_orders
from scheduler.rounds import Reason
from scheduler.turns import planning

pytest_plugins = ["databases"]

DAY_S = 86_400


# --- jobs --------------------------------------------------------------------------------------


def test_steps_are_appended_and_the_newest_state_stands(reg: Registry) -> None:
    stocked(reg)
    job = job_at(reg)
    for kind, note in (("call", ""), ("called", ""), ("drop", "sold")):
        kept = kept_jobs.job(reg, EVERYTHING, "j1")
        assert kept is not None
        kept_jobs.add_steps(reg, [work_orders.advance(kept, kind, NOW + 60, "Dee", note)], BY)  # type: ignore[arg-type]
    life = kept_jobs.steps(reg, EVERYTHING, job.id)
    assert [(s.n, s.kind, s.state) for s in life] == [
        (1, "opened", "open"),
        (2, "call", "call_first"),
        (3, "called", "open"),
        (4, "drop", "dropped"),
    ]
    kept = kept_jobs.job(reg, EVERYTHING, "j1")
    assert kept is not None
    assert (kept.state, kept.reason, kept.n) == ("dropped", "sold", 4)
    assert [a.detail for a in people.audit(reg, kind="job_changed")] == ["drop", "called", "call"]


def test_of_two_who_change_a_job_at_once_the_second_is_told(reg: Registry) -> None:
    stocked(reg)
    job = job_at(reg)
    kept_jobs.add_steps(reg, [work_orders.advance(job, "call", NOW, "Dee")])
    with pytest.raises(JobRefused, match="meanwhile"):
        kept_jobs.add_steps(reg, [work_orders.advance(job, "drop", NOW, "Eve", "no")])
    assert len(kept_jobs.steps(reg, EVERYTHING, "j1")) == 2


def test_a_job_of_an_unknown_set_is_refused(reg: Registry) -> None:
    made = work_orders.opened(Job(id="j", title="x", unit="nobody"), NOW, "Dee")
    with pytest.raises(JobRefused, match="no unit nobody"):
        kept_jobs.add_jobs(reg, [made])
    kept_jobs.add_jobs(reg, [work_orders.opened(Job(id="j", title="Fetch filters"), NOW, "Dee")])
    assert kept_jobs.job(reg, EVERYTHING, "j") is not None  # an errand has no set


def test_a_scope_sees_its_customers_jobs_only(reg: Registry) -> None:
    stocked(reg)
    ours, theirs = job_at(reg), job_at(reg, "U2", "j2")
    errand = Job(id="j3", title="Fetch filters")
    kept_jobs.add_jobs(reg, [work_orders.opened(errand, NOW, "Dee")])
    scope = Scope(frozenset({ours.customer}))
    assert [j.id for j in kept_jobs.jobs(reg, scope)] == ["j1"]
    assert kept_jobs.job(reg, scope, theirs.id) is None
    assert kept_jobs.steps(reg, scope, theirs.id) == []
    assert kept_jobs.job(reg, scope, errand.id) is None
    assert {j.id for j in kept_jobs.jobs(reg, EVERYTHING)} == {"j1", "j2", "j3"}


def put_due(reg: Registry, *items: DueItem) -> None:
    with reg.write() as connection:
        connection.execute(sa.delete(tables.due))
        for item in items:
            connection.execute(
                sa.insert(tables.due).values(
                    unit=item.unit,
                    task=item.task,
                    state=item.state,
                    on_date=item.due_on,
                    share=item.share,
                    doc=msgspec.json.encode(item),
                )
            )


def due(**more: Any) -> DueItem:
    fields: dict[str, Any] = {
        "unit": "U1",
        "task": "oil_filter",
        "name": "Oil and filter",
        "state": "soon",
        "binds": "calendar",
        "share": 0.9,
        "due_on": "2026-12-01",
        "last_done_on": "2025-12-01",
        "every_months": 12,
        "minutes": 30,
        "parts": {"oil_l": 1.5},
    }
    return DueItem(**(fields | more))


def test_due_work_becomes_one_job_and_ends_with_its_record(reg: Registry) -> None:
    stocked(reg)
    put_due(reg, due(), due(task="belts", due_on="2027-09-01"))
    assert planning.sync_jobs(reg, NOW) == 1
    assert planning.sync_jobs(reg, NOW + 60) == 0
    (job,) = kept_jobs.jobs(reg, EVERYTHING)
    assert (job.task, job.state, job.due_on) == ("oil_filter", "open", "2026-12-01")
    put_due(reg, due(last_done_on="2026-11-25", due_on="2027-11-25", state="later"))
    assert planning.sync_jobs(reg, NOW + 120) == 1
    (job,) = kept_jobs.jobs(reg, EVERYTHING)
    assert job.state == "done"
    assert planning.sync_jobs(reg, NOW + 180) == 0
    put_due(reg, due(last_done_on="2026-11-25", due_on="2026-12-20"))  # the next cycle
    assert planning.sync_jobs(reg, NOW + 240) == 1
    assert len(kept_jobs.jobs(reg, EVERYTHING)) == 2


def test_a_dropped_job_does_not_come_back_in_the_same_cycle(reg: Registry) -> None:
    stocked(reg)
    put_due(reg, due())
    planning.sync_jobs(reg, NOW)
    (job,) = kept_jobs.jobs(reg, EVERYTHING)
    kept_jobs.add_steps(
        reg, [work_orders.advance(job, "drop", NOW, "Dee", "they do it themselves")]
    )
    assert planning.sync_jobs(reg, NOW + 60) == 0
    assert [j.state for j in kept_jobs.jobs(reg, EVERYTHING)] == ["dropped"]


def test_a_record_put_right_moves_the_job_or_ends_it(reg: Registry) -> None:
    stocked(reg)
    put_due(reg, due())
    planning.sync_jobs(reg, NOW)
    put_due(reg, due(last_done_on="2025-11-20", due_on="2026-11-20", state="late", late_days=5))
    assert planning.sync_jobs(reg, NOW + 60) == 1
    (job,) = kept_jobs.jobs(reg, EVERYTHING)
    assert (job.state, job.due_on) == ("open", "2026-11-20")
    kept_jobs.add_steps(reg, [work_orders.advance(job, "drop", NOW, "Dee", "sold")])
    put_due(reg, due(last_done_on="2026-01-01", due_on="2026-12-01"))
    assert planning.sync_jobs(reg, NOW + 120) == 1, "another cycle"
    put_due(reg, due(last_done_on="2025-11-20", due_on="2026-11-20", state="late", late_days=5))
    assert planning.sync_jobs(reg, NOW + 180) == 1, "that cycle had its job"
    assert [j.state for j in kept_jobs.jobs(reg, EVERYTHING)] == ["dropped", "dropped"]
    assert planning.sync_jobs(reg, NOW + 240) == 0


def test_work_is_written_with_its_records_and_stock_or_not_at_all(reg: Registry) -> None:
    stocked(reg)
    technicians.save_technician(reg, driver(stock={"oil_l": 2.0}), NOW, BY)
    job = job_at(reg, task="oil_filter")
    told = work_orders.Told(
        form="f",
        at=NOW - 60,
        zone="Europe/Berlin",
        by="Ana",
        entered_by="Dee",
        hours=812.4,
        tasks=(
            work_orders.ToldTask(task="oil_filter", name="Oil", said="done", parts={"oil_l": 5.0}),
        ),
    )
    made = work_orders.finished(job, {}, told, NOW)
    wrong = msgspec.structs.replace(made.records[-1], id="x", kind="refuel", facts={})
    with pytest.raises(RecordRefused):
        jobs_done.write_work(reg, made.steps, [*made.records, wrong], NOW, BY, "t1", made.parts)
    kept = kept_jobs.job(reg, EVERYTHING, job.id)
    assert kept == job
    assert lists.records(reg, EVERYTHING, "U1") == []
    moved = jobs_done.write_work(reg, made.steps, made.records, NOW, BY, "t1", made.parts)
    assert moved == {"oil_l": 2.0}, "no more than the van held"
    (who,) = technicians.technicians(reg)
    assert who.stock == {"oil_l": 0.0}
    written = jobs_done.records_of(reg, EVERYTHING, job)
    assert {r.kind for r in written} == {"task_done", "hour_meter", "visit"}
    assert {(r.by, r.entered_by, r.job) for r in written} == {("Ana", "Dee", job.id)}
    with pytest.raises(JobRefused, match="meanwhile"):
        jobs_done.write_work(reg, made.steps, made.records, NOW, BY, "t1", made.parts)
    assert technicians.technicians(reg) == [who]
    step = kept_jobs.steps(reg, EVERYTHING, job.id)[-1]
    assert (step.by, step.facts["for"], step.facts["parts_moved"]) == ("Dee", "Ana", moved)
    assert jobs_done.unread(reg) == set(), "never assessed: nothing stands to be wrong"
    assert len(people.audit(reg, kind="record_added")) == 3
    ended = kept_jobs.job(reg, EVERYTHING, job.id)
    assert ended is not None
    again = work_orders.advance(ended, "reopen", NOW, "Dee", "another set")
    jobs_done.write_work(reg, [again], [], NOW, BY, "t1", {"oil_l": -2.0})
    assert technicians.technicians(reg)[0].stock == {"oil_l": 2.0}


# --- technicians -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("Mon-Fri 08:00-17:00", "Mon-Fri 08:00-17:00"),
        (
            "sat 9:00-12:00, Mon-Thu 08:00-12:00, Mon-Thu 13:00-17:00",
            "Mon-Thu 08:00-12:00, Mon-Thu 13:00-17:00, Sat 09:00-12:00",
        ),
        ("Sat-Mon 22:00-24:00", "Mon 22:00-24:00, Sat-Sun 22:00-24:00"),
        ("", ""),
    ],
)
def test_hours_are_read_and_said_again(text: str, says: str) -> None:
    assert say_hours(read_hours(text)) == says
    assert read_hours(says) == read_hours(text)


@pytest.mark.parametrize(
    "text", ["always", "Mon 17:00-08:00", "Mun 08:00-09:00", "Mon 25:00-26:00"]
)
def test_hours_that_are_none_are_refused(text: str) -> None:
    with pytest.raises(HoursFault):
        read_hours(text)


def test_a_technician_is_kept_and_belongs_to_one_person(reg: Registry) -> None:
    person = people.add_person(
        reg, people.Person(id="", login="ana", name="Ana", role="technician"), BY, NOW
    )
    technicians.save_technician(reg, driver(person=person.id), NOW, BY)
    found = technicians.of_person(reg, person.id)
    assert found is not None
    assert found.week == WEEK
    with pytest.raises(TechnicianRefused, match="t1 already"):
        technicians.save_technician(reg, driver("t2", person=person.id), NOW, BY)
    with pytest.raises(TechnicianRefused, match="no such person"):
        technicians.save_technician(reg, driver("t2", person="p-none"), NOW, BY)


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"id": "a b"}, "id"),
        ({"name": " "}, "name"),
        ({"lat": 540.0}, "latitude"),
        ({"time_zone": "Mars/Base"}, "not a time zone"),
    ],
)
def test_unfit_technicians_are_refused(lite: Registry, more: dict[str, Any], says: str) -> None:
    with pytest.raises(TechnicianRefused, match=says):
        technicians.save_technician(lite, driver(**more), NOW, BY)


def test_technicians_come_from_a_file_or_not_at_all(lite: Registry, tmp_path: Path) -> None:
    file = tmp_path / "technicians.csv"
    file.write_text(
        "id,name,lat,lon,time_zone,week,skills,leave,stock\n"
        't1,Ana,54.6,-3.2,Europe/London,Mon-Fri 08:00-16:30,"gas until 2027-03-31, engine",'
        '2026-12-24 to 2026-12-31 holiday,"oil_l 20, oil_filter 4"\n'
    )
    report = technicians.import_technicians(lite, file, NOW)
    assert (report.ok, report.added) == (True, 1)
    (found,) = technicians.technicians(lite)
    assert [(s.name, s.until) for s in found.skills] == [("gas", "2027-03-31"), ("engine", "")]
    assert (found.leave[0].last, found.stock["oil_l"]) == ("2026-12-31", 20)
    file.write_text("id,name,lat,lon\nt2,Ben,54,-3\nt3,Cy,abc,1\n")
    refused = technicians.import_technicians(lite, file, NOW)
    assert (refused.ok, refused.written, refused.problems[0].row) == (False, False, 2)
    assert len(technicians.technicians(lite)) == 1


def test_an_empty_cell_keeps_what_a_technician_had(lite: Registry, tmp_path: Path) -> None:
    first = {
        "id": "t1",
        "name": "Ana",
        "lat": 54.6,
        "lon": -3.2,
        "time_zone": "europe/london",
        "week": "Mon 09:00-10:00",
        "skills": "gas",
        "stock": "seal 2",
        "phone": "1",
    }
    technicians.import_technicians(lite, [first], NOW)
    (old,) = technicians.technicians(lite)
    assert old.time_zone == "Europe/London"
    file = tmp_path / "again.csv"
    file.write_text("id;name;lat;phone;week;skills;stock\nt1;;;2;;(none);\n")
    report = technicians.import_technicians(lite, file, NOW)
    assert [str(change) for change in report.changes] == ["row 1, t1: phone, skills"]
    (new,) = technicians.technicians(lite)
    assert new == msgspec.structs.replace(old, phone="2", skills=())
    assert technicians.import_technicians(lite, file, NOW).unchanged == 1
    refused = technicians.import_technicians(lite, [{"id": "t1", "name": "(none)"}], NOW)
    assert "name cannot be emptied" in refused.problems[0].message
    (blank,) = technicians.import_technicians(lite, [{"id": "t2", "name": "Bo"}], NOW).problems
    assert "lat is missing" in blank.message


# --- the site card -----------------------------------------------------------------------------


def test_codes_are_closed_in_the_database_and_every_look_is_logged(reg: Registry) -> None:
    site, _ = stocked(reg)
    key = Fernet.generate_key()
    card = SiteCard(site=site, contacts=(SiteContact("Jo", "01632 960001"),), dogs="two, loud")
    sitecard.save_card(reg, EVERYTHING, card, "key under pot, gate 4711", key, NOW, BY)
    with reg.read() as connection:
        row_ = connection.execute(sa.select(tables.site_card)).one()
    assert b"4711" not in bytes(row_.codes) + bytes(row_.doc)
    kept = sitecard.card(reg, EVERYTHING, site)
    assert kept is not None
    assert (kept.has_codes, kept.dogs) == (True, "two, loud")
    said = sitecard.look_at_codes(
        reg, EVERYTHING, site, key, NOW + 5, Actor("Ana"), "round of today"
    )
    assert said == "key under pot, gate 4711"
    (look,) = people.audit(reg, kind="codes_seen")
    assert (look.who, look.subject, look.detail, look.at) == (
        "Ana",
        site,
        "round of today",
        NOW + 5,
    )
    with pytest.raises(CardRefused, match="does not open"):
        sitecard.look_at_codes(reg, EVERYTHING, site, Fernet.generate_key(), NOW, BY, "")
    assert len(people.audit(reg, kind="codes_seen")) == 2, "the look that failed is logged too"


def test_an_edit_without_codes_leaves_them_and_an_empty_one_takes_them(lite: Registry) -> None:
    site, _ = stocked(lite)
    key = Fernet.generate_key()
    sitecard.save_card(lite, EVERYTHING, SiteCard(site=site), "4711", key, NOW, BY)
    sitecard.save_card(lite, EVERYTHING, SiteCard(site=site, dogs="none"), None, key, NOW, BY)
    assert sitecard.look_at_codes(lite, EVERYTHING, site, key, NOW, BY, "") == "4711"
    sitecard.save_card(lite, EVERYTHING, SiteCard(site=site), "", key, NOW, BY)
    assert sitecard.look_at_codes(lite, EVERYTHING, site, key, NOW, BY, "") == ""


def test_a_card_of_another_customer_does_not_exist(lite: Registry) -> None:
    ours, theirs = stocked(lite)
    found = lists.unit(lite, EVERYTHING, "U1")
    assert found is not None
    scope = Scope(frozenset({found.customer.id}))
    assert sitecard.card(lite, scope, ours) == SiteCard(site=ours)
    assert sitecard.card(lite, scope, theirs) is None
    with pytest.raises(CardRefused, match="no such site"):
        sitecard.look_at_codes(lite, scope, theirs, Fernet.generate_key(), NOW, BY, "")


def test_the_key_is_made_once_and_kept_from_others(tmp_path: Path) -> None:
    place: Any = SimpleNamespace(codes_key="", data=tmp_path)
    key = sitecard.key_of(place)
    assert sitecard.key_of(place) == key
    assert (tmp_path / "codes.key").stat().st_mode & 0o077 == 0
    (tmp_path / "codes.key").write_text("not a key")
    with pytest.raises(CardRefused, match="holds no key"):
        sitecard.key_of(place)
    place = SimpleNamespace(codes_key=key.decode(), data=tmp_path)
    assert sitecard.key_of(place) == key


# --- rounds ------------------------------------------------------------------------------------


def planned(reg: Registry, now: int = NOW) -> planning.Outcome:
    return planning.plan_rounds(reg, now, Ask(iterations=30), "Dee")


def test_a_plan_is_a_draft_until_it_is_published(reg: Registry) -> None:
    ready(reg)
    found = planned(reg)
    assert found.new
    assert found.plan is not None
    assert {j for r in found.plan.rounds for j in r.jobs} == {"j1", "j2"}
    assert kept_rounds.in_force(reg, EVERYTHING) is None
    publishing.publish(reg, found.plan, BY, NOW + 10, "", tell_customers=True)
    told = kept_rounds.in_force(reg, EVERYTHING)
    assert told is not None
    assert kept_rounds.draft(reg, EVERYTHING) is None
    assert kept_rounds.in_force(reg, Scope(frozenset({"c1"}))) is None, "the rounds of the firm"
    assert dispatch.decode(told.doc).rounds == found.plan.rounds
    for job in kept_jobs.jobs(reg, EVERYTHING):
        assert job.state == "booked"
        assert job.promise is not None
        assert job.promise.told_by == "Dee"
    assert len(people.audit(reg, kind="round_published")) == 1


def test_with_nothing_new_the_plan_in_force_is_given_back_unsolved(reg: Registry) -> None:
    ready(reg)
    first = planned(reg)
    again = planned(reg, NOW + 30)
    assert (again.new, again.plan) == (False, first.plan)
    assert first.plan is not None
    publishing.publish(reg, first.plan, BY, NOW + 60, "", tell_customers=True)
    after = planned(reg, NOW + 90)
    assert not after.new, after.said
    assert after.plan is not None
    assert after.plan.rounds == first.plan.rounds
    job_at(reg, "U1", "j3", title="Filter")
    assert planned(reg, NOW + 120).new


def test_two_who_publish_at_once_the_second_is_told(lite: Registry) -> None:
    ready(lite)
    found = planned(lite)
    assert found.plan is not None
    doc = dispatch.encode(found.plan)
    kept_rounds.publish(lite, doc, "f", "", BY, NOW, None)
    with pytest.raises(RoundsRefused, match="meanwhile"):
        kept_rounds.publish(lite, doc, "f", "", BY, NOW, None)


def test_a_customer_on_stop_gets_safety_but_no_routine(lite: Registry) -> None:
    ready(lite)
    job = job_at(lite, "U1", "j3", safety=True)
    kept_jobs.save_contract(lite, Contract(customer=job.customer, on_stop=True), NOW, BY)
    found = planned(lite)
    assert found.plan is not None
    left = {u.job: u.reason for u in found.plan.unplanned}
    assert left == {"j1": Reason.ON_STOP}
    assert {j for r in found.plan.rounds for j in r.jobs} == {"j2", "j3"}


def test_a_job_that_waits_for_parts_or_a_yes_stays_out(lite: Registry) -> None:
    ready(lite)
    one, two = kept_jobs.jobs(lite, EVERYTHING)
    kept_jobs.add_steps(
        lite,
        [
            work_orders.advance(one, "wait_part", NOW, "Dee"),
            work_orders.advance(two, "ask", NOW, "Dee"),
        ],
    )
    found = planned(lite)
    assert found.plan is not None
    assert [(u.job, u.reason) for u in found.plan.unplanned] == [("j1", Reason.PARTS)]
    assert found.plan.rounds == ()


def test_a_job_pinned_by_hand_stays_where_it_was_put(lite: Registry) -> None:
    ready(lite)
    found = planned(lite)
    assert found.plan is not None
    places = found.plan.places
    job = kept_jobs.job(lite, EVERYTHING, "j1")
    assert job is not None
    technician, day, start = places["j1"]
    pin = HandPin(technician=technician, day=day, start=start)
    kept_jobs.add_steps(lite, [work_orders.advance(job, "pin", NOW, "Dee", changes={"pin": pin})])
    job_at(lite, "U1", "j9", title="Urgent", urgent=True)
    again = planned(lite, NOW + 60)
    assert again.plan is not None
    assert again.plan.places["j1"][:2] == (technician, day)


def test_leave_and_lost_skills_keep_work_away(lite: Registry) -> None:
    stocked(lite)
    technicians.save_technician(
        lite, driver(skills=technicians.read_skills("gas until 2026-11-26")), NOW, BY
    )
    job_at(lite, skill="gas", due_on="2026-12-01", id="j1")
    found = planned(lite)
    assert found.plan is not None
    assert all(r.day <= "2026-11-26" for r in found.plan.rounds)
    away = driver(leave=technicians.read_leave("2026-11-25 to 2027-02-01 sea"))
    technicians.save_technician(lite, away, NOW, BY)
    found = planned(lite, NOW + 60)
    assert found.plan is not None
    assert found.plan.rounds == ()


def test_asks_are_answered_in_turn_and_once(lite: Registry) -> None:
    ready(lite)
    what = Ask(iterations=20)
    assert kept_rounds.ask(lite, what, "Dee", NOW) == kept_rounds.ask(lite, what, "Eve", NOW)
    assert planning.answer(lite, NOW)
    assert not planning.answer(lite, NOW)
    newest = kept_rounds.newest_ask(lite)
    assert newest is not None
    assert newest.state == "done"
    assert "2 visits" in newest.said


def test_the_night_asks_once_a_night_by_the_offices_clock(lite: Registry) -> None:
    ready(lite)
    at_one = NOW // DAY_S * DAY_S + 3600
    assert not planning.night(lite, at_one)
    assert planning.night(lite, at_one + 2 * 3600)
    assert not planning.night(lite, at_one + 5 * 3600)
    assert planning.night(lite, at_one + DAY_S + 2 * 3600)


# --- calendars ---------------------------------------------------------------------------------


def event(uid: str, start: int = NOW + 3600, summary: str = "Mill: Oil") -> FeedEvent:
    return FeedEvent(uid=uid, technician="t1", start=start, end=start + 1800, summary=summary)


def test_sequences_rise_with_changes_and_gone_visits_are_cancelled(reg: Registry) -> None:
    technicians.save_technician(reg, driver(), NOW, BY)
    versions = (
        [event("a"), event("b")],
        [event("a"), event("b", NOW + 7200)],
        [event("a")],
        [event("a"), event("b")],
    )
    seen = []
    for n, events in enumerate(versions):
        with reg.write() as connection:
            rounds_feed.tell_feeds(connection, events, NOW + n)
        seen.append(
            {e.event.uid: (e.sequence, e.cancelled) for e in rounds_feed.told_events(reg, "t1")}
        )
    assert seen == [
        {"a": (0, False), "b": (0, False)},
        {"a": (0, False), "b": (1, False)},
        {"a": (0, False), "b": (2, True)},
        {"a": (0, False), "b": (3, False)},
    ]


def test_a_calendars_address_is_secret_and_can_be_revoked(reg: Registry) -> None:
    technicians.save_technician(reg, driver(), NOW, BY)
    feed, secret = rounds_feed.make_feed(reg, "t1", BY, NOW)
    assert rounds_feed.feed_of(reg, secret) == "t1"
    assert rounds_feed.feed_of(reg, feed.id) is None
    with reg.read() as connection:
        assert secret not in str(connection.execute(sa.select(tables.feed)).all())
    assert rounds_feed.revoke_feeds(reg, "t1", BY, NOW) == 1
    assert rounds_feed.feed_of(reg, secret) is None
    assert rounds_feed.feeds(reg, "t1") == []
