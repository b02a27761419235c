"""Which people of customers can be written, and what a person of the firm writes them."""

from __future__ import annotations

from collections.abc import Sequence

from fleet.model import Call, Contact, Notice, Scope
from fleet.registry import people
from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.base.statements import insert_of
from fleet.registry.people.audit import note
from fleet.registry.people.model import Actor
from fleet.registry.told.outbox import targets, write_notices


def customer_readers(reg: Registry, scope: Scope) -> list[tuple[Contact, str]]:
    """(person, customer) of everybody of a customer who may look at its sets' pages and is reached
    by e-mail, once for each customer that is in the scope."""
    reached = {one.person for one in targets(reg, way="email")}
    return [
        (Contact(person=one.id, name=one.name, ways=("email",)), customer)
        for one in people.people(reg)
        if one.role == "reader" and one.active and one.id in reached
        for customer in sorted(one.customers or ())
        if scope.sees(customer)
    ]


def write_to_customer(
    reg: Registry, notices: Sequence[Notice], call: Call, by: Actor, now: int
) -> bool:
    """Put notices to a customer into the outbox and the line of the call log that says so, in one
    transaction. The same ids again change nothing; False then."""
    row = {
        "id": call.id,
        "episode": call.episode,
        "unit": call.unit or None,
        "at": call.at,
        "doc": documents.encode(call),
    }
    with reg.write() as connection:
        put = insert_of(connection.dialect.name, tables.call).values(row).on_conflict_do_nothing()
        if connection.execute(put.returning(tables.call.c.id)).first() is None:
            return False
        write_notices(connection, notices, (), now)
        note(connection, now, "call_made", by, call.unit or call.episode, call.outcome)
    return True
