"""Starts, usage and the oil check in the verdict on a unit; and how pages and API say them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime

import msgspec
import numpy as np
import pytest
from assessed import DAY, T0, a_run, day, demand, found, inputs, metered, record, unit
from fastapi.testclient import TestClient
from found import facts_as
from seeding import DAY_S, DAYS, NEW, NOW, RUN_MIN, Fleet, seeded, unit_id

from dashboard.app import create_app
from dashboard.request_context import scope_of
from dashboard.views import due as due_page
from fleet.findings.starting import HarderStarting, StartsUnreliable
from fleet.model import EVERYTHING, DueItem, Scope, Series, ServicePlan, StartDemand, Task
from fleet.registry import lists, unscoped
from scheduler.assess import assess, encode, read
from scheduler.day import Carry, Day
from scheduler.rules import warmth
from scheduler.rules.runs import OpenRun, RunsCarry
from scheduler.rules.usage import Prior

HERE = "http://127.0.0.1:8080"
YEAR = 300
AIR = unit(cooling="air", fuel="lpg")


def started(n: int, failed: set[int] = frozenset(), grow_s: float = 0.0) -> list[Day]:  # type: ignore[assignment]
    """Weekly demands, n of them, newest a day before the end."""
    days = []
    rng = np.random.default_rng(5)
    for k in range(n):
        at = (YEAR - 7 * (n - k)) + 6
        moment = T0 + at * DAY + 36_000
        fields = {
            "temp_c": 12.0 + rng.normal(),
            "crank_s": round(2 + 0.2 * rng.normal() + grow_s * k / n, 1),
        }
        one = demand(moment, "failed" if k in failed else "started", 1, **fields)
        days.append(day(at, starts=(one,), runs=() if k in failed else (a_run(moment + 3),)))
    return days


END = T0 + YEAR * DAY


def test_unreliable_starts_are_found_with_their_interval() -> None:
    verdict = assess(inputs(END), started(30, {20, 24, 27}), END)
    finding = found(verdict, "starts_unreliable")
    assert finding is not None
    assert finding.severity == "next_visit"
    assert (
        facts_as(finding, StartsUnreliable).failed,
        facts_as(finding, StartsUnreliable).demands,
    ) == (3, 20)
    assert (
        facts_as(finding, StartsUnreliable).low
        < 17 / 20
        < facts_as(finding, StartsUnreliable).high
        < 0.95
    )
    assert "memory" in facts_as(finding, StartsUnreliable).trigger
    assert finding.since == T0 + (YEAR - 7 * (30 - 27) + 6) * DAY + 36_000
    assert verdict.summary.demands_failed == 3
    assert read(encode(verdict)) == verdict


def test_many_failures_are_same_day_and_seven_good_starts_end_it() -> None:
    worse = found(
        assess(inputs(END), started(30, {12, 15, 18, 20, 22, 24, 26}), END), "starts_unreliable"
    )
    assert worse is not None
    assert worse.severity == "same_day"
    mended = assess(inputs(END), started(30, {12, 15, 18, 20, 22}), END)
    assert found(mended, "starts_unreliable") is None
    assert mended.starts.share is not None
    assert mended.starts.share.failed == 5


def test_by_hand_and_unseen_count_for_nothing() -> None:
    days = started(8)
    other = [
        day(n, starts=(demand(T0 + n * DAY, end, 1),))
        for n, end in enumerate(("by_hand", "not_seen", "unknown"))
    ]
    share = assess(inputs(END), [*other, *days], END).starts.share
    assert share is not None
    assert share.demands == 8


def test_harder_starting_is_found_and_starts_afresh_with_a_battery() -> None:
    days = started(36, grow_s=3.0)
    finding = found(assess(inputs(END), days, END), "harder_starting")
    assert finding is not None
    assert facts_as(finding, HarderStarting).measure == "crank_s"
    assert facts_as(finding, HarderStarting).per_month_low > 0
    changed = (record("part_changed", END - 20 * DAY, part="Battery"),)
    assert found(assess(inputs(END, records=changed), days, END), "harder_starting") is None
    lamp = (record("part_changed", END - 20 * DAY, part="lamp"),)
    assert found(assess(inputs(END, records=lamp), days, END), "harder_starting") is not None


def running(hours: float, now: int = END) -> list[Day]:
    begun = now - int(hours * 3600)
    going = OpenRun(start=begun, start_seen="observed", last_on_at=now - 60, readings=9)
    return [
        day(
            (now - T0) // DAY,
            carry=Carry(
                runs=RunsCarry(run=going, last_at=now - 60, last_on=True), last_at=now - 60
            ),
        )
    ]


@pytest.mark.parametrize(
    ("the_unit", "hours", "asked"),
    [(AIR, 7.5, False), (AIR, 8.5, True), (unit(cooling="liquid", fuel="diesel"), 30.0, False)],
)
def test_oil_check_inside_a_long_run(the_unit: object, hours: float, asked: bool) -> None:
    verdict = assess(inputs(END, the_unit=the_unit), running(hours), END)  # type: ignore[arg-type]
    finding = found(verdict, "oil_check_in_run")
    assert (finding is not None) == asked
    if finding is not None:
        assert finding.severity == "same_day"
        assert finding.since == END - int(0.5 * 3600)


def test_an_oil_check_ends_when_somebody_was_there() -> None:
    days = running(9)
    there = (record("visit", END - 1200),)
    assert (
        found(assess(inputs(END, the_unit=AIR, records=there), days, END), "oil_check_in_run")
        is None
    )
    soon = assess(inputs(END, the_unit=AIR), running(7.9), END)
    assert soon.look_again_at <= END + 360 + 1, "looked at again when it falls due"


OIL = ServicePlan(
    id="p", name="P", tasks=(Task(id="oil_filter", name="Oil", every_h=100, every_months=12),)
)


def used(hours_a_week: float) -> list[Day]:
    """Half a year of one run a week, an hour meter that gains as much."""
    days, value = [], 800.0
    for n in range(182):
        gained = hours_a_week if n % 7 == 0 else 0.0
        value += gained
        begun = T0 + n * DAY + 3600
        runs = (a_run(begun, int(gained * 3600)),) if gained else ()
        days.append(msgspec.structs.replace(metered(n, gained, value), runs=runs))
    return days


HALF = T0 + 182 * DAY


def due_of(hours_a_week: float, prior: Prior | None = None) -> DueItem:
    done = (record("task_done", T0, task="oil_filter", hours=800.0),)
    (item,) = assess(inputs(HALF, records=done, plan=OIL), used(hours_a_week), HALF, prior).due
    return item


def test_likely_dates_stand_in_order_before_the_calendar() -> None:
    """78 h of 100 h used in 26 weeks at 3 h a week: some seven weeks left."""
    item = due_of(3.0)
    assert item.due_on == "2025-10-04"
    assert item.likely_from is not None
    assert item.likely_on is not None
    assert item.likely_to is not None
    assert item.likely_from <= item.likely_on <= item.likely_to <= item.due_on
    today = datetime.fromtimestamp(HALF, UTC).date()
    weeks = (datetime.fromisoformat(item.likely_on).date() - today).days / 7
    assert 4 <= weeks <= 12


def test_less_use_is_never_likely_earlier() -> None:
    dates = [
        due_of(hours).likely_on or due_of(hours).due_on or "9999"
        for hours in (3.5, 3.0, 2.0, 1.0, 0.2)
    ]
    assert dates == sorted(dates)


def test_by_calendar_only_there_is_no_likely_date() -> None:
    item = due_of(0.2)
    assert (item.binds, item.likely_from, item.likely_on) == ("calendar", None, None)


def test_a_busy_area_makes_it_likely_earlier() -> None:
    busy = Prior(rate=0.5, days=700.0, hours_h=(4.0,))
    quiet = Prior(rate=0.005, days=700.0, hours_h=(0.5,))
    early, late = due_of(2.0, busy), due_of(2.0, quiet)
    assert (early.likely_on or "9999") < (late.likely_on or "9999")


def test_the_temperature_before_the_first_attempt() -> None:
    series = {
        "engine_temp_c": Series(np.array([T0, T0 + 600, T0 + 1800]), np.array([21.0, 22.0, 80.0])),
        "ambient_temp_c": Series(np.array([T0 + 1800]), np.array([4.0])),
    }
    of = [StartDemand(at=at, attempts=1, end="started") for at in (T0 + 1200, T0 + 1800 + 6 * 3600)]
    assert [d.temp_c for d in warmth.noted(of, series)] == [22.0, 80.0]
    old = StartDemand(at=T0 + 1800 + 6 * 3600 + 1, attempts=1, end="started")
    assert warmth.noted([old], series)[0].temp_c is None
    air = {"ambient_temp_c": series["ambient_temp_c"]}
    first = StartDemand(at=T0 + 1000, attempts=1, end="started")
    assert warmth.noted([first], air)[0].temp_c == 4.0, "the air within 15 min after"
    assert warmth.noted([StartDemand(at=T0, attempts=1, end="started")], air)[0].temp_c is None


# --- pages and API ---------------------------------------------------------------------------


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Fleet]:
    with seeded(tmp_path_factory.mktemp("use")) as made:
        yield made


@pytest.fixture(scope="module")
def client(fleet: Fleet) -> Iterator[TestClient]:
    app = create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)
    with TestClient(app, base_url=HERE, raise_server_exceptions=False) as made:
        yield made


RUN = NOW - 4 * DAY_S - 3600 * 2
"""A run of unit 0 in `seeding`: 20 min from here."""


def moment(at: int) -> str:
    return datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def test_a_running_signal_is_proposed_from_a_recorded_run(client: TestClient) -> None:
    asked = {"from": moment(RUN), "to": moment(RUN + RUN_MIN * 60)}
    body = client.get(f"/api/units/{unit_id(0)}/running-signal", params=asked).json()
    ac = next(item for item in body["items"] if item["channel"] == "ac_v")
    assert ac["proposed"]
    assert 0 < ac["off"] < ac["on"] < 228
    assert len(body["cautions"]) >= 7


def test_the_wrong_times_are_refused_with_reasons(client: TestClient) -> None:
    at_rest = {"from": moment(RUN + 6 * 3600), "to": moment(RUN + 8 * 3600)}
    items = client.get(f"/api/units/{unit_id(0)}/running-signal", params=at_rest).json()["items"]
    assert {item["refused"] for item in items} <= {"too_few", "overlap", "floats"}
    assert all(item["sentence"].endswith(".") for item in items)
    swapped = {"from": moment(RUN + 600), "to": moment(RUN)}
    answer = client.get(f"/api/units/{unit_id(0)}/running-signal", params=swapped)
    assert answer.status_code == 422
    assert "start, then end" in answer.json()["detail"]
    far = {"from": moment(RUN), "to": moment(RUN + 3 * DAY_S)}
    assert client.get(f"/api/units/{unit_id(0)}/running-signal", params=far).status_code == 422
    assert client.get("/api/units/none/running-signal", params=at_rest).status_code == 404


def test_the_signal_page_shows_a_form_then_its_answer(client: TestClient) -> None:
    empty = client.get(f"/units/{unit_id(0)}/signal").text
    assert 'type="datetime-local"' in empty
    assert "What could say that it runs" not in empty
    local = [
        datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%dT%H:%M:%S") for at in (RUN, RUN + 1200)
    ]
    body = client.get(
        f"/units/{unit_id(0)}/signal", params={"started": local[0], "stopped": local[1]}
    ).text
    assert "Running at" in body
    assert "running_signal ac_v" in body
    assert "carbon monoxide" in body
    wrong = client.get(
        f"/units/{unit_id(0)}/signal", params={"started": "<i>now</i>", "stopped": local[1]}
    ).text
    assert 'role="alert"' in wrong
    assert "<i>now" not in wrong
    assert f'href="/units/{unit_id(0)}/signal"' in client.get(f"/units/{unit_id(0)}").text


def test_the_unit_page_and_api_say_how_it_starts(client: TestClient, fleet: Fleet) -> None:
    body = client.get(f"/api/units/{unit_id(0)}").json()
    page = client.get(f"/units/{unit_id(0)}").text
    assert "Starting and use" in page
    assert body["harder_not_judged"] or body["harder_starting"]
    assert body["duty"]["runs"] >= 1
    everybody = lists.start_counts(fleet.registry, EVERYTHING, "Plain", "P0")
    assert (everybody[0].units, everybody[1].units >= 9) == (1, True)
    mine = body["customer"]
    only = lists.start_counts(fleet.registry, Scope(frozenset({mine})), "plain", "p0")
    assert only[1].units == 1, "another customer's sets are not counted"
    assert client.get(f"/units/{unit_id(NEW)}").status_code == 200


def test_scope_holds_for_the_running_signal(fleet: Fleet) -> None:
    app = create_app(fleet.settings, fleet.registry, fleet.history, now=lambda: NOW)
    app.dependency_overrides[scope_of] = lambda: Scope(frozenset({"nobody"}))
    asked = {"from": moment(RUN), "to": moment(RUN + 1200)}
    with TestClient(app, base_url=HERE) as other:
        assert other.get(f"/api/units/{unit_id(0)}/running-signal", params=asked).status_code == 404


def test_the_area_tells_how_its_sets_are_used(fleet: Fleet) -> None:
    rows = unscoped.area_usage(fleet.registry, "North")
    assert len(rows) == 4
    watched = [sum(days for _, _, days in row.other_runs) for row in rows]
    assert all(DAYS - 6 <= days <= DAYS + 1 for days in watched)
    assert all(row.other_hours_h for row in rows), "weekly runs that nobody agreed on"
    assert unscoped.area_usage(fleet.registry, "nowhere") == []


def test_the_due_page_says_the_likely_range() -> None:
    item = DueItem(
        unit="u",
        task="t",
        name="Oil",
        state="later",
        binds="hours",
        share=0.7,
        due_on="2027-03-01",
        likely_from="2026-12-05",
        likely_on="2027-01-10",
        likely_to="2027-03-01",
    )
    today = datetime.fromtimestamp(NOW, UTC).date()
    line = due_page.line(item, today)
    assert line.when.startswith("about ")
    assert line.range.startswith("likely ")
    assert " to " in line.range
    open_ended = msgspec.structs.replace(item, due_on=None, likely_to=None)
    assert due_page.line(open_ended, today).range.startswith("likely not before")
    plain = msgspec.structs.replace(item, likely_from=None, likely_on=None, likely_to=None)
    assert due_page.line(plain, today).range == ""
