"""CSV that a spreadsheet cannot take for a formula, for visits and for bills. Pure."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from typing import Any

from fleet.registry.base.cells import FORMULA


def safe(value: Any) -> Any:
    """A cell; text that a spreadsheet would run gets an apostrophe in front."""
    if not isinstance(value, str):
        return value
    text = value.replace("\x00", "")
    return f"'{text}" if text.lstrip(" ").startswith(FORMULA) else text


def csv_of(columns: Sequence[str], rows: Iterable[Iterable[Any]]) -> str:
    """The table with its heading, lines ended by CR LF (RFC 4180)."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows([safe(cell) for cell in row] for row in rows)
    return out.getvalue()
