"""Agreements in words: visits made of those agreed, and what is to be renewed. For staff."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from dashboard import phrases
from dashboard.request_context import Services
from fleet import words
from fleet.calendar import local_date
from fleet.model import Scope
from fleet.registry.office.agreements import Agreement, agreements
from scheduler import work_orders


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """One thing to be said of an agreement. due: somebody is to do something about it."""

    said: str
    due: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class AgreementDue:
    """An agreement to look after. href: where it can be changed."""

    customer: str
    href: str
    lines: list[str]


def to_look_after(services: Services, scope: Scope, now: int) -> list[AgreementDue]:
    """Agreements with visits behind or a renewal near, for the Due page of the office."""
    found = []
    for one in agreements(services.registry, scope, now):
        lines = standing(one, now)
        if any(line.due for line in lines):
            found.append(
                AgreementDue(
                    customer=one.customer.name,
                    href=f"/sites/{one.site}#contract",
                    lines=[line.said for line in lines if line.due],
                )
            )
    return found


def of_customer(services: Services, scope: Scope, customer: str, now: int) -> list[str]:
    """How the agreement with a customer stands, for its site's card."""
    held = [one for one in agreements(services.registry, scope, now) if one.customer.id == customer]
    return [line.said for one in held for line in standing(one, now)]


def standing(one: Agreement, now: int) -> list[Standing]:
    """What is to be said of an agreement."""
    today, contract = local_date(now, one.zone), one.contract
    lines = []
    if contract.visits_a_year:
        behind = work_orders.visits_behind(contract.visits_a_year, len(one.visited), today)
        lines.append(Standing(said=visits(one, today, behind), due=behind > 0))
    if contract.renewal:
        left = work_orders.renewal_near(contract.renewal, today)
        lines.append(Standing(said=renewal(contract.renewal, left), due=left is not None))
    return lines


def visits(one: Agreement, today: date, behind: int) -> str:
    """Visits made this year of those agreed."""
    made, agreed = len(one.visited), one.contract.visits_a_year
    said = f"{made} of {agreed} visits made in {today.year}"
    if one.visited:
        said += f", the last on {phrases.day_words(one.visited[-1], today)}"
    return f"{said}: {phrases.count(behind, 'visit')} behind." if behind else f"{said}."


def renewal(day: str, left: int | None) -> str:
    """When it is to be renewed."""
    if left is None:
        return f"To be renewed on {words.day(day)}."
    if left < 0:
        return f"Was to be renewed on {words.day(day)}, {phrases.count(-left, 'day')} ago."
    when = "today" if left == 0 else f"in {phrases.count(left, 'day')}"
    return f"To be renewed on {words.day(day)}, {when}."
