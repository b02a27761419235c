"""Unit: what is wrong and what to do, then what it reads, did, and is due for."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated

import numpy as np
from fastapi import APIRouter, Query, Request
from markupsafe import Markup
from numpy.typing import NDArray
from starlette.responses import HTMLResponse

from dashboard import frames, logbook, phrases, svg
from dashboard.pages import forms
from dashboard.pages.unit import records
from dashboard.request_context import LIVE, CurrentScope, Services, TheServices, find_unit
from dashboard.views import (
    alerts,
    battery,
    due,
    exercise,
    last_start,
    readiness,
    readings,
    register,
    starting,
    supply,
)
from dashboard.views.audience import sentence_for
from dashboard.views.battery import BatteryPanel
from dashboard.views.due import DueLine
from dashboard.views.exercise import ExercisePanel
from dashboard.views.last_start import LastStart
from dashboard.views.named import SetName, set_name
from dashboard.views.readiness import ReadinessPanel
from dashboard.views.readings import Bar
from dashboard.views.runs import (
    HoursLine,
    RunLine,
    StartLine,
    hours_line,
    run_line,
    start_line,
)
from dashboard.views.set_notices import Notice, cautions, notices
from dashboard.views.supply import SupplyPanel
from fleet import words
from fleet.calendar import DAY_S
from fleet.history import StoreFault, UnitUnknown
from fleet.model import (
    Condition,
    Customer,
    DeviceEvent,
    RecordKind,
    Run,
    Scope,
    Site,
    Unit,
    UnitSummary,
)
from fleet.registry import lists
from fleet.words import readiness_sentences
from scheduler import assess
from scheduler.assess import Assessment

router = APIRouter(include_in_schema=False, dependencies=LIVE)
log = logging.getLogger(__name__)

STRIP_DAYS = 30
STRIP_BUCKETS = 240
LIST_DAYS = 365
UNSURE_DAYS = 7
"""How much of its past is shown, and in how many pieces. A page's length."""
LATE_NEWS_S = 3600
"""A newest reading this much older than the newest message is late news, at the least. Common
practice, no source."""
RUNS_SHOWN = 12
STARTS_SHOWN = 12
RECORDS_SHOWN = 30
"""Rows of each table. A page's length."""


@router.get("/units/{unit}", response_class=HTMLResponse)
def page(
    request: Request,
    services: TheServices,
    scope: CurrentScope,
    unit: str,
    done: str = "",
    record: Annotated[str, Query(max_length=64)] = "",
) -> HTMLResponse:
    view = unit_screen(services, scope, *find_unit(services, scope, unit), done, record)
    return frames.render(request, scope, "unit/page.html", "units", view)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitScreen:
    """The page of one set, from what is wrong and what to do to what its device does not see.

    visit: who is there now, in words; undo: the record that was just written down, while it stands;
    runs_total: runs of a year, of which `runs` are the newest;
    facts, habit, use, supplies: (name, words); blind: what is not seen. now: UTC seconds.
    """

    now: int
    set: SetName
    state: State
    reach: Reach
    answer: ReadinessPanel
    supplies: list[tuple[str, str]]
    last_start: LastStart | None
    notices: list[Notice]
    notes: list[records.NoteLine]
    cautions: list[str]
    done: str
    undo: str
    bars: list[Bar]
    unchecked: list[str]
    visit: str
    strip: Strip | None
    runs: list[RunLine]
    run_strip: Markup | None
    runs_total: int
    starts: list[StartLine]
    due: list[DueLine]
    hours: HoursLine | None
    facts: list[tuple[str, str]]
    habit: list[tuple[str, str]]
    battery: BatteryPanel | None
    exercise: ExercisePanel | None
    supply: SupplyPanel | None
    use: list[tuple[str, str]]
    blind: list[str]
    records: list[records.RecordLine]
    kinds: Mapping[RecordKind, forms.Form]


