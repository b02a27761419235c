"""Plans of rounds as they were told to people, drafts, and what was asked of the planner.

Documents are the planner's own (`scheduler.rounds.RoundPlan`), kept as bytes. A published plan is
never changed: changing it is publishing another. A draft is thrown away by the next one.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Literal

import msgspec
import sqlalchemy as sa

from fleet.model import EVERYTHING, OPEN_STATES, Customer, Job, JobStep, Scope, Site
from fleet.model.book import Book, FeedEvent
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.base.faults import RegistryFault
from fleet.registry.base.scoped import customer_in
from fleet.registry.office.kept_jobs import _step_of, contracts, job, jobs
from fleet.registry.office.rounds_feed import tell_feeds
from fleet.registry.office.sitecard import cards
from fleet.registry.office.technicians import technicians
from fleet.registry.people.audit import note
from fleet.registry.people.model import Actor

AskState = Literal["waiting", "working", "done", "failed"]
DRAFTS_KEPT = 3
"""Newest drafts that stay. A bound of ours."""


class RoundsRefused(RegistryFault):
    """Something about rounds cannot be done. A sentence: what was wrong and what to do."""


class KeptPlan(msgspec.Struct, frozen=True, kw_only=True):
    """A plan with when, by whom and why it was made. doc: the planner's document."""

    id: int
    published: bool
    made_at: int
    made_by: str
    fingerprint: str
    note: str
    doc: bytes


class Ask(msgspec.Struct, frozen=True, kw_only=True):
    """What a plan is asked for. storm: first and last local day of a storm week."""

    seconds: float = 30.0
    iterations: int | None = None
    days: int = 14
    storm: tuple[str, str] | None = None
    fresh: bool = False


class KeptAsk(msgspec.Struct, frozen=True, kw_only=True):
    """An ask and how far it is. said: a sentence for whoever waits."""

    id: int
    at: int
    by: str
    state: AskState
    said: str
    changed_at: int
    ask: Ask


_ask = documents.decoder(Ask)


def book(reg: Registry, scope: Scope, also: Iterable[str] = ()) -> Book:
    """The open jobs with their places and people, and every technician at work.

    also: ids of sites that are read though nothing is open there.
    """
    found = jobs(reg, scope, states=OPEN_STATES)
    wanted = {one.site for one in found if one.site} | set(also)
    people = tuple(technicians(reg, active_only=True))
    zone = next((one.time_zone for one in people), "UTC")
    return Book(
        jobs=tuple(found),
        technicians=people,
        sites={one.id: one for one in _docs(reg, tables.site, wanted, documents.site)}
        | {one.where: errand_site(one, zone) for one in found if one.errand and not one.site},
        cards={id: card for id, card in cards(reg, scope).items() if id in wanted},
        customers={
            one.id: one
            for one in _docs(reg, tables.customer, {j.customer for j in found}, documents.customer)
        },
        contracts=contracts(reg, scope),
        units={
            one.id: one for one in _docs(reg, tables.unit, {j.unit for j in found}, documents.unit)
        },
    )


def errand_site(work: Job, zone: str) -> Site:
    """The place of an errand as a site nobody owns; zone: the office's. Raises ValueError."""
    there = work.errand
    if there is None:
        raise ValueError(f"job {work.id} is no errand")
    return Site(
        id=work.where, customer="", name=there.name, time_zone=zone, lat=there.lat, lon=there.lon
    )


def _errands(reg: Registry, ids: Iterable[str]) -> dict[str, tuple[Site, Customer]]:
    people = technicians(reg, active_only=True)
    zone = next((one.time_zone for one in people), "UTC")
    found = {}
    for id in ids:
        one = job(reg, EVERYTHING, id.removeprefix("errand-"))
        if one is not None and one.errand is not None:
            found[id] = (errand_site(one, zone), Customer(id="", name="Errand"))
    return found


def _docs(reg: Registry, table: sa.Table, ids: set[str], decode: Any) -> list[Any]:
    found: list[Any] = []
    wanted = sorted(ids)
    with reg.read() as connection:
        for n in range(0, len(wanted), 500):
            query = sa.select(table.c.doc).where(table.c.id.in_(wanted[n : n + 500]))
            found += [decode(doc) for doc in connection.execute(query).scalars()]
    return found


def places(reg: Registry, scope: Scope, sites: Iterable[str]) -> dict[str, tuple[Site, Customer]]:
    """Sites with their owners, those the scope sees; errands' places for who sees everything."""
    c, wanted = tables.site.c, sorted(set(sites))
    joined = tables.site.join(tables.customer, tables.customer.c.id == c.customer)
    query = sa.select(c.doc, tables.customer.c.doc.label("owner")).select_from(joined)
    query = query.where(customer_in(scope, c.customer))
    found = {}
    with reg.read() as connection:
        for n in range(0, len(wanted), 500):
            for row in connection.execute(query.where(c.id.in_(wanted[n : n + 500]))):
                site = documents.site(row.doc)
                found[site.id] = (site, documents.customer(row.owner))
    if scope.everything:
        found |= _errands(reg, (id for id in wanted if id.startswith("errand-")))
    return found


def in_force(reg: Registry, scope: Scope) -> KeptPlan | None:
    """The plan that people were told last. It is of the whole firm: a restricted scope sees none."""
    return _newest(reg, published=True) if scope.everything else None


def draft(reg: Registry, scope: Scope) -> KeptPlan | None:
    """The draft made since; None where there is none, or it is older than the plan in force, or the
    scope is restricted."""
    if not scope.everything:
        return None
    found, told = _newest(reg, published=False), _newest(reg, published=True)
    if found is None or (told is not None and told.id > found.id):
        return None
    return found


