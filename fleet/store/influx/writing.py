"""Writing to InfluxDB: what the one writing process does and remembers, and deleting."""

from __future__ import annotations

import datetime
from collections.abc import Sequence

from fleet.model import Reading
from fleet.store.influx import flux as queries
from fleet.store.influx.csv import numbers, runs, seconds
from fleet.store.influx.lines import (
    Keys,
    Row,
    gather,
    mark,
    name_of,
    tag_value,
)
from fleet.store.influx.link import Link
from fleet.store.influx.tops import DayTops, Tops, looks
from fleet.store.port import ReadingsRefused, WriteResult


class Writer:
    """What only the one writing process does and remembers."""

    def __init__(self, link: Link, bucket: str, retention_days: int) -> None:
        self._link = link
        self._bucket = bucket
        self._retention_days = retention_days
        self._keys = Keys()
        self._known: tuple[Tops, set[str]] | None = None
        self._expired_before = 0

    def write(self, readings: Sequence[Reading]) -> WriteResult:
        """As the port says."""
        rows = gather(readings, self._keys)
        if not rows:
            return WriteResult(len(readings), 0)
        handed = list(rows.values())
        tops, known = self._prepared()
        late = [row for row in rows.values() if not tops.is_new(row.device, row.at)]
        for devices, start, end in looks(late):
            for (device, at), there in self._kept(devices, start, end).items():
                row = rows.get((device, at))
                if row is None:
                    continue
                before = dict(there)
                row.clashes = row.into(there, self._keys)
                if there == before:
                    del rows[device, at]
                else:
                    row.values = there
        todo = list(rows.values())
        tops.raise_to(todo)
        refused = self._link.send([row.line() for row in todo])
        kept = {row.device for k, row in enumerate(todo) if k not in refused}
        new = sorted((kept | {row.device for row in late}) - known)
        self._link.send([mark(device) for device in new])
        known.update(new)
        if refused:
            raise _refusal(todo, refused)
        shared: dict[str, int] = {}
        for row in handed:
            if row.clashes:
                shared[row.device] = shared.get(row.device, 0) + row.clashes
        return WriteResult(len(readings), sum(shared.values()), shared)

    def expire(self, now: int) -> None:
        """Retention: once a UTC day, delete what is older than the limit."""
        before = (now // queries.DAY_S - self._retention_days) * queries.DAY_S
        if self._retention_days and before > self._expired_before:
            delete(self._link, None, self._expired_before, before)
            self._expired_before = before

    def _prepared(self) -> tuple[Tops, set[str]]:
        """How far devices have written, and which are marked; asked for once."""
        if self._known is None:
            newest: dict[str, int] = {}
            for columns in self._link.query(queries.tops(self._bucket)):
                ats = seconds(columns["_time"]).tolist()
                for key, at in zip(columns["device"], ats, strict=True):
                    device = name_of(key)
                    newest[device] = max(at, newest.get(device, -1))
            known = marked(self._link, self._bucket)
            self._known = Tops(newest, self._day_tops), known
        return self._known

    def _day_tops(self, device: str) -> DayTops:
        tops: DayTops = {}
        flux = queries.day_tops(self._bucket, tag_value(device))
        for columns in self._link.query(flux):
            for at in seconds(columns["_time"]).tolist():
                day = at // queries.DAY_S
                tops[day] = max(at, tops.get(day, -1))
        return tops

    def _kept(
        self, devices: Sequence[str], start: int, end: int
    ) -> dict[tuple[str, int], dict[str, float]]:
        """What the store holds: values by field key by device-second."""
        found: dict[tuple[str, int], dict[str, float]] = {}
        tags = [tag_value(device) for device in devices]
        for columns in self._link.query(queries.readings(self._bucket, tags, None, start, end)):
            ats, values = seconds(columns["_time"]).tolist(), numbers(columns["_value"]).tolist()
            for tag, of_device in runs(columns["device"]):
                device = name_of(tag)
                for k in range(of_device.start, of_device.stop):
                    there = found.setdefault((device, ats[k]), {})
                    there[columns["_field"][k]] = values[k]
        return found


def marked(link: Link, bucket: str) -> set[str]:
    """Devices that ever wrote."""
    return {
        name_of(key) for columns in link.query(queries.devices(bucket)) for key in columns["device"]
    }


def delete(link: Link, tag: str | None, start: int, end: int) -> None:
    """Delete readings in [start, end); InfluxDB includes the stop it is given."""
    stop = f"{_rfc3339(end - 1)}.999999999Z"
    link.delete(f"{_rfc3339(start)}Z", stop, queries.predicate(tag))


def _rfc3339(at: int) -> str:
    return datetime.datetime.fromtimestamp(at, datetime.UTC).strftime("%Y-%m-%dT%H:%M:%S")


def _refusal(rows: Sequence[Row], refused: dict[int, str]) -> ReadingsRefused:
    first, said = next(iter(refused.items()))
    readings = [reading for k in refused for reading in rows[k].readings]
    return ReadingsRefused(
        f"InfluxDB can never keep {len(readings)} of the readings, the first of device"
        f" {rows[first].device[:64]!r}: {said}. All others are kept.",
        readings,
    )
