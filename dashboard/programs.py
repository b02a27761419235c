"""The programs' signs of life and the inbox, as Health and the metrics tell them. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Literal

import msgspec

from fleet.registry.facts.rows import InboxMark

EXPECTED = ("ingest", "scheduler", "dashboard")
LATE_S = 20
"""A program writes a sign of life every 5 s; three missed and a little is late. Common practice,
no source."""


Said = Mapping[str, object]
"""What a program says of itself: numbers and texts by name, as many as it likes."""


class Beat(msgspec.Struct, frozen=True, kw_only=True):
    """A program and when it was last heard; doc: what it says of itself."""

    program: str
    state: Literal["running", "late", "never"]
    at: int | None
    doc: Said = {}


def beats(heard: Mapping[str, tuple[int, Said]], now: int) -> list[Beat]:
    """The expected programs first, then any other that was heard."""
    found = []
    for program in (*EXPECTED, *sorted(set(heard) - set(EXPECTED))):
        at, doc = heard.get(program, (None, {}))
        state: Literal["running", "late", "never"] = "never"
        if at is not None:
            state = "running" if now - at <= LATE_S else "late"
        found.append(Beat(program=program, state=state, at=at, doc=doc))
    return found


def waiting_bytes(marks: Iterable[InboxMark]) -> int:
    """Bytes of the inbox not yet taken."""
    return sum(max(0, mark.size - mark.offset) for mark in marks if not mark.done)