def _newest(reg: Registry, published: bool) -> KeptPlan | None:
    c = tables.round_plan.c
    query = (
        sa.select(tables.round_plan).where(c.published == published).order_by(c.id.desc()).limit(1)
    )
    with reg.read() as connection:
        row = connection.execute(query).first()
    return None if row is None else _kept(row)


def _kept(row: Any) -> KeptPlan:
    return KeptPlan(
        id=row.id,
        published=row.published,
        made_at=row.made_at,
        made_by=row.made_by,
        fingerprint=row.fingerprint,
        note=row.note,
        doc=bytes(row.doc),
    )


def published(reg: Registry, limit: int = 20) -> list[KeptPlan]:
    """Plans told to people, the newest first."""
    c = tables.round_plan.c
    query = sa.select(tables.round_plan).where(c.published).order_by(c.id.desc()).limit(limit)
    with reg.read() as connection:
        return [_kept(row) for row in connection.execute(query)]


def save_draft(reg: Registry, doc: bytes, fingerprint: str, note: str, by: str, now: int) -> int:
    """Keep a draft; older ones are thrown away. Returns its number."""
    c = tables.round_plan.c
    with reg.write() as connection:
        id = _insert(connection, doc, fingerprint, note, by, now, published=False)
        old = sa.select(c.id).where(~c.published).order_by(c.id.desc()).offset(DRAFTS_KEPT)
        for number in connection.execute(old).scalars().all():
            connection.execute(sa.delete(tables.round_plan).where(c.id == number))
    return id


def _insert(
    connection: sa.Connection,
    doc: bytes,
    fingerprint: str,
    note: str,
    by: str,
    now: int,
    published: bool,
) -> int:
    made = connection.execute(
        sa.insert(tables.round_plan).values(
            published=published,
            made_at=now,
            made_by=by[:200],
            fingerprint=fingerprint,
            note=note[:500],
            doc=doc,
        )
    )
    assert made.inserted_primary_key is not None
    return int(made.inserted_primary_key[0])


def drop_drafts(reg: Registry) -> None:
    """Throw every draft away."""
    with reg.write() as connection:
        connection.execute(sa.delete(tables.round_plan).where(~tables.round_plan.c.published))


def publish(
    reg: Registry,
    doc: bytes,
    fingerprint: str,
    note_: str,
    by: Actor,
    now: int,
    before: int | None,
    steps: Sequence[tuple[Job, JobStep]] = (),
    events: Sequence[FeedEvent] = (),
) -> int:
    """Append the plan that is in force from now on, with what changes for jobs and calendars.

    before: number of the plan in force that it was made over, None where there was none. Raises
    RoundsRefused where another was published meanwhile, JobRefused where a job changed.
    """
    c = tables.round_plan.c
    with reg.write() as connection:
        newest = connection.execute(sa.select(sa.func.max(c.id)).where(c.published)).scalar()
        if newest != before:
            raise RoundsRefused(
                "Somebody published other rounds meanwhile. Look at them, then plan again."
            )
        id = _insert(connection, doc, fingerprint, note_, by.name, now, published=True)
        for job, step in steps:
            _step_of(connection, job, step)
        tell_feeds(connection, events, now)
        connection.execute(sa.delete(tables.round_plan).where(~c.published))
        note(connection, now, "round_published", by, str(id), note_)
    return id


def ask(reg: Registry, what: Ask, by: str, now: int) -> int:
    """Ask the planner for a plan; one that waits already is answered once for all."""
    c = tables.round_ask.c
    doc = documents.encode(what)
    with reg.write() as connection:
        waiting = sa.select(c.id).where(c.state == "waiting", c.doc == doc)
        there = connection.execute(waiting).scalar()
        if there is not None:
            return int(there)
        made = connection.execute(
            sa.insert(tables.round_ask).values(
                at=now, by=by[:200], state="waiting", said="", changed_at=now, doc=doc
            )
        )
        assert made.inserted_primary_key is not None
        return int(made.inserted_primary_key[0])


def waiting_ask(reg: Registry) -> KeptAsk | None:
    """The oldest ask that nobody has taken."""
    c = tables.round_ask.c
    query = sa.select(tables.round_ask).where(c.state == "waiting").order_by(c.id).limit(1)
    with reg.read() as connection:
        row = connection.execute(query).first()
    return None if row is None else _asked(row)


def newest_ask(reg: Registry) -> KeptAsk | None:
    """The newest ask and how far it is."""
    query = sa.select(tables.round_ask).order_by(tables.round_ask.c.id.desc()).limit(1)
    with reg.read() as connection:
        row = connection.execute(query).first()
    return None if row is None else _asked(row)


def _asked(row: Any) -> KeptAsk:
    return KeptAsk(
        id=row.id,
        at=row.at,
        by=row.by,
        state=row.state,
        said=row.said,
        changed_at=row.changed_at,
        ask=_ask(row.doc),
    )


def last_asked_at(reg: Registry, by: str) -> int | None:
    """When this asker asked last [s UTC]; None: never."""
    c = tables.round_ask.c
    with reg.read() as connection:
        found = connection.execute(sa.select(sa.func.max(c.at)).where(c.by == by)).scalar()
    return None if found is None else int(found)


def note_ask(reg: Registry, id: int, state: AskState, said: str, now: int) -> None:
    """How far an ask is."""
    with reg.write() as connection:
        connection.execute(
            sa.update(tables.round_ask)
            .where(tables.round_ask.c.id == id)
            .values(state=state, said=said[:500], changed_at=now)
        )
