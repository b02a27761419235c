"""Numbers in a query, and text that can be kept: what every route asks of what it is sent."""

from __future__ import annotations

from typing import Annotated

from fastapi import Query

from fleet.bounds import ROW_MOST

RowNumber = Annotated[int, Query(ge=0, le=ROW_MOST)]
"""The number of a row in a query: where a list goes on."""
UNKEPT = (
    "It holds a character that cannot be kept (a NUL, or half of a pair). Take it out and send "
    "it again."
)
