"""Unit: what is wrong and what to do, then what it reads, did, and is due for."""

from __future__ import annotations

import logging
from typing import Any

import numpy as np
from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse

from dashboard import frames, logbook, phrases, svg
from dashboard.deps import LIVE, AtDesk, Desk, Reader
from dashboard.one_unit import find
from dashboard.pages import due, forms
from dashboard.pages.alerts import lines as alert_lines
from dashboard.pages.unit import (
    answer,
    bars,
    battery_words,
    exercise_words,
    last_start,
    supply_words,
    use_words,
)
from dashboard.pages.unit import words as tell
from fleet import words
from fleet.calendar import DAY_S
from fleet.findings import ServiceDue
from fleet.history import StoreFault, UnitUnknown
from fleet.model import (
    SEVERITIES,
    Customer,
    DeviceEvent,
    Finding,
    Run,
    Scope,
    Site,
    Unit,
    UnitSummary,
)
from fleet.registry import pages
from scheduler import assess
from scheduler.assess import Assessment

router = APIRouter(include_in_schema=False, dependencies=LIVE)
log = logging.getLogger(__name__)

STRIP_DAYS = 30
STRIP_BUCKETS = 240
LIST_DAYS = 365
UNSURE_DAYS = 7
RUNS_SHOWN = 12
STARTS_SHOWN = 12
RECORDS_SHOWN = 30


@router.get("/units/{unit}", response_class=HTMLResponse)
def page(request: Request, desk: AtDesk, scope: Reader, unit: str, done: str = "") -> HTMLResponse:
    found, site, customer, summary = find(desk, scope, unit)
    now, zone = desk.clock(), site.time_zone
    inputs = pages.inputs(desk.registry, scope, unit)
    doc = pages.assessment(desk.registry, scope, unit)
    verdict = assess.read(doc)
    days = logbook.days_of(desk.registry, scope, unit, now - LIST_DAYS * DAY_S, now + DAY_S)
    reasons = verdict.reasons if verdict else ()
    runs = logbook.runs_of(days, summary, now - LIST_DAYS * DAY_S, now + DAY_S, reasons)
    starts = logbook.starts_of(days, summary, now - LIST_DAYS * DAY_S, now + DAY_S)
    today = phrases.site_today(zone, now)
    findings = summary.findings if summary else ()
    return frames.page(
        request,
        scope,
        "unit/page.html",
        "units",
        now=now,
        set=frames.named(found, site, customer),
        state=state(summary, zone, now),
        reach=reach(found, site, customer),
        answer=answer.panel(summary, verdict, zone, now),
        supplies=answer.supplies(verdict, runs, zone, now),
        last_start=last_start.panel(verdict, inputs, traces(desk, scope, unit, now), zone, now),
        notices=notices(findings, zone, now),
        notes=[words.sentence(f, zone, now) for f in findings if f.severity == "note"],
        cautions=cautions(findings, zone, now),
        done=forms.DONE.get(done, ""),
        bars=bars.bars(inputs, days, summary, zone, now) if inputs else [],
        unchecked=bars.unchecked(inputs, now) if inputs else [],
        visit=alert_lines.open_visit_words(inputs, scope, zone, now),
        strip=strip(desk, scope, found, runs, verdict, zone, now),
        runs=[tell.run_line(run, zone, now) for run in runs[::-1][:RUNS_SHOWN]],
        run_strip=run_strip(runs, now),
        runs_total=len(runs),
        starts=[tell.start_line(start, zone, now) for start in starts[::-1][:STARTS_SHOWN]],
        due=[due.line(item, today) for item in verdict.due] if verdict else [],
        hours=tell.hours(summary, verdict, zone, now),
        facts=tell.set_facts(found, today, scope),
        habit=tell.habit(
            verdict,
            inputs,
            found if scope.everything else None,
            pages.unsure_spells(desk.registry, scope, unit, now - UNSURE_DAYS * DAY_S, now + DAY_S),
            zone,
            now,
        ),
        battery=battery_words.panel(verdict, days, zone, now),
        exercise=exercise_words.panel(found, verdict, zone, now),
        supply=supply_words.panel(found, verdict, zone, now),
        use=use_words.panel(
            verdict,
            pages.start_counts(desk.registry, scope, found.make, found.model),
            found.model,
            zone,
            now,
        ),
        blind=[tell.BLIND[name] for name in verdict.blind] if verdict else [],
        records=[
            tell.record_line(r, zone, now, scope)
            for r in pages.records(desk.registry, scope, unit)[:RECORDS_SHOWN]
        ],
        kinds=forms.KINDS,
    )


