"""What each kind of record must say, and how its facts are read.

One table: kind to fields. A field reads a cell (text of a CSV or a JSON value) into what is kept.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any, get_args

import msgspec

from fleet import wiring
from fleet.channels import NAMES as CHANNEL_NAMES
from fleet.hour_format import clock_hours
from fleet.model import Chemistry, HourFormat, RecordKind, ServicePlan, System, Unit
from fleet.registry.base import cells
from fleet.registry.base.cells import CellFault

NOTE_AT_MOST = 4_000
"""Characters of a note. A bound of ours."""


class About(msgspec.Struct, frozen=True):
    """What reading a record's facts needs: the unit, its zone, its plan, the record's moment."""

    unit: Unit
    zone: str
    plan: ServicePlan | None
    at: int


Read = Callable[[Any, About], Any]


class Field(msgspec.Struct, frozen=True):
    """One fact of a kind of record."""

    name: str
    read: Read
    required: bool = False


def _time(value: Any, about: About) -> int:
    found = cells.moment(value, about.zone)
    if not EARLIEST <= found <= LATEST:
        raise CellFault("is before 1990 or after 2100.")
    return found


EARLIEST = 631_152_000
"""1990-01-01T00:00:00Z: nothing anybody did to a set under this service is older. A bound of
ours."""
LATEST = 4_102_444_800
"""2100-01-01T00:00:00Z. A bound of ours."""


def _number(least: float, most: float) -> Read:
    return lambda value, about: cells.number(value, least, most)


def _volts(value: Any, about: About) -> list[float]:
    """One value or two; in a CSV cell with a blank or semicolon between."""
    given = value if isinstance(value, list | tuple) else re.split(r"[;\s]+", str(value).strip())
    if not 1 <= len(given) <= 2:
        raise CellFault(f"has {len(given)} values: expected one, or two with a blank between.")
    return [cells.number(one, -10_000, 10_000) for one in given]


def _channel(value: Any, about: About) -> str:
    return cells.word(value, CHANNEL_NAMES)


def _task(value: Any, about: About) -> str:
    found = cells.identifier(value)
    if about.plan is None:
        return found
    known = [task.id for task in about.plan.tasks]
    if found in known:
        return found
    raise CellFault(
        f"is {cells.shown(found)}, which is no task of the plan {about.plan.id}: "
        f"expected one of {', '.join(known)}.{cells.nearest(found, known)}"
    )


def _chemistry(value: Any, about: About) -> str:
    return cells.word(value, get_args(Chemistry))


def _hour_format(value: Any, about: About) -> str:
    return cells.word(value, get_args(HourFormat))


def _identifier(value: Any, about: About) -> str:
    return cells.identifier(value)


def _text(value: Any, about: About) -> str:
    return cells.text(value)


def _long_text(value: Any, about: About) -> str:
    return cells.text(value, NOTE_AT_MOST)


def _system(value: Any, about: About) -> str:
    return cells.word(value, get_args(System))


def _senses(value: Any, about: About) -> dict[str, str]:
    try:
        if isinstance(value, Mapping):
            value = " ".join(f"{lead}={sensed}" for lead, sensed in value.items())
        return wiring.read_senses(cells.text(value))
    except ValueError as fault:
        raise CellFault(str(fault)) from None


def _date(value: Any, about: About) -> str:
    return cells.iso_date(value)


def _hours(value: Any, about: About) -> float:
    """Hours [h] as a number, or with a colon: 812:45."""
    written = clock_hours(value)
    return cells.number(value if written is None else written, 0, 1_000_000)


_NOTE = Field("text", _long_text)

FIELDS: dict[RecordKind, tuple[Field, ...]] = {
    "fitting": (Field("device", _identifier, True), Field("from", _time), _NOTE),
    "meter_check": (
        Field("channel", _channel, True),
        Field("meter", _volts, True),
        Field("raw", _volts, True),
        Field("instrument", _text, True),
        Field("instrument_calibrated", _date),
        Field("leads", _text),
        _NOTE,
    ),
    "hour_meter": (Field("hours", _hours, True), _NOTE),
    "meter_replaced": (
        Field("old_hours", _hours, True),
        Field("new_hours", _hours, True),
        _NOTE,
    ),
    "hour_format": (Field("format", _hour_format, True), _NOTE),
    "task_done": (Field("task", _task, True), Field("hours", _hours), _NOTE),
    "part_changed": (
        Field("part", _text, True),
        Field("date", _date),
        Field("chemistry", _chemistry),
        _NOTE,
    ),
    "refuel": (Field("litres", _number(0, 1_000_000)), Field("level", _number(0, 110)), _NOTE),
    "laid_up": (Field("from", _time), Field("to", _time), _NOTE),
    "out_of_service": (Field("from", _time), Field("to", _time), _NOTE),
    "visit": (
        Field("opened", _time),
        Field("closed", _time),
        Field("minutes", _number(0, 100_000)),
        _NOTE,
    ),
    "note": (Field("text", _long_text, True),),
    "system": (
        Field("system", _system, True),
        Field("line_v", _number(10, 1_500)),
        Field("senses", _senses),
        Field("bus", _identifier),
        _NOTE,
    ),
}

COLUMNS: tuple[str, ...] = tuple(
    dict.fromkeys(field.name for fields in FIELDS.values() for field in fields)
)
"""Every fact a row of an import may carry beside id, at, by, unit, kind and corrects."""


class FactFault(ValueError):
    """One fact of a record cannot be used: which, its value, and what is expected."""

    def __init__(self, name: str, value: object, message: str) -> None:
        super().__init__(f"{name} {message}")
        self.name = name
        self.value = value
        self.message = message


def read_facts(kind: RecordKind, given: Mapping[str, Any], about: About) -> dict[str, Any]:
    """The facts of a record, each in its kind: times UTC seconds, volts a list, dates ISO.

    Raises FactFault on an unknown name, a missing fact or a value that is not what is expected.
    """
    fields = {field.name: field for field in FIELDS[kind]}
    for name, value in given.items():
        if name not in fields and cells.present(value):
            raise FactFault(
                name,
                value,
                f"is no fact of {kind}: expected {', '.join(fields)}.{cells.nearest(name, fields)}",
            )
    facts: dict[str, Any] = {}
    for name, field in fields.items():
        value = given.get(name)
        if not cells.present(value):
            if field.required:
                raise FactFault(name, "", f"is missing: {kind} needs it.")
            continue
        try:
            facts[name] = field.read(value, about)
        except CellFault as fault:
            raise FactFault(name, value, str(fault)) from None
    _check_together(kind, facts, about)
    return facts


def _check_together(kind: RecordKind, facts: dict[str, Any], about: About) -> None:
    if kind == "refuel" and "litres" not in facts and "level" not in facts:
        raise FactFault("litres", "", "is missing, and level too: refuel needs one of them.")
    if kind == "system":
        try:
            wiring.check(
                wiring.Wiring(
                    system=facts["system"],
                    nominal_v=about.unit.nominal_v,
                    line_v=facts.get("line_v"),
                    senses=facts.get("senses", {}),
                )
            )
        except wiring.WiringFault as fault:
            raise FactFault(fault.name, facts.get(fault.name, ""), str(fault)) from None
    if kind == "fitting":
        facts.setdefault("from", about.at)
    if kind in ("laid_up", "out_of_service"):
        facts.setdefault("from", about.at)
    first, last = ("opened", "closed") if kind == "visit" else ("from", "to")
    if first in facts and last in facts and facts[last] < facts[first]:
        raise FactFault(last, facts[last], f"is before {first}.")
