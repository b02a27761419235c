"""Alerts: one line per cause, with its life so far, and how many there were."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import HTMLResponse

from dashboard import frames
from dashboard.request_context import LIVE, CurrentScope, CurrentViewer, Services, TheServices
from dashboard.views.alerts import AlertLine, lines
from fleet.model import Scope
from fleet.registry import lists
from fleet.registry.told.alerts import RuleMarks, history, marks_by_kind, messages
from scheduler import alarms

router = APIRouter(include_in_schema=False, dependencies=LIVE)

A_PAGE = 50
MONTH_S = 30 * 86_400
"""Alerts of a page, and the days its figures are of. A page's length."""
PUBLISHED = (
    ("Alerts a day", "about 144 (150 in the 2009 edition)"),
    ("Most in 10 min", "a flood from 11 on"),
    ("Time in a flood", "under 1 %"),
    ("Chattering", "none (3 in a minute)"),
    ("Standing for over a day", "fewer than 5"),
    ("The ten most frequent", "1 to 5 % of all"),
    ("Act now / Same day / Next visit", "5 / 15 / 80 %"),
)
"""What IEC 62682 and ANSI/ISA-18.2 name for one operator of a control room."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """The last 30 days. rows: (figure, here, a control room's); a_person: messages a person and day;
    marked: how alerts were marked, by (name of the rule, its marks)."""

    rows: tuple[tuple[str, str, str], ...]
    a_person: str
    marked: tuple[tuple[str, RuleMarks], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertsPage:
    """The list of alerts. show: open or all; over: those that are over and that nobody has seen;
    following: the id after which the next page begins, '' on the last."""

    show: str
    rows: tuple[AlertLine, ...]
    over: tuple[AlertLine, ...]
    staff: bool
    figures: Figures | None
    following: str
    first: bool


@router.get("/alerts", response_class=HTMLResponse)
def alerts(
    request: Request,
    services: TheServices,
    viewer: CurrentViewer,
    scope: CurrentScope,
    show: str = "open",
    after: Annotated[str, Query(max_length=80)] = "",
) -> HTMLResponse:
    show = "all" if show == "all" else "open"
    found = lists.episodes(
        services.registry, scope, show == "open", None, A_PAGE + 1, after or None
    )
    now = services.clock()
    rows = lines(services, scope, found[:A_PAGE], now)
    over = [row for row in rows if row.alert.state == "returned"] if show == "open" else []
    staff = viewer.staff
    view = AlertsPage(
        show=show,
        rows=tuple(row for row in rows if row not in over),
        over=tuple(over),
        staff=staff,
        figures=figures(services, scope, now) if staff and not after else None,
        following=found[A_PAGE - 1].id if len(found) > A_PAGE else "",
        first=not after,
    )
    return frames.render(request, scope, "alerts/page.html", "alerts", view)


def figures(services: Services, scope: Scope, now: int) -> Figures:
    """The last 30 days beside the published figures, and which rule was wrong most."""
    since = now - MONTH_S
    f = alarms.figures(history(services.registry, scope, since), since, now + 1)
    sent, people = messages(services.registry, scope, since)
    ours = (
        f"{f.a_day:.1f}",
        str(f.most_10_min),
        share_of_time(f.flood_share),
        str(f.chattering),
        str(f.stale),
        f"{100 * f.top_10_share:.0f} %",
        " / ".join(f"{share:.0%}".rstrip("%") for share in f.split) + " %",
    )
    marked = marks_by_kind(services.registry, scope, since)
    return Figures(
        rows=tuple(
            (name, mine, published) for (name, published), mine in zip(PUBLISHED, ours, strict=True)
        ),
        a_person=f"{sent * 86_400 / MONTH_S / max(1, people):.1f}",
        marked=tuple((m.kind.replace("_", " ").capitalize(), m) for m in marked),
    )


def share_of_time(share: float) -> str:
    """A share of time in percent; what was is not said to be none."""
    percent = 100 * share
    return "under 0.1 %" if 0 < percent < 0.05 else f"{percent:.1f} %"
