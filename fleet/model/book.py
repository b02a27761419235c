"""The office's book of open work, and a visit as a calendar shows it."""

from __future__ import annotations

import msgspec

from fleet.model.jobs import Contract, Job, SiteCard, Technician
from fleet.model.register import Customer, Site, Unit


class Book(msgspec.Struct, frozen=True, kw_only=True):
    """Everything a plan is made from, as the office knows it; places of open jobs only."""

    jobs: tuple[Job, ...] = ()
    technicians: tuple[Technician, ...] = ()
    sites: dict[str, Site] = {}
    cards: dict[str, SiteCard] = {}
    customers: dict[str, Customer] = {}
    contracts: dict[str, Contract] = {}
    units: dict[str, Unit] = {}


class FeedEvent(msgspec.Struct, frozen=True, kw_only=True):
    """One visit as a calendar shows it. uid: the same as long as it is the same visit.

    start, end: UTC seconds. zone: the IANA zone of its site; "" where it was told before zones
    were. No phone number, key or code is in it.
    """

    uid: str
    technician: str
    start: int
    end: int
    summary: str
    place: str = ""
    text: str = ""
    lat: float | None = None
    lon: float | None = None
    zone: str = ""
