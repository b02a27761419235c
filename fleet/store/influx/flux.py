"""The Flux queries of the InfluxDB adapter. Pure.

Devices and channels go in as tag values and field keys of `lines`, which hold nothing that
Flux could take for its own; the bucket's name is escaped. Every query starts with bucket, range
and measurement, so that InfluxDB answers it in its storage engine.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from fleet.calendar import DAY_S
from fleet.store.influx.lines import CLOCK, DEVICES, LATEST, MARK_AT, READINGS

SUMMARIES = ("min", "max", "mean", "last", "count")

_KEY = re.compile(r"[A-Za-z0-9_.~%-]+")


def text(value: str) -> str:
    """A Flux string literal."""
    escaped = value.replace("\\", "\\\\").replace('"', '\\"').replace("${", "\\${")
    for raw, shown in (("\n", "\\n"), ("\r", "\\r"), ("\t", "\\t")):
        escaped = escaped.replace(raw, shown)
    return f'"{escaped}"'


def _source(bucket: str, measurement: str, start: int, end: int) -> str:
    return (
        f"from(bucket: {text(bucket)}) |> range(start: {start}, stop: {end})"
        f' |> filter(fn: (r) => r._measurement == "{measurement}")'
    )


def _any(column: str, keys: Iterable[str]) -> str:
    """A filter on a column: one of the keys."""
    wanted = []
    for key in keys:
        if not _KEY.fullmatch(key):
            raise ValueError(f"{key[:80]!r} is no tag value or field key of ours")
        wanted.append(f'r.{column} == "{key}"')
    return f" |> filter(fn: (r) => {' or '.join(wanted)})"


def _keep(*columns: str) -> str:
    return f" |> keep(columns: [{', '.join(text(column) for column in columns)}])"


def readings(
    bucket: str, devices: Sequence[str], fields: Sequence[str] | None, start: int, end: int
) -> str:
    """Raw values in [start, end): columns device, _field, _time, _value.

    fields None: all, the clock too.
    """
    query = _source(bucket, READINGS, start, end) + _any("device", devices)
    if fields is not None:
        query += _any("_field", fields)
    return query + _keep("device", "_field", "_time", "_value")


def window(
    bucket: str, device: str, fields: Sequence[str], start: int, end: int, every: int, offset: int
) -> str:
    """The five summaries by window of `every` seconds, borders `offset` seconds after multiples of
    it: results named as SUMMARIES, columns _field, _time (the window's start), _value. Empty
    windows are left out."""
    source = _source(bucket, READINGS, start, end) + _any("device", [device])
    source += _any("_field", fields)
    return "\n".join(
        f"{source} |> aggregateWindow(every: {every}s, offset: {offset}s, fn: {name},"
        f' createEmpty: false, timeSrc: "_start")'
        f'{_keep("_field", "_time", "_value")} |> yield(name: "{name}")'
        for name in SUMMARIES
    )


def days(bucket: str, device: str, start: int, end: int) -> str:
    """Readings by UTC day: columns _start, _value (how many)."""
    return (
        _source(bucket, READINGS, start, end)
        + _any("device", [device])
        + _any("_field", [CLOCK])
        + f" |> window(every: {DAY_S}s)"
        + " |> count()"
        + _keep("_start", "_value")
    )


def count(bucket: str, device: str, start: int, end: int) -> str:
    """How many device-seconds lie in the range: column _value, one row."""
    return (
        _source(bucket, READINGS, start, end)
        + _any("device", [device])
        + _any("_field", [CLOCK])
        + " |> count()"
        + _keep("_value")
    )


def tops(bucket: str) -> str:
    """The newest second of every device: columns device, _time."""
    return (
        _source(bucket, READINGS, 0, LATEST)
        + _any("_field", [CLOCK])
        + " |> last()"
        + _keep("device", "_time")
    )


def day_tops(bucket: str, device: str) -> str:
    """The newest second of every UTC day of a device: column _time."""
    return (
        _source(bucket, READINGS, 0, LATEST)
        + _any("device", [device])
        + _any("_field", [CLOCK])
        + f" |> window(every: {DAY_S}s)"
        + " |> last()"
        + _keep("_time")
    )


def devices(bucket: str) -> str:
    """Every device that was marked: column device."""
    return _source(bucket, DEVICES, MARK_AT, MARK_AT + 1) + _keep("device")


def predicate(device: str | None) -> str:
    """What a deletion takes: the readings of a device, or all. InfluxDB's delete syntax."""
    if device is None:
        return f'_measurement="{READINGS}"'
    if not _KEY.fullmatch(device):
        raise ValueError(f"{device[:80]!r} is no tag value of ours")
    return f'_measurement="{READINGS}" AND device="{device}"'
