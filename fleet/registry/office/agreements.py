"""Agreements with customers, and the visits made under them. Reads take a Scope."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import time

import msgspec
import sqlalchemy as sa

from fleet.calendar import instant, local_date
from fleet.model import Contract, Customer, Scope, Site
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.base.scoped import customer_in
from fleet.registry.office.kept_jobs import contracts

VISITS = ("visit", "task_done")
"""Records of somebody having been there."""


class Agreement(msgspec.Struct, frozen=True, kw_only=True):
    """What was agreed with a customer. visited: local days of this calendar year on which a visit
    to one of its sites, or work done there, is on record, rising, each site's once. zone: of its
    first site, whose card holds the agreement."""

    contract: Contract
    customer: Customer
    site: str
    zone: str
    visited: tuple[str, ...] = ()


def agreements(reg: Registry, scope: Scope, now: int) -> list[Agreement]:
    """Every agreement of the scope, by the customer's name. now: UTC seconds."""
    held = contracts(reg, scope)
    found = []
    with reg.read() as connection:
        c = tables.customer.c
        wanted = sa.select(c.doc).where(c.id.in_(sorted(held)), customer_in(scope, c.id))
        for customer in map(documents.customer, connection.execute(wanted).scalars()):
            query = sa.select(tables.site.c.doc).where(tables.site.c.customer == customer.id)
            docs = connection.execute(query.order_by(tables.site.c.id)).scalars()
            sites = [documents.site(doc) for doc in docs]
            if sites:
                found.append(
                    Agreement(
                        contract=held[customer.id],
                        customer=customer,
                        site=sites[0].id,
                        zone=sites[0].time_zone,
                        visited=_visited(connection, sites, now),
                    )
                )
    return sorted(found, key=lambda one: (one.customer.name.casefold(), one.customer.id))


def _visited(connection: sa.Connection, sites: Iterable[Site], now: int) -> tuple[str, ...]:
    days: set[tuple[str, str]] = set()
    newer = tables.record.alias("newer")
    for site in sites:
        year = local_date(now, site.time_zone).replace(month=1, day=1)
        start = instant(year, time(), site.time_zone)
        query = (
            sa.select(tables.record.c.doc)
            .join(tables.unit, tables.unit.c.id == tables.record.c.unit)
            .where(
                tables.unit.c.site == site.id,
                tables.record.c.kind.in_(VISITS),
                tables.record.c.at >= start,
                tables.record.c.at <= now,
                ~sa.exists(sa.select(newer.c.id).where(newer.c.corrects == tables.record.c.id)),
            )
        )
        for record in map(documents.record, connection.execute(query).scalars()):
            days.add((local_date(record.at, site.time_zone).isoformat(), site.id))
    return tuple(day for day, _ in sorted(days))
