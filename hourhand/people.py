"""`hourhand people`: who may come in, from the box itself: the way back when nobody can sign in."""

from __future__ import annotations

import argparse
import getpass
import sys
from typing import Any

import msgspec
from rich.console import Console
from rich.table import Table

from fleet import bounds, clock
from fleet.registry import people
from fleet.registry.base.engine import Registry
from fleet.registry.people import ROLES, Actor, PeopleRefused, Person
from hourhand.options import add_command, data_option, json_option, registry_of, settings_of

BY = Actor("hourhand people")
"""Whoever may run commands on this folder; the audit says so."""


def add_commands(commands: Any) -> None:
    """Add `people add`, `list`, `reset` and `token`."""
    group = commands.add_parser("people", help="who may sign in, and tokens for programs")
    actions = group.add_subparsers(dest="action", required=True, metavar="ACTION")
    add = add_command(
        actions,
        "add",
        "add somebody who may sign in",
        "hourhand people add dee@example.org --name 'Dee Voss' --role owner",
    )
    add.add_argument("login", help="e-mail or user name")
    add.add_argument("--name", default="", help="the person's name (default: the user name)")
    add.add_argument("--role", choices=ROLES, default="technician", help="default: technician")
    add.add_argument("--customers", default="", help="ids with commas between, for a reader")
    _password_option(add)
    add.set_defaults(run=run_add)
    reset = add_command(
        actions,
        "reset",
        "give somebody a new password, and sign them out everywhere",
        "hourhand people reset dee@example.org",
    )
    reset.add_argument("login")
    _password_option(reset)
    reset.set_defaults(run=run_reset)
    listing = add_command(actions, "list", "everybody who may sign in", "hourhand people list")
    data_option(listing)
    json_option(listing)
    listing.set_defaults(run=run_list)
    token = add_command(
        actions,
        "token",
        "make a token for a program; it is printed once",
        "hourhand people token metrics --days 365",
    )
    token.add_argument("name", help="what it is for")
    token.add_argument("--record", action="store_true", help="it may add records too")
    token.add_argument("--customers", default="", help="ids with commas between (default: all)")
    token.add_argument(
        "--days", type=bounds.argument(1, 3_660), help="how long it holds (default: until revoked)"
    )
    data_option(token)
    token.set_defaults(run=run_token)


def _password_option(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--password-stdin", action="store_true", help="read the password from standard input"
    )
    data_option(command)


def run_add(options: argparse.Namespace) -> int:
    """Add a person with a password."""
    return _with_registry(options, _add)


def _with_registry(options: argparse.Namespace, act: Any) -> int:
    registry = registry_of(settings_of(options))
    try:
        code: int = act(registry, options)
    except PeopleRefused as refusal:
        print(refusal, file=sys.stderr)
        return 1
    finally:
        registry.close()
    return code


def _add(registry: Registry, options: argparse.Namespace) -> int:
    asked = Person(
        id="",
        login=options.login,
        name=options.name or options.login,
        role=options.role,
        customers=_customers(options),
    )
    password = _password(options)
    person = people.add_person(registry, asked, BY, clock.now(), password)
    print(f"{person.login} may sign in as {person.role}.")
    return 0


def _customers(options: argparse.Namespace) -> frozenset[str] | None:
    return frozenset(c.strip() for c in options.customers.split(",") if c.strip()) or None


def _password(options: argparse.Namespace) -> str:
    """The hash of a password typed twice, or of the first line of standard input."""
    if options.password_stdin:
        typed = sys.stdin.readline().rstrip("\r\n")
    else:
        typed = getpass.getpass("Password: ")
        if typed != getpass.getpass("The same again: "):
            raise PeopleRefused("The two passwords differ: type the same one twice.")
    people.check_password(typed, people.tidy_login(options.login))
    return people.hash_password(typed)


def run_reset(options: argparse.Namespace) -> int:
    """Give somebody a new password."""
    return _with_registry(options, _reset)


def _reset(registry: Registry, options: argparse.Namespace) -> int:
    found = people.by_login(registry, options.login)
    if found is None:
        raise PeopleRefused(f"There is nobody called {options.login[:100]!r}.")
    people.set_password(registry, found[0].id, _password(options), BY, clock.now())
    print(f"{found[0].login} has a new password and was signed out everywhere.")
    if not found[0].active:
        print("The owner has shut this person out; that holds.", file=sys.stderr)
    return 0


def run_list(options: argparse.Namespace) -> int:
    """Everybody."""
    return _with_registry(options, _list)


def _list(registry: Registry, options: argparse.Namespace) -> int:
    found = people.people(registry)
    if options.json:
        print(
            msgspec.json.encode(
                [
                    {
                        "login": p.login,
                        "name": p.name,
                        "role": p.role,
                        "active": p.active,
                        "customers": sorted(p.customers) if p.customers is not None else None,
                    }
                    for p in found
                ]
            ).decode()
        )
        return 0
    table = Table("user name", "name", "role", "sees", box=None)
    for person in found:
        sees = ", ".join(sorted(person.customers)) if person.customers else "every set"
        table.add_row(person.login, person.name, person.role, sees if person.active else "nothing")
    Console().print(table)
    return 0


def run_token(options: argparse.Namespace) -> int:
    """Make a token."""
    return _with_registry(options, _token)


def _token(registry: Registry, options: argparse.Namespace) -> int:
    rights: frozenset[people.Right] = frozenset({"read", "record"} if options.record else {"read"})
    _, secret = people.make_token(
        registry, options.name, rights, _customers(options), options.days, BY, clock.now()
    )
    print(secret)
    return 0
