"""What every page shares: the template environment, the frame around a page, severities' shapes."""

from __future__ import annotations

from typing import Any

from fastapi import Request
from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from starlette.responses import HTMLResponse

from dashboard import phrases, unsent
from dashboard.assets import Assets
from dashboard.deps import Desk
from dashboard.refill import refill
from dashboard.viewers import Viewer
from fleet import words
from fleet.model import (
    SEVERITIES,
    Condition,
    Customer,
    Finding,
    Readiness,
    Scope,
    Severity,
    Site,
    Unit,
)
from fleet.registry import pages
from fleet.words.readiness import READINESS

MARKS: dict[Severity, str] = {
    "act_now": "now",
    "same_day": "day",
    "next_visit": "plan",
    "no_word": "mute",
    "note": "note",
}
"""Severity to its shape and colour class in app.css and the sprite."""
GLYPHS: dict[Condition, str] = {
    "standing_by": "s-by",
    "cranking": "s-crank",
    "running": "s-run",
    "on_load": "s-load",
    "cooling_down": "s-cool",
    "not_in_auto": "s-off",
    "out_of_service": "s-work",
    "laid_up": "s-laid",
    "not_reporting": "mute",
    "last_heard_running": "s-was",
}
READY_MARKS: dict[Readiness, tuple[str, str]] = {
    "ready": ("r-ready", ""),
    "doubtful": ("r-doubt", "day"),
    "not_ready": ("r-not", "now"),
    "unknown": ("mute", "mute"),
    "set_aside": ("s-work", ""),
}
"""Readiness to its shape in the sprite and its colour class in app.css."""
Entry = tuple[str, str, str, str]
"""Key, address, name, class of an entry of the navigation."""
NAV: tuple[Entry, ...] = (
    ("today", "/", "Today", ""),
    ("units", "/units", "Units", ""),
    ("due", "/due", "Due", ""),
    ("alerts", "/alerts", "Alerts", "wide"),
)
OFFICE: tuple[Entry, ...] = (
    ("today", "/", "Today", ""),
    ("units", "/units", "Units", ""),
    ("due", "/due", "Due", "wide"),
    ("rounds", "/rounds", "Rounds", ""),
    ("jobs", "/jobs", "Jobs", ""),
    ("alerts", "/alerts", "Alerts", "wide"),
)
"""What the firm's own people see; customers see no rounds and no jobs."""
HEALTH: Entry = ("health", "/health-page", "Health", "wide")
PEOPLE: Entry = ("people", "/people", "People", "wide")
SHARES: Entry = ("people", "/people/shares", "Share links", "wide")


