"""What a number or a moment from outside may be. Pure.

A browser, a program or an attacker may send any text where a number belongs: digits of another
script, five thousand of them, 1e400. Here it becomes a number within its bounds or a sentence;
beyond here every integer fits the registry's columns and every moment the calendar.
"""

from __future__ import annotations

import math
from argparse import ArgumentTypeError
from collections.abc import Callable
from datetime import date

ROW_MOST = 2**63 - 1
"""The largest number of a row in either database (BIGINT; SQLite's INTEGER). A bound of a
format."""
PORT_MOST = 65_535
"""The largest port of TCP. A bound of a format."""
COUNT_MOST = 10**9
"""The largest count: with room above it in a column of PostgreSQL's type INTEGER. A bound of a
format."""
EARLIEST = 0
"""1970-01-01 in UTC seconds. Definition."""
LATEST = 4_102_444_800
"""2100-01-01 in UTC seconds: no reading and no agreed day lies beyond it. A bound of ours."""
FIRST_DAY, LAST_DAY = date(1970, 1, 2), date(2099, 12, 30)
"""Days whose beginning and end lie within these bounds in every zone. Arithmetic."""
_DIGITS = frozenset("0123456789")

DEEP = 20
"""How deep a document may be. A bound of ours."""


def whole(text: str, least: int = 0, most: int = COUNT_MOST) -> int:
    """A whole number in plain digits. Raises ValueError with what to write."""
    told = text.strip()
    if not told or len(told) > 19 or not _DIGITS.issuperset(told):
        raise ValueError(f"write a whole number from {least} to {most}.")
    found = int(told)
    if not least <= found <= most:
        raise ValueError(f"write a whole number from {least} to {most}.")
    return found


def whole_or(text: str, otherwise: int, least: int = 0, most: int = COUNT_MOST) -> int:
    """A whole number, or another where it is none: for what a page of ours put into its form."""
    try:
        return whole(text, least, most)
    except ValueError:
        return otherwise


def number(text: str, least: float = -1e9, most: float = 1e9) -> float:
    """A finite number with a point or a decimal comma. Raises ValueError with what to write."""
    plain = text.replace("\u2009", "").replace(" ", "").replace(",", ".")
    try:
        found = float(plain) if plain.isascii() and len(plain) <= 40 else math.nan
    except ValueError:
        found = math.nan
    if "_" in plain or not math.isfinite(found):
        raise ValueError(f"{text[:30]!r} is not a number; write it like 812.4.")
    if not least <= found <= most:
        raise ValueError(f"write a number from {least:g} to {most:g}.")
    return found


def day(text: str) -> date:
    """A date as YYYY-MM-DD. Raises ValueError with what to write."""
    try:
        found = date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{text[:30]!r} is not a date; write 2026-11-25.") from None
    return within(found)


def within(found: date) -> date:
    """That date, where the calendar holds it. Raises ValueError with what to write."""
    if not FIRST_DAY <= found <= LAST_DAY:
        raise ValueError(f"{found.isoformat()} is outside the years 1970 to 2099.")
    return found


def argument(least: int, most: int) -> Callable[[str], int]:
    """What argparse reads a whole number with; a wrong one is refused with its bounds."""

    def read(text: str) -> int:
        try:
            return whole(text, least, most)
        except ValueError as fault:
            raise ArgumentTypeError(str(fault)) from None

    return read


def fraction(least: float, most: float) -> Callable[[str], float]:
    """The same for a number with a decimal point."""

    def read(text: str) -> float:
        try:
            return number(text, least, most)
        except ValueError as fault:
            raise ArgumentTypeError(str(fault)) from None

    return read


def keepable(text: str) -> bool:
    """Whether text can be kept: PostgreSQL takes no NUL, and no encoding half a surrogate pair."""
    return "\x00" not in text and not any("\ud800" <= sign <= "\udfff" for sign in text)


def fit(value: object, deep: int = 0) -> None:
    """Raises ValueError where a document holds what can be neither kept nor computed with."""
    if isinstance(value, str):
        if not keepable(value):
            raise ValueError("text holds a character that cannot be kept (NUL or half of a pair).")
    elif isinstance(value, bool) or value is None:
        return
    elif isinstance(value, int):
        if not -ROW_MOST - 1 <= value <= ROW_MOST:
            raise ValueError("a whole number lies beyond 64 bits.")
    elif isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError("a number is not finite.")
    elif deep >= DEEP:
        raise ValueError(f"it is more than {DEEP} levels deep.")
    elif isinstance(value, dict):
        for name, part in value.items():
            fit(name, deep + 1)
            fit(part, deep + 1)
    elif isinstance(value, list | tuple):
        for part in value:
            fit(part, deep + 1)
