"""People: the first owner, those added later, their roles and passwords."""

from __future__ import annotations

from typing import Any

import msgspec
import sqlalchemy as sa

from fleet.registry.base import documents, tables
from fleet.registry.base.engine import Registry
from fleet.registry.base.statements import one_at_a_time
from fleet.registry.people.audit import note
from fleet.registry.people.model import ROLES, Actor, PeopleRefused, Person, Role
from fleet.registry.people.secrets import digest_of, new_code, new_id, new_secret, tidy_code

SET_UP_S = 7 * 86_400
INVITATION_S = 7 * 86_400
"""How long a set-up code and an invitation hold. Common practice, no source."""
_customers = documents.decoder(list[str])


def customers_doc(customers: frozenset[str] | None) -> bytes | None:
    """A set of customers as it is kept."""
    return None if customers is None else documents.encode(sorted(customers))


def customers_of(doc: bytes | None) -> frozenset[str] | None:
    """The reverse."""
    return None if doc is None else frozenset(_customers(doc))


def person_of(row: Any) -> Person:
    """A row of `person`."""
    return Person(
        id=row.id,
        login=row.login,
        name=row.name,
        role=row.role,
        customers=customers_of(row.customers),
        active=bool(row.active),
        has_password=bool(row.password),
        made_at=row.made_at,
    )


def owner_exists(reg: Registry) -> bool:
    """Whether anybody can sign in as owner."""
    with reg.read() as connection:
        return _owners(connection) > 0


def _owners(connection: sa.Connection, but: str = "") -> int:
    c = tables.person.c
    query = sa.select(sa.func.count()).select_from(tables.person)
    query = query.where(c.role == "owner", c.active.is_(True), c.password != "", c.id != but)
    return int(connection.execute(query).scalar() or 0)


def make_set_up_code(reg: Registry, now: int) -> str | None:
    """A one-time code for the first owner, kept as its digest; None where there is an owner."""
    code = new_code()
    c = tables.invitation.c
    with reg.write() as connection:
        if _owners(connection):
            return None
        connection.execute(sa.delete(tables.invitation).where(c.person.is_(None), c.until <= now))
        row = {"digest": digest_of(code), "person": None, "until": now + SET_UP_S}
        connection.execute(sa.insert(tables.invitation).values(row))
    return code


def make_first_owner(
    reg: Registry,
    login: str,
    name: str,
    password: str,
    now: int,
    *,
    code: str | None,
    address: str = "",
) -> Person:
    """The first owner. password: its hash. code None: the caller knows it is somebody at the box.

    Raises PeopleRefused where there is an owner already or the code is not a valid one.
    """
    person = _checked(Person(id=new_id(), login=login, name=name, role="owner", made_at=now))
    with reg.write() as connection:
        one_at_a_time(connection)
        if _owners(connection):
            raise PeopleRefused("There is an owner already: sign in, or ask the owner to add you.")
        if code is not None and _invited(connection, tidy_code(code), now) is None:
            raise PeopleRefused(
                "That is not the set-up code. The one that holds was printed where Hourhand was "
                "started; starting it again prints a new one."
            )
        connection.execute(sa.delete(tables.invitation).where(tables.invitation.c.person.is_(None)))
        _insert(connection, person, password)
        note(connection, now, "owner_made", Actor(person.name, person.id, address), person.login)
    return person


def _invited(connection: sa.Connection, secret: str, now: int) -> Any:
    c = tables.invitation.c
    query = sa.select(tables.invitation).where(c.digest == digest_of(secret), c.until > now)
    return connection.execute(query).first()


def add_person(reg: Registry, person: Person, by: Actor, now: int, password: str = "") -> Person:
    """Add somebody (id and moment are made here). password: its hash, or '' to be invited.

    Raises PeopleRefused where a field is unfit, the user name is taken or a customer unknown.
    """
    person = _checked(msgspec.structs.replace(person, id=new_id(), made_at=now))
    with reg.write() as connection:
        one_at_a_time(connection)
        check_customers(connection, person.customers)
        c = tables.person.c
        if connection.execute(sa.select(c.id).where(c.login == person.login)).first():
            raise PeopleRefused(f"There is somebody called {person.login} already.")
        _insert(connection, person, password)
        note(connection, now, "person_added", by, person.login, said(person))
    return person


