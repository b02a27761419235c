"""Work that is due, when and why: for pages in words and small pictures, for programs in numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from markupsafe import Markup

from dashboard import phrases, svg
from dashboard.views.contract import Form, Next, View, view_of
from dashboard.views.named import SetName, set_name
from fleet import words
from fleet.model import Customer, DueItem, Severity, Site, Unit

LATE = ("late_beyond", "late")


class DueView(DueItem, View, frozen=True, kw_only=True):
    """One task of one unit and when it falls due."""

    form = Form(
        renamed={"days_left": "days_left_d", "late_days": "late_days_d", "minutes": "length_min"},
        about={
            "likely_from": "10 % chance of being due by then",
            "likely_on": "even chance; null: by calendar only",
            "likely_to": "90 % chance; null: beyond 730 days",
        },
    )
    site: str
    customer: str


def due_view(item: DueItem, unit: Unit) -> DueView:
    """A due task of a unit as it is told."""
    return view_of(DueView, item, site=unit.site, customer=unit.customer)


class DuePage(View, frozen=True, kw_only=True):
    """A page of due work."""

    items: Sequence[DueView]
    next: Next


@dataclass(frozen=True, slots=True, kw_only=True)
class DueLine:
    """A due task in words, its hours against the limit as a small picture.

    severity None: only ink. meter None: by date only. on: the local date it likely falls due (ISO);
    late_for: days late, those beyond their tolerance first; share: 1.0 is exactly due.
    """

    work: str
    severity: Severity | None
    when: str
    why: str
    meter: Markup | None
    hours: str
    share: float
    on: str | None
    late_for: int
    range: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DueRow:
    """A due task of a set of the fleet."""

    set: SetName
    line: DueLine


@dataclass(frozen=True, slots=True, kw_only=True)
class DueGroup:
    """Rows of one time: Late, This week or Later."""

    name: str
    rows: list[DueRow]


def grouped(rows: list[tuple[DueItem, Unit, Site, Customer]], now: int) -> list[DueGroup]:
    """Late, this week (due now or within 7 days), later; each by date, empty groups left out."""
    groups: dict[str, list[DueRow]] = {"Late": [], "This week": [], "Later": []}
    for item, unit, site, customer in rows:
        today = phrases.site_today(site.time_zone, now)
        name = "Later"
        if item.state in LATE:
            name = "Late"
        elif item.state == "due" or (item.days_left is not None and item.days_left <= 7):
            name = "This week"
        groups[name].append(DueRow(set=set_name(unit, site, customer), line=line(item, today)))
    for inside in groups.values():
        inside.sort(key=lambda row: (row.line.on or "9999", -row.line.share))
    groups["Late"].sort(key=lambda row: -row.line.late_for)
    return [DueGroup(name=name, rows=inside) for name, inside in groups.items() if inside]


def line(item: DueItem, today: date) -> DueLine:
    """A due task in words, on the site's date `today`."""
    picture, hours = hours_picture(item)
    return DueLine(
        work=item.name,
        severity=severity(item),
        when=when(item, today),
        why=item.reason or plain_reason(item, today),
        meter=picture,
        hours=hours,
        share=item.share,
        on=min(filter(None, (item.due_on, item.likely_on)), default=None),
        late_for=(item.late_days or 0) + 1000 * (item.state == "late_beyond"),
        range=likely_range(item, today),
    )


def severity(item: DueItem) -> Severity | None:
    """Beyond its tolerance: Same day. Late or due: Next visit. Else only ink."""
    if item.state == "late_beyond":
        return "same_day"
    return "next_visit" if item.state in ("late", "due") else None


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
    return f"likely {words.ends(first, last)}"


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


def hours_picture(item: DueItem) -> tuple[Markup | None, str]:
    """(picture of hours used against the interval, the same in words); (None, "") by date only."""
    if not item.every_h or item.hours_used_h is None:
        return None, ""
    said = f"{phrases.quantity(item.hours_used_h)} of {phrases.quantity(item.every_h)} h"
    late = item.state == "late_beyond" and item.hours_used_h > item.every_h
    return svg.meter(item.hours_used_h, item.every_h, late, said), said
