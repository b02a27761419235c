"""Who holds the duty phone: weeks in order, swaps, the next in line."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, time, timedelta
from typing import get_args

import msgspec

from fleet.calendar import instant, local
from fleet.model import Contact, Rota
from fleet.model.duty import StaffRole


def holder(rota: Rota, at: int) -> str:
    """Id of the holder at a moment (UTC seconds); '' where the rota is empty.

    A swap goes before the week; of two swaps the later entered one. Weeks change at the handover's
    local time, clock changes or not.
    """
    on = duty_date(rota, at)
    for swap in reversed(rota.swaps):
        if swap.from_on <= on.isoformat() < swap.to_on:
            return swap.person
    if not rota.people:
        return rota.last
    weeks = (on - date.fromisoformat(rota.start)).days // 7
    return rota.people[weeks % len(rota.people)]


def duty_date(rota: Rota, at: int) -> date:
    """The local date whose duty holds at a moment: before the handover it is still yesterday's."""
    moment = local(at, rota.zone)
    handover = time.fromisoformat(rota.handover)
    return moment.date() - timedelta(days=int(moment.time() < handover))


def handover_after(rota: Rota, at: int) -> int:
    """When the duty that holds at a moment is over: the phone may pass on then (UTC seconds)."""
    day, wall = duty_date(rota, at) + timedelta(days=1), time.fromisoformat(rota.handover)
    first = instant(day, wall, rota.zone)
    return first if first > at else instant(day, wall.replace(fold=1), rota.zone)


def took_over(rota: Rota, at: int) -> int:
    """When the holder at a moment took the phone over that day; 0 where nobody else had it before."""
    wall = time.fromisoformat(rota.handover)
    begun = instant(duty_date(rota, at), wall, rota.zone)
    return begun if holder(rota, begun - 60) != holder(rota, at) else 0


def in_line(rota: Rota, at: int) -> tuple[str, ...]:
    """The holder, then who is asked next: those of the coming weeks, and the last resort."""
    on = duty_date(rota, at)
    weeks = len(rota.people)
    coming = [holder(rota, _noon(rota, on + timedelta(days=7 * n))) for n in range(1, weeks)]
    named = [holder(rota, at), *coming, *rota.people, rota.last]
    return tuple(dict.fromkeys(name for name in named if name))


def _noon(rota: Rota, day: date) -> int:
    """A moment at which the duty of that date holds: just before the next handover."""
    handover = time.fromisoformat(rota.handover)
    return instant(day + timedelta(days=1), handover, rota.zone) - 60


def weeks_ahead(rota: Rota, at: int, weeks: int) -> list[tuple[str, str, str]]:
    """(from, to, person) of the running week and those after it; local ISO dates of handovers."""
    if not rota.people:
        return []
    start = date.fromisoformat(rota.start)
    begun = start + timedelta(days=(duty_date(rota, at) - start).days // 7 * 7)
    found: list[tuple[str, str, str]] = []
    for n in range(7 * weeks):
        day = begun + timedelta(days=n)
        person, after = holder(rota, _noon(rota, day)), day + timedelta(days=1)
        if found and found[-1][2] == person and n % 7:
            found[-1] = (found[-1][0], after.isoformat(), person)
        else:
            found.append((day.isoformat(), after.isoformat(), person))
    return found


def contact_of(people: Sequence[Contact], person: str) -> Contact | None:
    """How a person is reached; None where nobody of that id is known."""
    return next((contact for contact in people if contact.person == person), None)


def with_stand_in(rota: Rota, people: Sequence[Contact]) -> Rota:
    """The rota as it is, or, where nobody was ever put on it, one that asks the owner."""
    if rota.people or rota.last:
        return rota
    return msgspec.structs.replace(rota, last=next(iter(stand_ins(people)), ""))


def stand_ins(people: Sequence[Contact]) -> tuple[str, ...]:
    """Who is asked where no rota says whom: those who can be reached, the owners first, then the
    office, then the technicians. Common practice, no source."""
    order: tuple[StaffRole, ...] = get_args(StaffRole)
    return tuple(one.person for role in order for one in people if one.role == role and one.ways)


def recipient_at(rota: Rota, people: Sequence[Contact], at: int) -> Contact | None:
    """Who is told at a moment: the holder, else the next in line who can be reached, else who stands
    in; None where nobody can be reached."""
    line = (*in_line(rota, at), *stand_ins(people))
    contacts = (contact_of(people, name) for name in line)
    return next((one for one in contacts if one is not None and one.ways), None)