def how_many(customers: frozenset[str] | None) -> str:
    """A set of customers for the audit: "all customers", "1 customer", "3 customers"."""
    if customers is None:
        return "all customers"
    return f"{len(customers)} customer{'' if len(customers) == 1 else 's'}"


def said(person: Person) -> str:
    """Role and customers for the audit."""
    whose = "" if person.customers is None else f", {how_many(person.customers)}"
    return f"{person.role}{whose}{'' if person.active else ', shut out'}"


def _insert(connection: sa.Connection, person: Person, password: str) -> None:
    connection.execute(sa.insert(tables.person).values(_row(person) | {"password": password}))


def _row(person: Person) -> dict[str, Any]:
    return {
        "id": person.id,
        "login": person.login,
        "name": person.name,
        "role": person.role,
        "customers": customers_doc(person.customers),
        "active": person.active,
        "made_at": person.made_at,
    }


def tidy_login(text: str) -> str:
    """A user name as it is kept and compared: letter case never matters."""
    return text.strip().casefold()


def _checked(person: Person) -> Person:
    """The person with tidy texts. Raises PeopleRefused."""
    login, name = tidy_login(person.login), " ".join(person.name.split())
    if not 2 <= len(login) <= 100 or not login.isprintable() or " " in login:
        raise PeopleRefused(
            "A user name has 2 to 100 letters and no spaces: an e-mail address does well."
        )
    if not 1 <= len(name) <= 100 or not name.isprintable():
        raise PeopleRefused("Please give the person's name, at most 100 letters.")
    if person.role not in ROLES:
        raise PeopleRefused(f"A role is one of {', '.join(ROLES)}.")
    customers = person.customers if person.role == "reader" else None
    if person.role == "reader" and not customers:
        raise PeopleRefused("A reader sees the sites of some customers: choose at least one.")
    return msgspec.structs.replace(person, login=login, name=name, customers=customers)


def check_customers(connection: sa.Connection, customers: frozenset[str] | None) -> None:
    """Every customer named is in the register. Raises PeopleRefused."""
    if not customers:
        return
    c = tables.customer.c
    known = set(connection.execute(sa.select(c.id).where(c.id.in_(sorted(customers)))).scalars())
    if customers - known:
        raise PeopleRefused(
            f"There is no customer {', '.join(sorted(customers - known))} in the register."
        )


def people(reg: Registry) -> list[Person]:
    """Everybody, by name."""
    with reg.read() as connection:
        rows = connection.execute(sa.select(tables.person)).all()
    return sorted(map(person_of, rows), key=lambda p: (p.name.casefold(), p.login))


def person(reg: Registry, id: str) -> Person | None:
    """Somebody by id."""
    with reg.read() as connection:
        row = connection.execute(sa.select(tables.person).where(tables.person.c.id == id)).first()
    return None if row is None else person_of(row)


def by_login(reg: Registry, login: str) -> tuple[Person, str] | None:
    """Somebody by user name, with the hash of the password ('' before the first)."""
    with reg.read() as connection:
        c = tables.person.c
        row = connection.execute(
            sa.select(tables.person).where(c.login == tidy_login(login))
        ).first()
    return None if row is None else (person_of(row), row.password)


