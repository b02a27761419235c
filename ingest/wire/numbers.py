"""What a device means by a number: JSON numbers, and the few spellings that are forgiven.

Contract: docs/wire.md, "Numbers". Never guessed: `1,016` may be one or a thousand, so it is refused.
"""

from __future__ import annotations

import math
import re
from typing import Final

import msgspec

from fleet.channels import Channel

NUMBER_TEXT_AT_MOST = 40
"""Characters of a number. A bound of ours."""

_TEXT = re.compile(
    r"(?P<sign>[+-]?)(?P<whole>[0-9]*)(?:(?P<mark>[.,])(?P<part>[0-9]*))?(?P<exp>[eE][+-]?[0-9]{1,3})?"
    r"\s*(?P<unit>[^\s0-9.,+-][^\s0-9.,]*)?"
)
_SEPARATED = re.compile(r"[+-]?[0-9][0-9.,' ]*[^\s0-9.,]*")
_MISSING_WORDS = frozenset(
    {
        "",
        "nan",
        "-nan",
        "+nan",
        "inf",
        "-inf",
        "+inf",
        "infinity",
        "-infinity",
        "+infinity",
        "null",
        "none",
    }
)
_TRUTH_WORDS: Final = {"true": 1.0, "on": 1.0, "yes": 1.0, "false": 0.0, "off": 0.0, "no": 0.0}

# How a unit may be spelled, letter case aside. A unit that is not the channel's is never converted.
_SPELLINGS: Final[dict[str, frozenset[str]]] = {
    "V": frozenset({"v", "volt", "volts", "vdc", "vac"}),
    "Hz": frozenset({"hz", "hertz"}),
    "kW": frozenset({"kw"}),
    "A": frozenset({"a", "amp", "amps"}),
    "h": frozenset({"h", "hr", "hrs", "hour", "hours"}),
    "s": frozenset({"s", "sec", "secs", "seconds"}),
    "%": frozenset({"%", "pct", "percent"}),
    "°C": frozenset({"°c", "c", "degc", "℃"}),
    "kPa": frozenset({"kpa"}),
    "1/min": frozenset({"rpm", "1/min", "/min"}),
    "dBm": frozenset({"dbm"}),
}


class Number(msgspec.Struct, frozen=True):
    """A value as read. `value` None and no `fault`: missing. `forgiven` names what was overlooked."""

    value: float | None = None
    fault: str = ""
    forgiven: str = ""


def number(raw: object, unit: str, is_state: bool) -> Number:
    """Read one value.

    raw: a JSON value. unit: the channel's, the only suffix allowed. is_state: a channel of 0 and 1,
    for which JSON's true and false and the words true/false, on/off, yes/no count.
    """
    if raw is None:
        return Number()
    if isinstance(raw, bool):
        if is_state:
            return Number(1.0 if raw else 0.0, forgiven="truth_value")
        return Number(fault="is a truth value, not a number")
    if isinstance(raw, int | float):
        return _finite(raw)
    if isinstance(raw, str):
        return _text(raw.strip(), unit, is_state)
    return Number(fault="is not a number")


def unfit(channel: Channel, value: float) -> str:
    """Why a value cannot be one of this channel; empty when it can."""
    if channel.is_possible(value):
        return ""
    low, high = channel.possible
    unit = "" if channel.unit in ("1", "0/1") else f" {channel.unit}"
    return f"{value:g}{unit} is outside what is possible ({low:g} to {high:g}{unit})"


def _finite(raw: int | float) -> Number:
    try:
        value = float(raw)
    except OverflowError:
        return Number(fault="is too large to be a number")
    if not math.isfinite(value):
        return Number(forgiven="not_a_number")
    return Number(value)


def _text(text: str, unit: str, is_state: bool) -> Number:
    lower = text.lower()
    if lower in _MISSING_WORDS:
        return Number(forgiven="not_a_number")
    if is_state and lower in _TRUTH_WORDS:
        return Number(_TRUTH_WORDS[lower], forgiven="truth_word")
    if len(text) > NUMBER_TEXT_AT_MOST:
        return Number(fault="is a long text, not a number")
    found = _TEXT.fullmatch(text)
    if found is None or not (found["whole"] or found["part"]):
        return Number(fault=_why_not(text))
    forgiven = "number_as_text"
    if found["unit"]:
        suffix = found["unit"].lower()
        if suffix != unit.lower() and suffix not in _SPELLINGS.get(unit, frozenset()):
            return Number(fault="has a unit that is not the channel's")
        forgiven = "unit_suffix"
    if found["mark"] == ",":
        if _may_be_thousands(found["whole"], found["part"] or ""):
            return Number(fault="has an ambiguous separator (decimal comma or thousands?)")
        forgiven = "decimal_comma"
    digits = f"{found['sign']}{found['whole'] or '0'}.{found['part'] or '0'}{found['exp'] or ''}"
    read = _finite(float(digits))
    if read.value is None:
        return Number(fault="is too large to be a number")
    return Number(read.value, forgiven=forgiven)


def _may_be_thousands(whole: str, part: str) -> bool:
    """One to three digits, comma, exactly three: a grouped thousand unless it begins with 0."""
    return len(part) == 3 and 1 <= len(whole) <= 3 and not whole.startswith("0")


def _why_not(text: str) -> str:
    if _SEPARATED.fullmatch(text):
        return "has an ambiguous separator (decimal comma or thousands?)"
    return "is a text, not a number"
