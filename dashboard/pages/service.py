"""Health: is the service itself all right? Programs, devices, what was set aside, the inbox."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse

from dashboard import frames
from dashboard.request_context import LIVE, CurrentScope, TheServices, require
from dashboard.views.service import (
    Inbox,
    OddDevice,
    Program,
    SetAside,
    ago,
    aside,
    beats,
    forgiving,
    inbox,
    live,
    program,
)
from fleet.registry import lists
from fleet.registry.lists.rows import HealthFacts

router = APIRouter(include_in_schema=False, dependencies=[require("reader", whole=True), *LIVE])

QUARANTINE_SHOWN = 50
DEVICES_SHOWN = 200
"""Rows of each table. A page's length."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HealthScreen:
    """The Health page. units, reporting, silent, bare (without a
    device), unheard: numbers of sets; newest, waiting_since:
    moments in words; live: (name, words) of pages that stay fresh. now: UTC seconds."""

    now: int
    facts: HealthFacts
    units: int
    reporting: int
    silent: int
    bare: int
    unheard: int
    programs: list[Program]
    newest: str
    waiting: int
    waiting_since: str
    inbox: Inbox
    live: list[tuple[str, str]]
    unregistered: list[str]
    forgiven: list[OddDevice]
    set_aside: list[SetAside]


@router.get("/health-page", response_class=HTMLResponse)
def service(request: Request, services: TheServices, scope: CurrentScope) -> HTMLResponse:
    now = services.clock()
    facts = lists.health(services.registry, scope)
    counts = lists.counts(services.registry, scope)
    devices = lists.devices(services.registry, scope)
    silent = counts.by_condition.get("not_reporting", 0)
    bare = counts.by_condition.get("no_device", 0)
    view = HealthScreen(
        now=now,
        facts=facts,
        units=counts.units,
        reporting=max(0, counts.units - silent - bare - counts.not_assessed),
        silent=silent,
        bare=bare,
        unheard=counts.not_assessed,
        programs=[program(entry, now) for entry in beats(facts.heartbeats, now)],
        newest=ago(facts.newest_heard_at, now),
        waiting=facts.touches_device + facts.touches_unit,
        waiting_since=ago(facts.oldest_touch_at, now),
        inbox=inbox(facts),
        live=live(services.feed.condition(), now),
        unregistered=[d.device for d, _ in devices if not d.registered][:DEVICES_SHOWN],
        forgiven=forgiving(devices)[:DEVICES_SHOWN],
        set_aside=[
            aside(row, now)
            for row in lists.quarantine(services.registry, scope, None, QUARANTINE_SHOWN)
        ],
    )
    return frames.render(request, scope, "service.html", "health", view)
