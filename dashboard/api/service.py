"""GET /health, /metrics, /api/quarantine and /api/devices/{device}/wire: is the service all right, what
it set aside, and why."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import PlainTextResponse

from dashboard.api.units import Limit
from dashboard.problems import Problem, ProblemDocument
from dashboard.request_context import (
    ANYONE,
    CurrentScope,
    Requirement,
    RowNumber,
    TheServices,
    find_viewer,
    require,
)
from dashboard.views import service
from dashboard.views.service import (
    DeviceWireView,
    HealthView,
    QuarantinePage,
    StatusView,
    device_wire,
    health_view,
    quarantine_view,
    status_of,
)
from fleet.model import EVERYTHING
from fleet.registry import lists
from fleet.registry.lists.rows import Counts, HealthFacts

router = APIRouter(tags=["service"])
WHOLE = Requirement("reader", whole=True)


@router.get("/health", dependencies=[ANYONE])
def health(request: Request, services: TheServices) -> HealthView | StatusView:
    """status `ok`, or `attention` when a program has not been heard in time.

    The rest is for who sees the whole fleet; everybody else is told the status only.
    """
    facts = lists.health(services.registry, EVERYTHING)
    now = services.clock()
    beats = service.beats(facts.heartbeats, now)
    viewer = find_viewer(request)
    if viewer is None or WHOLE.refusal(viewer):
        return StatusView(status=status_of(beats))
    return health_view(facts, beats, now)


@router.get(
    "/metrics", response_class=PlainTextResponse, dependencies=[require("office", whole=True)]
)
def metrics(services: TheServices, scope: CurrentScope) -> PlainTextResponse:
    """The same for a Prometheus scraper (text format 0.0.4)."""
    facts = lists.health(services.registry, scope)
    text = exposition(facts, lists.counts(services.registry, scope), services.clock())
    return PlainTextResponse(text, media_type="text/plain; version=0.0.4; charset=utf-8")


def exposition(facts: HealthFacts, counts: Counts, now: int) -> str:
    """Gauges in Prometheus' text format. Pure."""
    families: list[tuple[str, str, list[tuple[str, float]]]] = [
        ("hourhand_units", "Registered units.", [("", facts.units)]),
        (
            "hourhand_units_by_condition",
            "Units by condition.",
            [(f'{{condition="{name}"}}', n) for name, n in sorted(counts.by_condition.items())],
        ),
        (
            "hourhand_units_by_severity",
            "Units by their gravest finding; none: no finding.",
            [
                (f'{{severity="{name or "none"}"}}', n)
                for name, n in sorted(counts.by_severity.items())
            ],
        ),
        ("hourhand_devices", "Known devices.", [("", facts.devices)]),
        (
            "hourhand_devices_unregistered",
            "Devices not in the register.",
            [("", facts.unregistered)],
        ),
        ("hourhand_alerts_open", "Open alert episodes.", [("", facts.open_episodes)]),
        (
            "hourhand_quarantined_messages",
            "Messages set aside and still kept or counted.",
            [("", facts.quarantined + facts.quarantined_over)],
        ),
        (
            "hourhand_touches_waiting",
            "Days waiting to be computed.",
            [("", facts.touches_device + facts.touches_unit)],
        ),
        (
            "hourhand_inbox_waiting_bytes",
            "Bytes of replay files not yet taken.",
            [("", service.waiting_bytes(facts.inbox))],
        ),
        (
            "hourhand_heartbeat_age_seconds",
            "Seconds since a program's last sign of life.",
            [
                (f'{{program="{b.program}"}}', now - b.at)
                for b in service.beats(facts.heartbeats, now)
                if b.at is not None
            ],
        ),
    ]
    if facts.newest_heard_at is not None:
        age = float(now - facts.newest_heard_at)
        families.append(
            (
                "hourhand_newest_message_age_seconds",
                "Seconds since the newest message of any device.",
                [("", age)],
            )
        )
    lines = []
    for name, text, samples in families:
        lines += [f"# HELP {name} {text}", f"# TYPE {name} gauge"]
        lines += [f"{name}{labels} {value:g}" for labels, value in samples]
    return "\n".join(lines) + "\n"


@router.get("/api/quarantine", dependencies=[require("reader", whole=True)])
def quarantine(
    services: TheServices,
    scope: CurrentScope,
    device: Annotated[str | None, Query(max_length=64)] = None,
    limit: Limit = 100,
    cursor: RowNumber | None = None,
) -> QuarantinePage:
    """Messages set aside, newest first."""
    rows = lists.quarantine(services.registry, scope, device, limit + 1, cursor)
    items = [quarantine_view(row) for row in rows[:limit]]
    return QuarantinePage(items=items, next=str(items[-1].id) if len(rows) > limit else None)


@router.get(
    "/api/devices/{device}/wire",
    dependencies=[require("reader", whole=True)],
    responses={404: {"model": ProblemDocument}},
)
def wire(services: TheServices, scope: CurrentScope, device: str) -> DeviceWireView:
    """What of a device's messages was forgiven and refused: how often, why, with examples."""
    registry = services.registry
    found = next((one for one in lists.devices(registry, scope) if one[0].device == device), None)
    if found is None:
        raise Problem(404, "There is no device of that id here. GET /api/units names them.")
    counts = lists.quarantine_counts(registry, scope)
    over = sum(count.over for count in counts if count.device == device)
    return device_wire(*found, lists.refused(registry, scope, device), over)
