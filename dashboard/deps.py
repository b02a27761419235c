"""What a page or an API function is given: the desk (where things are) and the reader's Scope.

There are no people yet: whoever reaches this machine's own loopback address sees everything, and
nobody else is let in (`guard`, `__main__`). Every route takes a Scope all the same, so that people
and roles change this file and no page.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Request
from jinja2 import Environment

from dashboard.assets import Assets
from dashboard.events import Feed
from fleet.history import History
from fleet.model import EVERYTHING, Scope
from fleet.registry import pages
from fleet.registry.engine import Registry
from fleet.settings import Settings


@dataclass(frozen=True, slots=True)
class Desk:
    """Everything the pages read from; made once by `app.create_app`. clock gives UTC seconds."""

    settings: Settings
    registry: Registry
    history: History
    clock: Callable[[], int]
    assets: Assets
    templates: Environment
    feed: Feed


def desk_of(request: Request) -> Desk:
    """The desk of the app that answers this request."""
    desk: Desk = request.app.state.desk
    return desk


def scope_of(request: Request) -> Scope:
    """Whose data this reader may see. On loopback, without people: everything."""
    return EVERYTHING


def note_change(request: Request) -> None:
    """Remember the newest change before a page is read, so that its live feed misses none."""
    desk: Desk = request.app.state.desk
    request.state.change = pages.latest_change(desk.registry)


LIVE = [Depends(note_change)]
"""Dependencies of a page that stays fresh by itself."""

AtDesk = Annotated[Desk, Depends(desk_of)]
Reader = Annotated[Scope, Depends(scope_of)]
