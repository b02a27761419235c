"""JSON as devices write it: bare NaN, a byte order mark, a name given twice.

Nothing is lost silently: what was overlooked is named, what is contradictory is marked.
"""

from __future__ import annotations

import json
import re
from typing import Any

import msgspec

from ingest.wire.times import Exponent

_HAS_EXPONENT = re.compile(r"[0-9][eE][+-]?[0-9]")
# Outside strings only: the first alternative swallows every string whole.
_BARE_WORD = re.compile(
    r'"(?:[^"\\]|\\.)*"|[+-]?\b(?:nan|inf|infinity)\b', re.IGNORECASE | re.DOTALL
)


class Object(dict[str, Any]):
    """A JSON object. `twice`: names given more than once with different values."""

    twice: frozenset[str] = frozenset()


class Read(msgspec.Struct, frozen=True):
    """A payload as read. `fault` says why it could not be."""

    value: Any = None
    fault: str = ""
    forgiven: tuple[str, ...] = ()


def read_json(payload: bytes) -> Read:
    """Read a payload. Objects come as Object, NaN and Infinity as float('nan')."""
    try:
        text = payload.decode("utf-8-sig")
    except UnicodeDecodeError:
        return Read(fault="the payload is not UTF-8")
    if not text.strip(" \t\r\n\x00"):
        return Read(fault="the payload is empty")
    forgiven = ("byte_order_mark",) if payload.startswith(b"\xef\xbb\xbf") else ()
    try:
        return Read(_load(text), forgiven=forgiven)
    except RecursionError:
        return Read(fault="the payload is nested too deep")
    except ValueError:
        return _second_try(text, forgiven)


def _second_try(text: str, forgiven: tuple[str, ...]) -> Read:
    mended = _BARE_WORD.sub(lambda m: m[0] if m[0].startswith('"') else "NaN", text).rstrip("\x00")
    try:
        return Read(_load(mended), forgiven=forgiven)
    except (RecursionError, ValueError) as fault:
        where = f" (at character {fault.pos})" if isinstance(fault, json.JSONDecodeError) else ""
        return Read(fault=f"the payload is not JSON{where}")


def _load(text: str) -> Any:
    number = Exponent.read if _HAS_EXPONENT.search(text) else None
    return json.loads(
        text, object_pairs_hook=_object, parse_constant=_not_a_number, parse_float=number
    )


def _object(pairs: list[tuple[str, Any]]) -> Object:
    found = Object(pairs)
    if len(found) < len(pairs):
        found.twice = frozenset(name for name, value in pairs if not _same(value, found[name]))
    return found


def _same(one: Any, other: Any) -> bool:
    return one is other or (type(one) is type(other) and bool(one == other))


def _not_a_number(_word: str) -> float:
    return float("nan")
