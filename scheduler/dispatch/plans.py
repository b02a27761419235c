"""A plan: its document, and what is looked up in it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable

import msgspec

from fleet.model.book import Book, FeedEvent
from fleet.model.round_plan import RoundPlan

_plan = msgspec.json.Decoder(RoundPlan).decode


def decode(doc: bytes) -> RoundPlan:
    """A plan from its document."""
    return _plan(doc)


def encode(plan: RoundPlan) -> bytes:
    """A plan as its document."""
    return msgspec.json.encode(plan)


def events(plan: RoundPlan, book: Book) -> tuple[FeedEvent, ...]:
    """The visits of a plan as calendars show them."""
    jobs = {job.id: job for job in book.jobs}
    found = []
    for one in plan.rounds:
        for stop in one.stops:
            site = book.sites.get(stop.site)
            here = [jobs[id] for id in stop.jobs if id in jobs]
            found.append(
                FeedEvent(
                    uid=uid_of(stop.jobs),
                    technician=one.technician,
                    start=stop.start,
                    end=max(stop.finish, stop.start + 60),
                    summary=f"{site.name if site else stop.site}: "
                    + ", ".join(job.public_title for job in here),
                    place=site.address if site else "",
                    text="\n".join(f"{job.unit} {job.public_title}".strip() for job in here),
                    lat=site.lat if site else None,
                    lon=site.lon if site else None,
                    zone=site.time_zone if site else "",
                )
            )
    return tuple(found)


def uid_of(jobs: Iterable[str]) -> str:
    """A visit's identity: by the first of its jobs' ids, so that it keeps when others join."""
    return hashlib.sha256(min(jobs).encode()).hexdigest()[:24] + "@hourhand"
