"""Whose name a record carries: bound to who is signed in, at every edge where a name can be given."""

from __future__ import annotations

import msgspec

from dashboard.viewers import Viewer
from fleet.model.register import Via
from fleet.registry import people
from fleet.registry.base.engine import Registry
from fleet.registry.office import technicians
from fleet.registry.people import ROLES


class NotYourName(ValueError):
    """A name that this viewer may not write with. A sentence: what was wrong and what to do."""


class Author(msgspec.Struct, frozen=True, kw_only=True):
    """As on a record: who did it, who typed it in where another, which way it came, whom a program
    named."""

    by: str
    entered_by: str = ""
    via: Via = ""
    named: str = ""


def author(registry: Registry, viewer: Viewer, asked: str) -> Author:
    """Who a record is by. asked: the name that was sent; "" : none was.

    A person writes as himself; the office and the owner also for somebody who works here, and both
    names are kept. A program writes as its token; whom it names is kept beside, vouched for by
    nobody. Raises NotYourName.
    """
    asked = " ".join(asked.split())
    if viewer.kind == "token":
        named = "" if asked == viewer.name else asked
        return Author(by=viewer.name, via="token", named=named)
    if not asked or asked == viewer.name:
        return Author(by=viewer.name)
    if viewer.role not in ("office", "owner"):
        raise NotYourName(
            f"by: you are signed in as {viewer.name} and write in your own name. Whoever did the "
            "work signs in and writes it, or the office enters it for them."
        )
    if asked not in colleagues(registry, viewer):
        raise NotYourName(
            "by: nobody of that name works here. Choose one of the technicians or of the firm's people."
        )
    return Author(by=asked, entered_by=viewer.name)


def colleagues(registry: Registry, viewer: Viewer) -> tuple[str, ...]:
    """Names the office may enter work for: technicians, and people who may record."""
    if viewer.role not in ("office", "owner"):
        return ()
    names = {one.name for one in technicians.technicians(registry)}
    names |= {
        one.name
        for one in people.people(registry)
        if ROLES.index(one.role) >= ROLES.index("technician")
    }
    return tuple(sorted(names - {viewer.name, ""}))


def said(by: str, entered_by: str = "", via: str = "", named: str = "") -> str:
    """Both names in words: `Ana Moss, entered by Dee`."""
    if entered_by:
        return f"{by}, entered by {entered_by}"
    if named:
        return f"{by}, naming {named}"
    return f"{by}, imported" if via == "import" and by else by
