"""Due: what is due, when and why; late, this week, later."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.responses import HTMLResponse

from dashboard import frames, phrases, svg
from dashboard.deps import LIVE, AtDesk, Looking, Reader
from dashboard.pages import agreed, reminders
from fleet import calendar, words
from fleet.model import Customer, DueItem, Site, Unit
from fleet.registry import pages

router = APIRouter(include_in_schema=False, dependencies=LIVE)

HORIZONS = {"7": "a week", "30": "30 days", "90": "90 days", "": "everything"}
LATE = ("late_beyond", "late")
ROWS_AT_MOST = 400


@router.get("/due", response_class=HTMLResponse)
def due(
    request: Request,
    desk: AtDesk,
    scope: Reader,
    viewer: Looking,
    work: Annotated[str, Query(max_length=100)] = "",
    area: Annotated[str, Query(max_length=100)] = "",
    days: str = "30",
) -> HTMLResponse:
    now = desk.clock()
    days = days if days in HORIZONS else "30"
    until = None
    if days:
        until = (calendar.local_date(now, "UTC") + timedelta(days=int(days))).isoformat()
    found = pages.due(desk.registry, scope, None, until)
    chosen = [
        row
        for row in found
        if (not work or row[0].name == work) and (not area or row[1].area == area)
    ]
    return frames.page(
        request,
        scope,
        "due.html",
        "due",
        now=now,
        groups=grouped(chosen[:ROWS_AT_MOST], now),
        total=len(chosen),
        cut=max(0, len(chosen) - ROWS_AT_MOST),
        units=pages.counts(desk.registry, scope).units,
        work=work,
        works=sorted({row[0].name for row in found} | ({work} if work else set())),
        area=area,
        areas=sorted({row[1].area for row in found if row[1].area} | ({area} if area else set())),
        days=days,
        horizons=HORIZONS,
        filtered=bool(work or area),
        agreed=agreed.to_look_after(desk, scope, now) if viewer.role in ("office", "owner") else [],
        **reminders.of_fleet(desk, scope, now),
    )


def grouped(rows: list[tuple[DueItem, Unit, Site, Customer]], now: int) -> list[dict[str, Any]]:
    """Late, this week (due now or within 7 days), later; each by date, empty groups left out."""
    groups: dict[str, list[dict[str, Any]]] = {"Late": [], "This week": [], "Later": []}
    for item, unit, site, customer in rows:
        today = phrases.site_today(site.time_zone, now)
        name = "Later"
        if item.state in LATE:
            name = "Late"
        elif item.state == "due" or (item.days_left is not None and item.days_left <= 7):
            name = "This week"
        groups[name].append(frames.named(unit, site, customer) | line(item, today))
    for lines in groups.values():
        lines.sort(key=lambda entry: (entry["on"] or "9999", -entry["share"]))
    groups["Late"].sort(key=lambda entry: -entry["late_for"])
    return [{"name": name, "rows": lines} for name, lines in groups.items() if lines]


def line(item: DueItem, today: date) -> dict[str, Any]:
    """A due task in words, its hours against the limit as a small picture."""
    picture, hours = hours_picture(item)
    on = min(filter(None, (item.due_on, item.likely_on)), default=None)
    return {
        "work": item.name,
        "task": item.task,
        "state": item.state,
        "severity": severity(item),
        "when": when(item, today),
        "why": item.reason or plain_reason(item, today),
        "meter": picture,
        "hours": hours,
        "share": item.share,
        "on": on,
        "late_for": (item.late_days or 0) + 1000 * (item.state == "late_beyond"),
        "minutes": item.minutes,
        "range": likely_range(item, today),
    }


def severity(item: DueItem) -> str | None:
    """Beyond its tolerance: Same day. Late or due: Next visit. Else only ink."""
    return {"late_beyond": "same_day", "late": "next_visit", "due": "next_visit"}.get(item.state)


def when(item: DueItem, today: date) -> str:
    """How late, or when: "13 days late", "16 h over", "Thu 26 Nov", "about 3 Dec"."""
    if item.state in LATE:
        if item.late_days:
            return f"{phrases.count(item.late_days, 'day')} late"
        if item.late_hours_h:
            return f"{words.hours(item.late_hours_h)} over"
        return "late"
    if item.state == "unknown":
        return "not known"
    if item.likely_on and item.likely_on != item.due_on:
        return f"about {phrases.day_words(item.likely_on, today)}"
    if item.due_on:
        return phrases.day_words(item.due_on, today)
    if item.hours_left_h is not None:
        return f"in {words.hours(max(0.0, item.hours_left_h))}"
    return "now" if item.state == "due" else "later"


def likely_range(item: DueItem, today: date) -> str:
    """The dates between which it likely comes due, where hours may come before the calendar."""
    if not item.likely_from or item.state not in ("soon", "later"):
        return ""
    first = phrases.day_words(item.likely_from, today)
    if item.likely_to is None:
        return f"likely not before {first}"
    last = phrases.day_words(item.likely_to, today)
    return f"likely {first}" if first == last else f"likely {first} to {last}"


def plain_reason(item: DueItem, today: date) -> str:
    """The interval in words, where the scheduler gave no reason."""
    parts = []
    if item.every_h:
        parts.append(f"every {words.hours(item.every_h)}")
    if item.every_months:
        parts.append("yearly" if item.every_months == 12 else f"every {item.every_months} months")
    text = " or ".join(parts)
    if item.last_done_on:
        text += f", last done {phrases.day_words(item.last_done_on, today)}"
    return text[:1].upper() + text[1:]


def hours_picture(item: DueItem) -> tuple[Any, str]:
    """(picture of hours used against the interval, the same in words); (None, "") by date only."""
    if not item.every_h or item.hours_used_h is None:
        return None, ""
    said = f"{phrases.quantity(item.hours_used_h)} of {phrases.quantity(item.every_h)} h"
    late = item.state == "late_beyond" and item.hours_used_h > item.every_h
    return svg.meter(item.hours_used_h, item.every_h, late, said), said