def unit_screen(
    services: Services,
    scope: Scope,
    unit: Unit,
    site: Site,
    customer: Customer,
    summary: UnitSummary | None,
    done: str = "",
    record: str = "",
) -> UnitScreen:
    """Everything the page of a set says to who may see it. done: what was just recorded, by kind;
    record: its id."""
    now, zone = services.clock(), site.time_zone
    begin, end = now - LIST_DAYS * DAY_S, now + DAY_S
    inputs = lists.inputs(services.registry, scope, unit.id)
    verdict = assess.read(lists.assessment(services.registry, scope, unit.id))
    days = logbook.days_of(services.registry, scope, unit.id, begin, end)
    reasons = verdict.reasons if verdict else ()
    ran = logbook.runs_of(days, summary, begin, end, reasons)
    starts = logbook.starts_of(days, summary, begin, end)
    today = phrases.site_today(zone, now)
    findings, say = summary.findings if summary else (), sentence_for(scope)
    unsure = lists.unsure_spells(services.registry, scope, unit.id, now - UNSURE_DAYS * DAY_S, end)
    recorded = lists.records(services.registry, scope, unit.id)
    counts = lists.start_counts(services.registry, scope, unit.make, unit.model)
    return UnitScreen(
        now=now,
        set=set_name(unit, site, customer),
        state=state(summary, zone, now),
        reach=reach(unit, site, customer),
        answer=readiness.panel(summary, verdict, zone, now, scope),
        supplies=readiness.supplies(verdict, ran, zone, now),
        last_start=last_start.panel(
            verdict, inputs, traces(services, scope, unit.id, now), zone, now
        ),
        notices=notices(findings, zone, now, say),
        notes=[
            records.note_line(f, unit.id, zone, now, say) for f in findings if f.severity == "note"
        ],
        cautions=cautions(findings, zone, now, say),
        done=forms.DONE.get(done, ""),
        undo=records.standing(recorded, record),
        bars=readings.bars(inputs, days, summary, zone, now) if inputs else [],
        unchecked=readings.unchecked(inputs, now) if inputs else [],
        visit=alerts.open_visit_words(inputs, scope, zone, now),
        strip=strip(services, scope, unit, ran, verdict, zone, now),
        runs=[run_line(run, zone, now) for run in ran[::-1][:RUNS_SHOWN]],
        run_strip=run_strip(ran, now),
        runs_total=len(ran),
        starts=[start_line(start, zone, now) for start in starts[::-1][:STARTS_SHOWN]],
        due=[due.line(item, today) for item in verdict.due] if verdict else [],
        hours=hours_line(summary, verdict, zone, now),
        facts=register.set_facts(unit, today, scope),
        habit=register.habit(
            verdict, inputs, unit if scope.everything else None, unsure, zone, now
        ),
        battery=battery.panel(verdict, days, zone, now),
        exercise=exercise.panel(unit, verdict, zone, now),
        supply=supply.panel(unit, verdict, zone, now),
        use=starting.panel(verdict, counts, unit.model, zone, now),
        blind=[register.BLIND[name] for name in verdict.blind] if verdict else [],
        records=[records.record_line(r, zone, now, scope) for r in recorded[:RECORDS_SHOWN]],
        kinds=forms.KINDS,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """A set's condition (None: too new), in words, and since when and when it was last heard.

    late_news: that its newest reading is older than its newest message.
    """

    condition: Condition | None = None
    said: str = ""
    since: str = ""
    heard: str = ""
    late_news: str = ""


def state(summary: UnitSummary | None, zone: str, now: int) -> State:
    """Condition with its beginning, and when it was last heard."""
    if summary is None:
        return State()
    newest, heard, since = summary.newest_at, summary.heard_at, summary.condition_since
    late = ""
    limit_s = max(LATE_NEWS_S, summary.silent_limit_s or 0)
    if heard is not None and newest is not None and heard - newest > limit_s:
        late = f"its newest reading is of {words.moment(newest, zone, now)}"
    return State(
        condition=summary.condition,
        said=readiness_sentences.condition_now(summary, zone, now),
        since=phrases.since(since, zone, now)
        if since is not None and summary.ran_at is None
        else "",
        heard=phrases.fresh(heard, zone, now) if heard is not None else "never",
        late_news=late,
    )


def traces(services: Services, scope: Scope, unit: str, now: int) -> list[DeviceEvent]:
    """What its devices sent of the battery around starts, in a year."""
    found = lists.events(
        services.registry, scope, unit, now - LIST_DAYS * DAY_S, now + DAY_S, "trace"
    )
    return [trace for trace in found if trace.channel == "battery_v"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """Who to call: (who, number, number to dial); where it stands, for a map; its address."""

    phones: list[tuple[str, str, str]]
    place: str | None
    address: str


def reach(unit: Unit, site: Site, customer: Customer) -> Reach:
    """Who to call, and where it stands."""
    phones: list[tuple[str, str]] = []
    for who, number in (
        (unit.contact or site.contact or "site", unit.phone or site.phone),
        (customer.name, customer.phone),
    ):
        if number and number not in [known for _, known in phones]:
            phones.append((who, number))
    place = None
    if site.lat is not None and site.lon is not None:
        place = f"geo:{site.lat:.6f},{site.lon:.6f}"
    return Reach(
        phones=[
            (who, number, "".join(c for c in number if c in "+0123456789"))
            for who, number in phones
        ],
        place=place,
        address=site.address,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """A picture of 30 days, and what stands along its edges."""

    picture: Markup
    ticks: list[str]
    dates: list[str]


def strip(
    services: Services,
    scope: Scope,
    unit: Unit,
    runs: list[Run],
    verdict: Assessment | None,
    zone: str,
    now: int,
) -> Strip | None:
    """Battery volts of 30 days with runs shaded; None where there are none or no store."""
    start, end = now - STRIP_DAYS * DAY_S, now
    try:
        window = services.history.window(scope, unit.id, ["battery_v"], start, end, STRIP_BUCKETS)[
            "battery_v"
        ]
    except UnitUnknown:
        return None
    except StoreFault as fault:
        log.warning("history of %s cannot be read: %s", unit.id, fault)
        return None
    gap_s = verdict.gap_s if verdict else DAY_S
    label = volts_label(window.minimum, window.maximum, runs, start)
    drawn = svg.strip(window, runs, start, end, gap_s, label)
    if drawn is None:
        return None
    picture, ticks = drawn
    decimals = 1 if any(round(t) != t for t in ticks) else 0
    return Strip(
        picture=picture,
        ticks=[phrases.quantity(t, decimals) for t in ticks],
        dates=[
            phrases.day_words(phrases.site_today(zone, at), phrases.site_today(zone, now))
            for at in np.linspace(start, end, 7).astype(int).tolist()
        ],
    )


def volts_label(
    low: NDArray[np.float64], high: NDArray[np.float64], runs: list[Run], start: int
) -> str:
    """What the strip shows, for those who cannot see it."""
    if not np.isfinite(low).any():
        return "No battery volts in 30 days"
    seen = sum(1 for run in runs if run.end is None or run.end > start)
    return (
        f"Battery volts of 30 days: {np.nanmin(low):.1f} to {np.nanmax(high):.1f} V, "
        f"{phrases.count(seen, 'run')}"
    )


def run_strip(runs: list[Run], now: int) -> Markup | None:
    """When it ran in the last 365 days, as a picture; None without runs."""
    if not runs:
        return None
    label = f"{phrases.count(len(runs), 'run')} in 365 days"
    return svg.run_strip(runs, now - LIST_DAYS * DAY_S, now, label)
