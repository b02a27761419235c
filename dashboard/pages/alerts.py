"""Alerts: one line per cause, with its life so far."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.responses import HTMLResponse

from dashboard import frames, phrases
from dashboard.deps import LIVE, AtDesk, Desk, Reader
from dashboard.viewers import staff_name
from fleet import words
from fleet.model import Episode, Scope
from fleet.registry import pages

router = APIRouter(include_in_schema=False, dependencies=LIVE)

A_PAGE = 50
STEPS = {"raised": "raised", "changed": "changed", "acknowledged": "taken by", "cleared": "cleared"}


@router.get("/alerts", response_class=HTMLResponse)
def alerts(
    request: Request,
    desk: AtDesk,
    scope: Reader,
    show: str = "open",
    after: Annotated[str, Query(max_length=80)] = "",
) -> HTMLResponse:
    show = "all" if show == "all" else "open"
    found = pages.episodes(desk.registry, scope, show == "open", None, A_PAGE + 1, after or None)
    now = desk.clock()
    return frames.page(
        request,
        scope,
        "alerts.html",
        "alerts",
        now=now,
        show=show,
        rows=lines(desk, scope, found[:A_PAGE], now),
        following=found[A_PAGE - 1].id if len(found) > A_PAGE else "",
        first=not after,
    )


def lines(desk: Desk, scope: Scope, found: list[Episode], now: int) -> list[dict[str, Any]]:
    """One line per cause: due work of one set, one severity and one state stands together."""
    rows: dict[tuple[object, ...], dict[str, Any]] = {}
    for episode in found:
        apart = "" if episode.kind == "service_due" else episode.id
        key = (episode.subject, episode.kind, episode.severity, episode.closed_at, apart)
        row = line(desk, scope, episode, now)
        if key in rows:
            rows[key]["seen"] += row["seen"]
        else:
            rows[key] = row
    return list(rows.values())


def line(desk: Desk, scope: Scope, episode: Episode, now: int) -> dict[str, Any]:
    """One episode: whose, what was seen, and what became of it."""
    kind, _, name = episode.subject.partition(":")
    row = pages.unit(desk.registry, scope, name) if kind == "unit" else None
    zone = row[1].time_zone if row else "UTC"
    named = frames.named(*row[:3]) if row else {"title": episode.subject, "href": "", "id": ""}
    return named | {
        "severity": episode.severity,
        "seen": [words.sentence(episode.finding, zone, now).seen],
        "since": phrases.since(episode.finding.since, zone, now),
        "closed": episode.closed_at is not None,
        "life": [
            " ".join(
                filter(
                    None,
                    (
                        STEPS[step.kind],
                        staff_name(scope, step.by),
                        words.moment(step.at, zone, now),
                    ),
                )
            )
            for step in episode.steps
        ],
    }
