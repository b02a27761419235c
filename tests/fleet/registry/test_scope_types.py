"""A page cannot read rows of customers without saying whose: the Scope is in the signature.

Every function of the registry that the dashboard calls is looked up, and its signature walked. It
takes a Scope right after the registry, without a default, so that leaving it out is an error of
types (tests/house/test_types.py plants some); or it writes what a person did; or it stands in the table below, with the reason.
"""

from __future__ import annotations

import ast
import importlib
import inspect
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any, get_type_hints

import dashboard
from fleet.model import Scope
from fleet.registry.base.engine import Registry
from fleet.registry.people.model import Actor, Session

FIRM = "the firm's own people, channels and agreements: no row of a customer's set"
SIGN_IN = "how a viewer is found out, before there is a Scope"
PLANS = "the rounds of the whole firm; what pages show of them is cut by jobs, which take a Scope"
ADDS = "writes what a form made under a Scope, and reads nothing"
LIFE = "a program's own sign of life"
UNSCOPED = {
    "accept": SIGN_IN,
    "add_jobs": ADDS,
    "audit": FIRM,
    "by_login": SIGN_IN,
    "contacts": FIRM,
    "drop_drafts": PLANS,
    "feed_of": SIGN_IN,
    "feeds": FIRM,
    "heartbeat": LIFE,
    "invited": SIGN_IN,
    "last_tries": FIRM,
    "make_first_owner": SIGN_IN,
    "make_set_up_code": SIGN_IN,
    "newest_ask": PLANS,
    "note_failure": SIGN_IN,
    "of_person": FIRM,
    "open_share": SIGN_IN,
    "owner_exists": SIGN_IN,
    "people": FIRM,
    "person": FIRM,
    "put_notices": FIRM,
    "rehash": SIGN_IN,
    "rota": FIRM,
    "session_of": SIGN_IN,
    "sessions": FIRM,
    "share_of": SIGN_IN,
    "targets": FIRM,
    "technician": FIRM,
    "technicians": FIRM,
    "told_events": PLANS,
    "token_of": SIGN_IN,
    "waking": FIRM,
}


def called(source: str) -> Iterator[tuple[str, str]]:
    """(module, name) of everything of the registry that a module uses."""
    tree = ast.parse(source)
    modules: dict[str, str] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("fleet.registry"):
            for alias in node.names:
                yield str(node.module), alias.name
                modules[alias.asname or alias.name] = f"{node.module}.{alias.name}"
    for node in ast.walk(tree):
        match node:
            case ast.Attribute(value=ast.Name(id=module), attr=name) if module in modules:
                yield modules[module], name


def used_by_pages() -> dict[str, Callable[..., Any]]:
    """Functions that take the registry first, by name, with their place."""
    found: dict[str, Callable[..., Any]] = {}
    for path in Path(dashboard.__file__).parent.rglob("*.py"):
        for module, name in called(path.read_text()):
            try:
                place: ModuleType = importlib.import_module(module)
            except ModuleNotFoundError:  # a name of a package that is no module
                continue
            thing = getattr(place, name, None)
            if inspect.isfunction(thing) and _first(thing) is Registry:
                found[f"{thing.__module__}.{thing.__qualname__}"] = thing
    return found


def _first(function: Callable[..., Any]) -> object:
    names = list(inspect.signature(function).parameters)
    return get_type_hints(function).get(names[0]) if names else None


def takes_scope(function: Callable[..., Any]) -> bool:
    """Whether a Scope comes right after the registry and cannot be left out."""
    parameters = list(inspect.signature(function).parameters.values())
    if len(parameters) < 2 or parameters[1].default is not inspect.Parameter.empty:
        return False
    return get_type_hints(function)[parameters[1].name] is Scope


def says_who(function: Callable[..., Any]) -> bool:
    """Whether it takes the person who does it: then it writes, and was asked for by a form."""
    hints = get_type_hints(function)
    hints.pop("return", None)
    return any(hint in (Actor, Session) for hint in hints.values()) or (
        "by" in hints or "proof" in hints
    )


def test_a_read_of_the_pages_takes_a_scope() -> None:
    used = used_by_pages()
    assert len(used) > 60
    bare = {
        name
        for name, function in used.items()
        if not takes_scope(function) and not says_who(function)
    }
    strange = sorted(name for name in bare if name.rpartition(".")[2] not in UNSCOPED)
    assert strange == []


def test_no_reason_stands_for_what_is_gone_or_has_a_scope() -> None:
    used = used_by_pages()
    bare = {
        name.rpartition(".")[2]
        for name, function in used.items()
        if not takes_scope(function) and not says_who(function)
    }
    assert sorted(set(UNSCOPED) - bare) == []