def change_person(
    reg: Registry,
    id: str,
    by: Actor,
    now: int,
    *,
    name: str,
    role: Role,
    customers: frozenset[str] | None,
    active: bool,
) -> Person:
    """Name, role, customers, and whether to let in at all. What may be seen or done changing ends
    every session of the person, so that the next sign-in begins with a new token.

    Raises PeopleRefused where a field is unfit or the last owner would be gone.
    """
    with reg.write() as connection:
        one_at_a_time(connection)
        row = connection.execute(sa.select(tables.person).where(tables.person.c.id == id)).first()
        if row is None:
            raise PeopleRefused("There is nobody of that id.")
        old = person_of(row)
        new = _checked(
            msgspec.structs.replace(old, name=name, role=role, customers=customers, active=active)
        )
        check_customers(connection, new.customers)
        leaves = old.role == "owner" and (new.role, new.active) != ("owner", True)
        if leaves and not _owners(connection, but=id):
            raise PeopleRefused("This is the only owner who can sign in: make another one first.")
        connection.execute(
            sa.update(tables.person).where(tables.person.c.id == id).values(_row(new))
        )
        if new != old:
            note(connection, now, "person_changed", by, new.login, f"{said(old)} to {said(new)}")
        if (new.role, new.customers, new.active) != (old.role, old.customers, old.active):
            connection.execute(sa.delete(tables.session).where(tables.session.c.person == id))
            connection.execute(sa.delete(tables.invitation).where(tables.invitation.c.person == id))
    return new


def invite(reg: Registry, id: str, by: Actor, now: int) -> str:
    """A one-time secret with which the person chooses a password; earlier ones end.

    Raises PeopleRefused where there is nobody of that id, or the person is shut out.
    """
    secret = new_secret()
    with reg.write() as connection:
        row = connection.execute(sa.select(tables.person).where(tables.person.c.id == id)).first()
        if row is None or not row.active:
            raise PeopleRefused("There is nobody of that id who may come in.")
        connection.execute(sa.delete(tables.invitation).where(tables.invitation.c.person == id))
        made = {"digest": digest_of(secret), "person": id, "until": now + INVITATION_S}
        connection.execute(sa.insert(tables.invitation).values(made))
        note(connection, now, "person_invited", by, row.login)
    return secret


def invited(reg: Registry, secret: str, now: int) -> Person | None:
    """Whom an invitation is for, while it holds."""
    with reg.read() as connection:
        return _whom(connection, secret, now)


def _whom(connection: sa.Connection, secret: str, now: int) -> Person | None:
    held = _invited(connection, secret, now)
    if held is None or held.person is None:
        return None
    c = tables.person.c
    row = connection.execute(
        sa.select(tables.person).where(c.id == held.person, c.active.is_(True))
    ).first()
    return None if row is None else person_of(row)


def accept(reg: Registry, secret: str, password: str, address: str, now: int) -> Person:
    """The invited person's password (its hash). Uses the invitation up and ends every session."""
    with reg.write() as connection:
        one_at_a_time(connection)
        found = _whom(connection, secret, now)
        if found is None:
            raise PeopleRefused("This link was used already or has ended: ask for a new one.")
        by = Actor(found.name, found.id, address)
        _keep_password(connection, found, password, by, now, "by invitation")
    return found


def set_password(reg: Registry, id: str, password: str, by: Actor, now: int) -> None:
    """A new password (its hash). Ends every session and invitation of the person."""
    with reg.write() as connection:
        row = connection.execute(sa.select(tables.person).where(tables.person.c.id == id)).first()
        if row is None:
            raise PeopleRefused("There is nobody of that id.")
        _keep_password(connection, person_of(row), password, by, now, "")


def _keep_password(
    connection: sa.Connection, person: Person, password: str, by: Actor, now: int, how: str
) -> None:
    update = sa.update(tables.person).where(tables.person.c.id == person.id)
    connection.execute(update.values(password=password))
    connection.execute(sa.delete(tables.session).where(tables.session.c.person == person.id))
    connection.execute(sa.delete(tables.invitation).where(tables.invitation.c.person == person.id))
    note(connection, now, "password_changed", by, person.login, how)


def rehash(reg: Registry, id: str, old: str, new: str) -> None:
    """The same password hashed anew, unless it was changed meanwhile."""
    c = tables.person.c
    with reg.write() as connection:
        update = sa.update(tables.person).where(c.id == id, c.password == old)
        connection.execute(update.values(password=new))