def environment(assets: Assets) -> Environment:
    """The templates: autoescape always on, an unknown name is an error."""
    env = Environment(
        loader=PackageLoader("dashboard", "templates"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.globals.update(
        asset=assets.url,
        plotly_url=assets.plotly_url,
        marks=MARKS,
        glyphs=GLYPHS,
        ready_marks=READY_MARKS,
        ready_word=READINESS.__getitem__,
        severity_word=words.severity,
        condition_word=words.condition,
        count=phrases.count,
        quantity=phrases.quantity,
    )
    return env


def page(
    request: Request, scope: Scope, template: str, here: str, status: int = 200, **facts: Any
) -> HTMLResponse:
    """A whole page. here: which entry of the navigation is current."""
    desk: Desk = request.app.state.desk
    viewer: Viewer = request.state.viewer
    now = facts.pop("now", None) or desk.clock()
    text = desk.templates.get_template(template).render(
        firm=desk.settings.firm,
        here=here,
        now=now,
        viewer=viewer,
        nav=navigation(viewer),
        banner=banner(desk, scope),
        bar=_bar(desk, scope),
        change=getattr(request.state, "change", 0),
        **facts,
    )
    if request.method == "GET":
        text = _with_unsent(request, desk, viewer, text)
    return HTMLResponse(text, status)


def _with_unsent(request: Request, desk: Desk, viewer: Viewer, text: str) -> str:
    """The page, with the form filled in again that was sent from it after its session had ended."""
    waiting = desk.unsent.waiting(viewer, request.url.path)
    if waiting is None:
        return text
    text, filled = refill(text, waiting.action, waiting.fields)
    said = desk.templates.get_template("_unsent.html").render(
        filled=filled, lacks=waiting.lacks, fields=unsent.shown(waiting.fields)
    )
    head, main, rest = text.partition("<main ")
    tag, end, body = rest.partition(">")
    return f"{head}{main}{tag}{end}{said}{body}"


def door(request: Request, template: str, status: int = 200, **facts: Any) -> HTMLResponse:
    """A page for whoever is not signed in yet: no navigation, nothing of the fleet."""
    desk: Desk = request.app.state.desk
    text = desk.templates.get_template(template).render(
        firm=desk.settings.firm,
        here="",
        now=desk.clock(),
        viewer=None,
        nav=(),
        banner={"demo": desk.settings.demo, "loading": None},
        bar=NOTHING,
        change=0,
        **facts,
    )
    return HTMLResponse(text, status, headers={"referrer-policy": "no-referrer"})


NOTHING = {"units": 0, "reporting": 0, "alerts": 0}


def navigation(viewer: Viewer | None) -> tuple[Entry, ...]:
    """The pages this viewer may open."""
    if viewer is None:
        return ()
    found = (*OFFICE, HEALTH) if viewer.scope.everything else NAV
    if viewer.kind == "person":
        found += {"owner": (PEOPLE,), "office": (SHARES,)}.get(viewer.role, ())
    return found


def banner(desk: Desk, scope: Scope) -> dict[str, Any]:
    """The lines under the top bar: the demonstration, and history that is still being read in."""
    loading = None
    if scope.everything:
        marks = [mark for mark in pages.health(desk.registry, scope).inbox if not mark.done]
        if marks:
            taken, size = sum(m.offset for m in marks), sum(m.size for m in marks)
            loading = {
                "taken": phrases.size(taken),
                "size": phrases.size(size),
                "percent": int(100 * taken / size) if size else 0,
            }
    return {"demo": desk.settings.demo, "loading": loading}


def _bar(desk: Desk, scope: Scope) -> dict[str, int]:
    """Sets in all, sets that report, and open alerts, for the top bar."""
    counts = pages.counts(desk.registry, scope)
    silent = counts.by_condition.get("not_reporting", 0) + counts.not_assessed
    grave = sum(counts.by_severity.get(severity, 0) for severity in SEVERITIES[:-1])
    return {"units": counts.units, "reporting": max(0, counts.units - silent), "alerts": grave}


def fault_page(request: Request, status: int, title: str, detail: str) -> HTMLResponse:
    """An error as a page a person can read, even when the registry is away."""
    desk: Desk = request.app.state.desk
    viewer: Viewer | None = getattr(request.state, "viewer", None)
    text = desk.templates.get_template("fault.html").render(
        firm=desk.settings.firm,
        here="",
        now=desk.clock(),
        viewer=viewer,
        nav=navigation(viewer),
        banner={"demo": desk.settings.demo, "loading": None},
        bar=NOTHING,
        change=0,
        title=title,
        detail=detail,
    )
    return HTMLResponse(text, status)


def worst(findings: tuple[Finding, ...]) -> Finding | None:
    """The gravest finding, the oldest of equals; notes count as nothing to do."""
    grave = [f for f in findings if f.severity != "note"]
    return min(grave, key=lambda f: (SEVERITIES.index(f.severity), f.since), default=None)


def named(unit: Unit, site: Site, customer: Customer) -> dict[str, str]:
    """What a set is called: the site, its id beside it, the customer where that is another name."""
    title = site.name or customer.name or unit.id
    return {
        "id": unit.id,
        "title": title,
        "short": customer.name if title.startswith(f"{customer.name},") else title,
        "customer": "" if customer.name in (title, title.split(",")[0]) else customer.name,
        "address": site.address,
        "area": unit.area,
        "href": f"/units/{unit.id}",
        "site": site.id,
    }


__all__ = [
    "GLYPHS",
    "MARKS",
    "READY_MARKS",
    "banner",
    "door",
    "environment",
    "fault_page",
    "named",
    "navigation",
    "page",
    "worst",
]
