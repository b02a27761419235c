"""The plain forms for records: which fields a kind needs, and reading them back.

What a record may hold is decided by `fleet.registry.facts.records`; here a form only turns fields into
facts and says early when a number is no number.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any, Literal, get_args

import msgspec

from dashboard import phrases
from fleet import bounds, calendar, wiring, words
from fleet.channels import AC_VOLTS, BATTERY_VOLTS
from fleet.hour_format import clock_hours
from fleet.model import Record, RecordKind, ServicePlan, System
from fleet.model.telemetry import Facts

Kind = Literal["text", "long", "number", "hours", "moment", "date", "choice"]
Choices = tuple[tuple[str, str], ...]


class Field(msgspec.Struct, frozen=True):
    """One field of a form. choices: (value, words)."""

    name: str
    label: str
    kind: Kind = "text"
    required: bool = False
    hint: str = ""
    choices: Choices = ()


class Form(msgspec.Struct, frozen=True):
    """The form of one kind of record. verb: what its button says."""

    name: str
    verb: str
    hint: str
    fields: tuple[Field, ...]


class FormFault(ValueError):
    """A field that cannot be read. Its text says which and what to write."""


CHEMISTRY = (
    ("", "as before"),
    ("flooded", "flooded"),
    ("agm", "AGM"),
    ("gel", "gel"),
    ("lfp", "lithium iron phosphate"),
)
SYSTEMS = tuple((system, wiring.NAMES[system]) for system in get_args(System))
COMMON = ("battery_v", "ac_v", "mains_v", "charge_v")
VOLT_CHOICES = tuple(
    (name, phrases.called(name))
    for name in (*COMMON, *sorted((AC_VOLTS | BATTERY_VOLTS) - {*COMMON, "crank_min_v"}))
)

HOUR_FORMATS = (
    ("hours", "hours as decimals: 812.75 is 812 h 45 min"),
    ("hours_minutes", "hours and minutes: 812.45 is 812 h 45 min"),
    ("minutes", "a count of minutes: 48,765 is 812 h 45 min"),
    ("seconds", "a count of seconds"),
)

NOTE = Field("text", "Note", "long")

KINDS: dict[RecordKind, Form] = {
    "task_done": Form(
        "Service done",
        "Write down the work",
        "Due dates and hours count from this.",
        (
            Field("task", "Work done", "choice", True),
            Field(
                "hours",
                "Engine's own hour meter, h",
                "hours",
                False,
                "As it reads on the engine, not on this page.",
            ),
            NOTE,
        ),
    ),
    "hour_meter": Form(
        "Hour meter read",
        "Write down the reading",
        "Engine hours are counted on from what the engine's own meter says.",
        (
            Field(
                "hours",
                "Engine's own hour meter, h",
                "hours",
                True,
                "812.7, or 812:42 with minutes.",
            ),
            NOTE,
        ),
    ),
    "meter_replaced": Form(
        "Hour meter replaced",
        "Write down the new meter",
        "A new hour meter, or one that lost its count, on the same engine: this ties its reading to "
        "the old one, and the engine keeps its age.",
        (
            Field(
                "old_hours",
                "The old meter's last reading, h",
                "hours",
                True,
                "If it cannot be read: the hours this service counts now; say so in the note.",
            ),
            Field("new_hours", "The new meter's first reading, h", "hours", True, "Often 0."),
            NOTE,
        ),
    ),
    "hour_format": Form(
        "How the hour meter writes",
        "Write down the format",
        "How the device that is fitted now sends the hours of its meter. All its readings are read "
        "so, the earlier ones too.",
        (Field("format", "It writes", "choice", True, "", HOUR_FORMATS), NOTE),
    ),
    "meter_check": Form(
        "Readings checked",
        "Write down the check",
        "Compare with a meter at the terminals while the circuit is live. One point, or two that "
        "lie apart. A reading near zero is a zero point, never a gain.",
        (
            Field("channel", "Which reading", "choice", True, "", VOLT_CHOICES),
            Field("meter", "The meter said, V", "number", True),
            Field(
                "raw",
                "The device said at that moment, V",
                "number",
                True,
                "The uncalibrated value.",
            ),
            Field("meter_2", "Second point: the meter said, V", "number"),
            Field("raw_2", "Second point: the device said, V", "number"),
            Field("instrument", "Instrument and serial", "text", True),
            Field("instrument_calibrated", "Instrument last calibrated", "date"),
            Field("leads", "Where the leads were", "text"),
            NOTE,
        ),
    ),
    "part_changed": Form(
        "Part changed",
        "Write down the part",
        "A new battery starts its own history.",
        (
            Field("part", "Part", "text", True, "battery, charger, starter…"),
            Field("date", "Date of the new part", "date"),
            Field("chemistry", "Battery chemistry", "choice", False, "", CHEMISTRY),
            NOTE,
        ),
    ),
    "fitting": Form(
        "Board swapped",
        "Write down the board",
        "From this moment on the new device speaks for this set; its volts are not yet checked.",
        (Field("device", "Device id of the new board", "text", True), NOTE),
    ),
    "refuel": Form(
        "Refuelled",
        "Write down the fuel",
        "Litres put in, or the level afterwards.",
        (
            Field("litres", "Litres put in", "number"),
            Field("level", "Level afterwards, %", "number"),
            NOTE,
        ),
    ),
    "visit": Form(
        "Visit",
        "Write down the visit",
        "When somebody was at the set.",
        (
            Field("opened", "Began", "moment", True),
            Field("closed", "Ended", "moment"),
            Field("minutes", "Minutes of work", "number"),
            NOTE,
        ),
    ),
    "out_of_service": Form(
        "Out of service for work",
        "Take it out of service",
        "While it is out, it is not counted as cover and its silence is no news.",
        (Field("from", "From", "moment", True), Field("to", "To", "moment"), NOTE),
    ),
    "laid_up": Form(
        "Laid up",
        "Lay it up",
        "For a season; nothing is expected of it.",
        (Field("from", "From", "moment", True), Field("to", "To", "moment"), NOTE),
    ),
    "system": Form(
        "How it is connected",
        "Write down the system",
        "From the nameplate and the terminals. Its volts of every phase, leg and the neutral are judged by "
        "it, also those of past runs; the register says so from then on.",
        (
            Field("system", "System", "choice", True, "", SYSTEMS),
            Field("line_v", "Nominal from line to line, V", "number"),
            Field(
                "senses",
                "What its leads sense, where it is not what their names say",
                "text",
                False,
                "such as ac_v=l12 ac_l1_v=l2_n ac_l2_v=l1_n ac_l3_v=none mains_v=l1_n; bus_l12: behind "
                "its own breaker, on the bus.",
            ),
            Field(
                "bus",
                "Common bus, where it runs beside other sets",
                "text",
                False,
                "a name of your own, the same for each set on it.",
            ),
            NOTE,
        ),
    ),
    "note": Form(
        "Note",
        "Write down the note",
        "Anything the next person should know.",
        (Field("text", "Note", "long", True),),
    ),
}

DONE: dict[str, str] = {
    **{kind: f"Written down: {form.name.lower()}." for kind, form in KINDS.items()},
    "undone": "Undone: it stays in the list and counts no more.",
}


def fields_of(kind: RecordKind, plan: ServicePlan | None) -> tuple[Field, ...]:
    """The fields of a kind; the tasks to choose from are the unit's plan's."""
    fields = KINDS[kind].fields
    if kind != "task_done":
        return fields
    tasks = tuple((task.id, task.name) for task in plan.tasks) if plan else ()
    return (msgspec.structs.replace(fields[0], choices=tasks), *fields[1:])


def facts_from(fields: Sequence[Field], sent: Mapping[str, str], zone: str) -> Facts:
    """Facts out of a sent form, empty fields left out. Raises FormFault on the first bad one."""
    facts: Facts = {}
    for field in fields:
        text = sent.get(field.name, "").strip()
        if not text:
            if field.required:
                raise FormFault(f"{field.label}: please fill this in.")
            continue
        try:
            facts[field.name] = READERS[field.kind](text, zone)
        except ValueError as fault:
            raise FormFault(f"{field.label}: {fault}") from fault
        if field.kind == "choice" and text not in [value for value, _ in field.choices]:
            raise FormFault(f"{field.label}: choose one of the list.")
    return _paired(facts)


def _paired(facts: Facts) -> Facts:
    """The second point of a check joined to the first: meter and raw become lists."""
    first = facts
    for name in ("meter", "raw"):
        second = first.pop(f"{name}_2", None)
        if second is not None:
            first[name] = [first[name], second]
    return first


def number(text: str, zone: str = "") -> float:
    """A number with a point or a decimal comma. Raises ValueError with what to write."""
    return bounds.number(text)


def hours(text: str, zone: str = "") -> float:
    """Hours [h] as a number, or with minutes after a colon: 812:42. Raises ValueError with what to
    write."""
    written = clock_hours(text)
    return number(text) if written is None else written


def moment(text: str, zone: str) -> int:
    """UTC seconds of a local date and time as a browser sends it (2026-11-25T07:01)."""
    try:
        wall = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{text[:30]!r} is not a date and time; write 2026-11-25T07:01.") from None
    day_of = bounds.within(wall.date())
    return calendar.instant(day_of, wall.time().replace(tzinfo=None), zone)


def day(text: str, zone: str = "") -> str:
    """An ISO date, checked."""
    return bounds.day(text).isoformat()


def words_of(text: str, zone: str = "") -> str:
    """Text, cut at 2,000 characters."""
    return text[:2000]


READERS: dict[Kind, Callable[[str, str], Any]] = {
    "text": words_of,
    "long": words_of,
    "choice": words_of,
    "number": number,
    "hours": hours,
    "moment": moment,
    "date": day,
}


def sent_of(record: Record, zone: str) -> dict[str, str]:
    """A record as its form would have sent it: what a correction begins with."""
    sent = {"at": _wall(record.at, zone), "by": record.by}
    for field in KINDS[record.kind].fields:
        value = record.facts.get(field.name)
        if field.name.endswith("_2"):
            first = record.facts.get(field.name.removesuffix("_2"))
            value = first[1] if isinstance(first, list | tuple) and len(first) > 1 else None
        elif isinstance(value, list | tuple):
            value = value[0]
        elif isinstance(value, Mapping):
            value = wiring.senses_text(value)
        if value is None:
            continue
        if field.kind == "moment":
            sent[field.name] = _wall(int(value), zone)
        else:
            sent[field.name] = f"{value:.10g}" if isinstance(value, float) else str(value)
    return sent


def old_words(record: Record, zone: str, now: int) -> str:
    """The record that a correction is of, in one line."""
    facts = facts_words(record, zone, now)
    return f"{KINDS[record.kind].name}, {words.moment(record.at, zone, now)}: {facts}".rstrip(": ")


def _wall(at: int, zone: str) -> str:
    return calendar.local(at, zone).strftime("%Y-%m-%dT%H:%M")


UNITS = {
    "hours": "h",
    "old_hours": "h",
    "new_hours": "h",
    "meter": "V",
    "raw": "V",
    "litres": "L",
    "level": "%",
    "minutes": "min",
    "line_v": "V",
}
MOMENTS = frozenset({"from", "to", "opened", "closed"})


def facts_words(record: Record, zone: str, now: int) -> str:
    """A record's facts in one line, free text last."""
    parts = [
        f"{name.replace('_', ' ')} {_said(name, value, zone, now)}"
        for name, value in record.facts.items()
        if name != "text" and value not in (None, "", [])
    ]
    if record.facts.get("text"):
        parts.append(str(record.facts["text"]))
    return ", ".join(parts)


def _said(name: str, value: Any, zone: str, now: int) -> str:
    if isinstance(value, Mapping):
        return wiring.senses_text(value)
    if name == "system":
        return {str(system): name for system, name in SYSTEMS}.get(str(value), str(value))
    if isinstance(value, list | tuple):
        return " and ".join(_said(name, one, zone, now) for one in value)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return phrases.called(str(value)) if name == "channel" else str(value)
    if name in MOMENTS:
        return words.moment(int(value), zone, now)
    return f"{value:g} {UNITS.get(name, '')}".strip()
