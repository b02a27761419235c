"""Cells of imported tables: files to rows, texts to checked values, values to safe texts."""

from __future__ import annotations

import csv
import difflib
import io
import math
import re
from collections.abc import Iterable, Mapping
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Any

import msgspec

from fleet import bounds, calendar
from fleet.model import ID
from fleet.registry.base.faults import RegistryFault

TEXT_AT_MOST = 500
"""Characters of a cell. A bound of ours."""
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")
FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""A cell that begins so may be run by a spreadsheet (OWASP, CSV injection)."""

WIPE = "(none)"
"""What a cell says so that the value kept so far goes; no column has such a word or name."""

Row = dict[str, Any]
Source = Path | Iterable[Mapping[str, Any]]


class CellFault(ValueError):
    """A cell cannot be used. Its text says what is expected."""


def rows_of(source: Source) -> list[Row]:
    """Rows of a CSV, JSON or Parquet file, or of mappings, with their names as given.

    CSV: UTF-8, a heading, commas, semicolons or tabs between. JSON: an array of objects, or one
    object with such an array. Raises RegistryFault where the file cannot be read so.
    """
    if not isinstance(source, Path):
        return [dict(row) for row in source]
    kind = source.suffix.lower()
    if kind == ".parquet":
        return _parquet(source)
    try:
        content = source.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as fault:
        raise RegistryFault(f"{source.name} cannot be read: {fault}. Save it as UTF-8.") from fault
    return _json(source.name, content) if kind == ".json" else _csv(source.name, content)


def _csv(name: str, content: str) -> list[Row]:
    heading = content.split("\n", 1)[0]
    separator = max(",;\t", key=heading.count)
    reader = csv.DictReader(io.StringIO(content), delimiter=separator, restkey="(too many cells)")
    try:
        names = [(field or "").strip() for field in reader.fieldnames or []]
        rows = list(reader)
    except csv.Error as fault:
        raise RegistryFault(f"{name} is not a CSV file: {fault}.") from fault
    if not names:
        raise RegistryFault(f"{name} is empty: the first line must name the columns.")
    double = sorted({n for n in names if names.count(n) > 1})
    if double:
        raise RegistryFault(f"{name} names the column {double[0] or '(without name)'} twice.")
    reader.fieldnames = names
    filled = [row for row in rows if any(str(cell or "").strip() for cell in row.values())]
    return [{(key or "").strip(): cell for key, cell in row.items()} for row in filled]


def _json(name: str, content: str) -> list[Row]:
    try:
        found = msgspec.json.decode(content.encode())
    except msgspec.DecodeError as fault:
        raise RegistryFault(f"{name} is not valid JSON: {fault}.") from fault
    if isinstance(found, dict):
        lists = [value for value in found.values() if isinstance(value, list)]
        found = lists[0] if len(lists) == 1 else None
    if not isinstance(found, list) or not all(isinstance(row, dict) for row in found):
        raise RegistryFault(f"{name} must be a JSON array of objects, one for each row.")
    return found


def _parquet(path: Path) -> list[Row]:
    try:
        from pyarrow import ArrowException, parquet
    except ImportError:
        raise RegistryFault(
            "Parquet needs one more package: install hourhand[parquet], or save the table as CSV."
        ) from None
    try:
        rows: list[Row] = parquet.read_table(path).to_pylist()
    except (OSError, ArrowException) as fault:
        raise RegistryFault(f"{path.name} is not a Parquet file: {fault}.") from fault
    return rows


def parquet_bytes(names: list[str], rows: Iterable[Mapping[str, Any]]) -> bytes:
    """Rows as a Parquet file, every cell a text. Raises RegistryFault without the package."""
    try:
        from pyarrow import BufferOutputStream, Table, parquet
    except ImportError:
        raise RegistryFault(
            "Parquet needs one more package: install hourhand[parquet], or export as CSV."
        ) from None
    kept = list(rows)
    columns = {name: [str(row.get(name, "")) for row in kept] for name in names}
    out = BufferOutputStream()
    parquet.write_table(Table.from_pydict(columns), out)
    found: bytes = out.getvalue().to_pybytes()
    return found


def present(value: object) -> bool:
    """Whether a cell holds anything; a table program writes an empty number as NaN."""
    if value is None or value != value:
        return False
    return str(value).strip() != "" and value != [] and value != {}


def wiped(value: object) -> bool:
    """Whether a cell says that what was there goes: the word (none)."""
    return isinstance(value, str) and value.strip().lower() == WIPE


def overlaid(kept: Mapping[str, Any], given: Mapping[str, Any]) -> Row:
    """The given cells over those kept: an empty one keeps, (none) empties."""
    row = dict(kept)
    for name, value in given.items():
        if wiped(value):
            row[name] = ""
        elif present(value):
            row[name] = value
    return row


def nearest(name: str, known: Iterable[str]) -> str:
    """' Did you mean X?' for a name that is not among the known ones, or ''."""
    near = difflib.get_close_matches(name.strip().lower(), sorted(known), n=1, cutoff=0.5)
    return f" Did you mean {near[0]}?" if near else ""


def text(value: object, at_most: int = TEXT_AT_MOST) -> str:
    """A text of up to `at_most` characters; a quote our export put before a formula is taken off."""
    found = str(value).replace("\x00", "").strip()
    if found.startswith("'") and found[1:].startswith(FORMULA):
        found = found[1:]
    if len(found) > at_most:
        raise CellFault(f"has {len(found)} characters; at most {at_most} are kept.")
    try:
        found.encode()
    except UnicodeEncodeError:
        raise CellFault("holds half a character: save the file as UTF-8.") from None
    return found


def identifier(value: object) -> str:
    """An id: letters, digits, _ and -, up to 64, beginning with a letter or digit."""
    found = str(value).strip()
    if ID.fullmatch(found) is None:
        raise CellFault(
            f"is {shown(found)}: an id has 1 to 64 letters, digits, _ or -, "
            "and begins with a letter or digit."
        )
    return found


def number(value: object, least: float, most: float) -> float:
    """A finite number from least to most; one decimal comma is forgiven where it is no riddle."""
    found = _float(value)
    if not least <= found <= most:
        raise CellFault(f"is {found:g}: expected a number from {least:g} to {most:g}.")
    return found


def _float(value: object) -> float:
    if isinstance(value, bool):
        raise CellFault(f"is {shown(value)}: expected a number.")
    plain = str(value).strip().lstrip("'")
    if _DECIMAL_COMMA.fullmatch(plain):
        if len(plain.split(",")[1]) == 3:
            raise CellFault(f"is {shown(plain)}, which can be read two ways: use a decimal point.")
        plain = plain.replace(",", ".")
    try:
        found = float(plain)
    except ValueError:
        raise CellFault(f"is {shown(plain)}: expected a number.") from None
    if not math.isfinite(found):
        raise CellFault(f"is {shown(plain)}: expected a number.")
    return found


def whole(value: object, least: int, most: int) -> int:
    """A whole number from least to most."""
    found = number(value, least, most)
    if found != int(found):
        raise CellFault(f"is {found:g}: expected a whole number.")
    return int(found)


def word(value: object, known: Iterable[str], also: Mapping[str, str] | None = None) -> str:
    """One of the known words; letter case, spaces and hyphens never matter. also: synonyms."""
    words = list(known)
    plain = re.sub(r"[\s-]+", "_", str(value).strip()).lower()
    by_lower = {w.lower(): w for w in words} | dict(also or {})
    if plain not in by_lower:
        hint = nearest(plain, by_lower)
        raise CellFault(f"is {shown(value)}: expected one of {', '.join(words)}.{hint}")
    return by_lower[plain]


def flag(value: object) -> bool:
    """yes or no, true or false, 1 or 0."""
    plain = str(value).strip().lower()
    if plain in ("yes", "y", "true", "1", "1.0", "on", "x"):
        return True
    if plain in ("no", "n", "false", "0", "0.0", "off"):
        return False
    raise CellFault(f"is {shown(value)}: expected yes or no.")


def iso_date(value: object) -> str:
    """A date as YYYY-MM-DD."""
    if isinstance(value, datetime):
        return value.date().isoformat()
    plain = value.isoformat() if isinstance(value, date) else str(value).strip()
    try:
        if len(plain) != 10:
            raise ValueError
        return bounds.day(plain).isoformat()
    except ValueError:
        raise CellFault(
            f"is {shown(plain)}: expected a date such as 2026-11-25, of the years 1970 to 2099."
        ) from None


def moment(value: object, zone: str) -> int:
    """UTC seconds of an ISO time; without an offset it is the wall clock at the site.

    A date alone is its first moment there. A number is UTC seconds.
    """
    if isinstance(value, bool):
        raise CellFault(f"is {shown(value)}: expected a time such as 2026-11-25T07:01:00Z.")
    if isinstance(value, int):
        if not bounds.EARLIEST <= value <= bounds.LATEST:
            raise CellFault(f"is {shown(value)}: expected UTC seconds of the years 1970 to 2099.")
        return value
    found = value if isinstance(value, datetime) else _datetime(str(value).strip())
    try:
        bounds.within(found.date())
    except ValueError as fault:
        raise CellFault(f": {fault}") from None
    if found.tzinfo is not None:
        return int(found.astimezone(UTC).timestamp() // 1)
    return calendar.instant(found.date(), found.time().replace(microsecond=0), zone)


def _datetime(plain: str) -> datetime:
    try:
        if len(plain) == 10:
            return datetime.combine(date.fromisoformat(plain), time())
        return datetime.fromisoformat(plain)
    except ValueError:
        raise CellFault(
            f"is {shown(plain)}: expected a time such as 2026-11-25T07:01:00Z, or a date."
        ) from None


def time_zone(value: object) -> str:
    """An IANA time zone name, however its letters are cased."""
    try:
        return calendar.zone_named(str(value))
    except calendar.ZoneUnknown as unknown:
        raise CellFault(f": {unknown}") from None


def shown(value: object) -> str:
    """A value quoted for a message: printable, at most 60 characters."""
    plain = str(value)
    return repr(plain if len(plain) <= 60 else plain[:57] + "...")


def safe(value: object) -> object:
    """A cell no spreadsheet takes for a formula: such a text gets a quote in front."""
    if isinstance(value, str) and value.startswith(FORMULA):
        return "'" + value
    return value


def written(names: list[str], rows: Iterable[Mapping[str, Any]]) -> bytes:
    """CSV in UTF-8 with a heading, every text safe in a spreadsheet."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(names)
    for row in rows:
        writer.writerow([safe(row.get(name, "")) for name in names])
    return out.getvalue().encode()
