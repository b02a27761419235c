"""What every page shares: the template environment, the frame around a page, severities' shapes.

A template knows three names: `frame` (a Frame), `viewer` (who looks, the frame's) and `view` (the
page's own record, of `dashboard.views` or of the page). A misnamed attribute of one is an error.
"""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import Request
from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from starlette.responses import HTMLResponse

from dashboard import phrases, unsent
from dashboard.assets import Assets
from dashboard.refill import refill
from dashboard.request_context import Services
from dashboard.viewers import Viewer
from fleet import words
from fleet.model import (
    SEVERITIES,
    Condition,
    Readiness,
    Scope,
    Severity,
)
from fleet.registry import lists
from fleet.words.readiness_sentences import READINESS

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
    "no_device": "s-new",
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """The top bar: sets in all, sets that report, sets with an open alert."""

    units: int = 0
    reporting: int = 0
    alerts: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Loading:
    """History still being read in: bytes taken of all, in words."""

    taken: str
    size: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Banner:
    """The lines under the top bar: the demonstration, and history that is still being read in."""

    demo: bool
    loading: Loading | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """What stands around every page.

    here: the navigation's entry that is current. now: UTC seconds. viewer None: not signed in.
    change: number of the newest change the page knows of; its live feed begins there.
    """

    firm: str
    here: str
    now: int
    viewer: Viewer | None
    nav: tuple[Entry, ...]
    banner: Banner
    bar: Bar
    change: int

    @property
    def shared(self) -> bool:
        """Whether the holder of a share link looks."""
        return self.viewer is not None and self.viewer.kind == "share"

    @property
    def strip(self) -> bool:
        """Whether anything is to be said under the top bar."""
        return self.banner.demo or self.banner.loading is not None or self.shared


def render(
    request: Request, scope: Scope, template: str, here: str, view: object, status: int = 200
) -> HTMLResponse:
    """A whole page of the fleet. here: which entry of the navigation is current; view: its record.

    A view that names a moment of its own (`now`, UTC seconds) is framed at that moment.
    """
    services: Services = request.app.state.services
    viewer: Viewer = request.state.viewer
    frame = Frame(
        firm=services.settings.firm,
        here=here,
        now=getattr(view, "now", None) or services.clock(),
        viewer=viewer,
        nav=navigation(viewer),
        banner=banner(services, scope),
        bar=_bar(services, scope),
        change=getattr(request.state, "change", 0),
    )
    text = _drawn(request, template, frame, view)
    if request.method == "GET":
        text = _with_unsent(request, services, viewer, text)
    return HTMLResponse(text, status)


def render_door(
    request: Request, template: str, view: object = None, status: int = 200
) -> HTMLResponse:
    """A page for whoever is not signed in yet: no navigation, nothing of the fleet."""
    text = _drawn(request, template, _bare(request, "", None), view)
    return HTMLResponse(text, status, headers={"referrer-policy": "no-referrer"})


def _bare(request: Request, here: str, viewer: Viewer | None) -> Frame:
    """A frame that asks the registry nothing."""
    services: Services = request.app.state.services
    return Frame(
        firm=services.settings.firm,
        here=here,
        now=services.clock(),
        viewer=viewer,
        nav=navigation(viewer),
        banner=Banner(demo=services.settings.demo),
        bar=Bar(),
        change=0,
    )


def _drawn(request: Request, template: str, frame: Frame, view: object) -> str:
    services: Services = request.app.state.services
    drawn = services.templates.get_template(template)
    return drawn.render(frame=frame, viewer=frame.viewer, view=view)


@dataclass(frozen=True, slots=True, kw_only=True)
class Unsent:
    """A form that was sent after its session had ended. filled: it stands on the page again;
    lacks: something of it is not kept; fields: (name, value), as read."""

    filled: bool
    lacks: bool
    fields: list[tuple[str, str]]


def _with_unsent(request: Request, services: Services, viewer: Viewer, text: str) -> str:
    """The page, with the form filled in again that was sent from it after its session had ended."""
    waiting = services.unsent.waiting(viewer, request.url.path)
    if waiting is None:
        return text
    text, filled = refill(text, waiting.action, waiting.fields)
    view = Unsent(filled=filled, lacks=waiting.lacks, fields=unsent.shown(waiting.fields))
    said = services.templates.get_template("_unsent.html").render(view=view)
    head, main, rest = text.partition("<main ")
    tag, end, body = rest.partition(">")
    return f"{head}{main}{tag}{end}{said}{body}"


def navigation(viewer: Viewer | None) -> tuple[Entry, ...]:
    """The pages this viewer may open."""
    if viewer is None:
        return ()
    found = (*OFFICE, HEALTH) if viewer.scope.everything else NAV
    if viewer.kind == "person":
        found += {"owner": (PEOPLE,), "office": (SHARES,)}.get(viewer.role, ())
    return found


def banner(services: Services, scope: Scope) -> Banner:
    """The lines under the top bar, for who looks."""
    loading = None
    if scope.everything:
        marks = [mark for mark in lists.health(services.registry, scope).inbox if not mark.done]
        if marks:
            taken, size = sum(m.offset for m in marks), sum(m.size for m in marks)
            loading = Loading(taken=phrases.size(taken), size=phrases.size(size))
    return Banner(demo=services.settings.demo, loading=loading)


def _bar(services: Services, scope: Scope) -> Bar:
    counts = lists.counts(services.registry, scope)
    silent = counts.by_condition.get("not_reporting", 0) + counts.not_assessed
    equipped = counts.units - counts.by_condition.get("no_device", 0)
    grave = sum(counts.by_severity.get(severity, 0) for severity in SEVERITIES[:-1])
    return Bar(units=equipped, reporting=max(0, equipped - silent), alerts=grave)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """An error in words."""

    title: str
    detail: str


def fault_page(request: Request, status: int, title: str, detail: str) -> HTMLResponse:
    """An error as a page a person can read, even when the registry is away."""
    viewer: Viewer | None = getattr(request.state, "viewer", None)
    frame = _bare(request, "", viewer)
    text = _drawn(request, "fault.html", frame, Fault(title=title, detail=detail))
    return HTMLResponse(text, status)


__all__ = [
    "GLYPHS",
    "MARKS",
    "READY_MARKS",
    "Banner",
    "Bar",
    "Frame",
    "banner",
    "environment",
    "fault_page",
    "navigation",
    "render",
    "render_door",
]