def state(summary: UnitSummary | None, zone: str, now: int) -> dict[str, Any]:
    """Condition with its beginning, and when it was last heard."""
    if summary is None:
        return {"condition": None, "since": "", "heard": "", "late_news": ""}
    newest = summary.newest_at
    heard = summary.heard_at
    behind = (
        heard is not None
        and newest is not None
        and heard - newest > max(3600, summary.silent_limit_s or 0)
    )
    return {
        "condition": summary.condition,
        "since": phrases.since(summary.condition_since, zone, now)
        if summary.condition_since is not None
        else "",
        "heard": phrases.fresh(heard, zone, now) if heard is not None else "never",
        "late_news": f"its newest reading is of {words.moment(newest, zone, now)}"
        if behind and newest is not None
        else "",
    }


def traces(desk: Desk, scope: Scope, unit: str, now: int) -> list[DeviceEvent]:
    """What its devices sent of the battery around starts, in a year."""
    found = pages.events(desk.registry, scope, unit, now - LIST_DAYS * DAY_S, now + DAY_S, "trace")
    return [trace for trace in found if trace.channel == "battery_v"]


def reach(unit: Unit, site: Site, customer: Customer) -> dict[str, Any]:
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
    return {
        "phones": [
            (who, number, "".join(c for c in number if c in "+0123456789"))
            for who, number in phones
        ],
        "place": place,
        "address": site.address,
    }


def notices(findings: tuple[Finding, ...], zone: str, now: int) -> list[dict[str, Any]]:
    """Findings to act on, gravest first, with sentence and next step; due work of one severity
    in one notice."""
    grave = [f for f in findings if f.severity != "note"]
    grave.sort(key=lambda f: (SEVERITIES.index(f.severity), f.since))
    found: dict[tuple[str, str], dict[str, Any]] = {}
    for f in grave:
        said = words.sentence(f, zone, now)
        part = "" if isinstance(f.facts, ServiceDue) else f.part
        notice = found.setdefault(
            (f.severity, f"{f.kind} {part}"),
            {
                "severity": f.severity,
                "title": said.title,
                "seen": [],
                "do": said.do,
                "since": phrases.since(f.since, zone, now),
                "key": f"{f.kind} {part} {f.since}",
            },
        )
        notice["seen"].append(said.seen)
    return list(found.values())


def cautions(findings: tuple[Finding, ...], zone: str, now: int) -> list[str]:
    """Every caution line of the findings, once."""
    said = [line for f in findings for line in words.sentence(f, zone, now).cautions]
    return list(dict.fromkeys(said))


def strip(
    desk: Desk,
    scope: Scope,
    unit: Unit,
    runs: list[Run],
    verdict: Assessment | None,
    zone: str,
    now: int,
) -> dict[str, Any] | None:
    """Battery volts of 30 days with runs shaded; None where there are none or no store."""
    start, end = now - STRIP_DAYS * DAY_S, now
    try:
        window = desk.history.window(scope, unit.id, ["battery_v"], start, end, STRIP_BUCKETS)[
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
    return {
        "picture": picture,
        "ticks": [phrases.quantity(t, decimals) for t in ticks],
        "dates": [
            phrases.day_words(phrases.site_today(zone, at), phrases.site_today(zone, now))
            for at in np.linspace(start, end, 7).astype(int).tolist()
        ],
    }


def volts_label(low: Any, high: Any, runs: list[Run], start: int) -> str:
    """What the strip shows, for those who cannot see it."""
    if not np.isfinite(low).any():
        return "No battery volts in 30 days"
    seen = sum(1 for run in runs if run.end is None or run.end > start)
    return (
        f"Battery volts of 30 days: {np.nanmin(low):.1f} to {np.nanmax(high):.1f} V, "
        f"{phrases.count(seen, 'run')}"
    )


def run_strip(runs: list[Run], now: int) -> Any:
    """When it ran in the last 365 days, as a picture; None without runs."""
    if not runs:
        return None
    label = f"{phrases.count(len(runs), 'run')} in 365 days"
    return svg.run_strip(runs, now - LIST_DAYS * DAY_S, now, label)
