"""Rows of the register, checked against each other and what is there: drafts and problems."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from hashlib import sha256
from typing import Any

import msgspec
import sqlalchemy as sa

from fleet.model import PHASES_OF, Customer, Site, Unit
from fleet.registry.base import cells, documents, tables
from fleet.registry.base.cells import CellFault, Row
from fleet.registry.base.reports import RowProblem
from fleet.registry.facts.records.facts import EARLIEST
from fleet.registry.register import plans
from fleet.registry.register.columns import BY_NAME, NAMES, PLAIN, REQUIRED
from fleet.registry.register.composed import ColumnFault, check_wiring, running_of
from fleet.registry.register.row import SITE_COLUMNS, overlaid, row_of, wiped

FindZone = Callable[[float, float], str | None]
"""IANA zone of (lat, lon), or None at sea."""


class Draft(msgspec.Struct):
    """A right row: the unit as it shall be, and what it brings along."""

    row: int
    unit: Unit
    site: Site
    customer: Customer
    device: str
    """The device the row names; '' where it names none."""
    group: str | None
    bare: bool = False
    """The row says that nothing reports for the unit."""


class Known:
    """What the registry holds that rows are checked against. Rows add to it as they are read."""

    def __init__(self, connection: sa.Connection) -> None:
        customers = connection.execute(sa.select(tables.customer.c.doc)).scalars()
        self.customers = {identity(c.name): c for c in map(documents.customer, customers)}
        sites = connection.execute(sa.select(tables.site.c.doc)).scalars()
        self.sites = {(s.customer, identity(s.name)): s for s in map(documents.site, sites)}
        units = connection.execute(sa.select(tables.unit.c.doc)).scalars()
        self.units = {u.id: u for u in map(documents.unit, units)}
        self.plans = set(connection.execute(sa.select(tables.plan.c.id)).scalars()) | set(
            plans.BY_ID
        )
        fitted = sa.select(tables.fitting.c.device, tables.fitting.c.unit).where(
            tables.fitting.c.to_at.is_(None)
        )
        self.owners = {row.device: row.unit for row in connection.execute(fitted)}
        groups = sa.select(tables.device.c.id, tables.device.c.grp).where(
            tables.device.c.registered
        )
        self.groups = {row.id: row.grp for row in connection.execute(groups)}
        self.ids = {c.id for c in self.customers.values()} | {s.id for s in self.sites.values()}
        self._customer_of = {c.id: c for c in self.customers.values()}
        self._site_of = {s.id: s for s in self.sites.values()}
        self.seen_units: dict[str, int] = {}
        self.seen_devices: dict[str, int] = {}
        self.seen_places: dict[str, dict[str, tuple[int, Any]]] = {}

    def plan(self, name: str) -> str:
        """The plan of that name, however its letters are cased; the name itself where none is."""
        if name in self.plans:
            return name
        return next((p for p in sorted(self.plans) if p.casefold() == name.casefold()), name)

    def base(self, given: Row) -> Row:
        """What the register holds of a row's unit and site, so that what it leaves out stays."""
        unit = self.units.get(str(given.get("unit", "")).strip())
        row: Row = {}
        if unit is not None:
            row = self.row(unit)
        named = [
            given[name] if cells.present(given.get(name)) else row.get(name, "")
            for name in ("customer", "site")
        ]
        place = self._place(*named)
        for name in SITE_COLUMNS:
            row[name] = "" if place is None else _cell(getattr(place, name))
        return row

    def row(self, unit: Unit) -> Row:
        """A unit that exists, as its row."""
        customer, site = self._customer_of[unit.customer], self._site_of[unit.site]
        return row_of(unit, site, customer.name, self.groups.get(unit.device, ""))

    def _place(self, customer: object, site: object) -> Site | None:
        """The site of that name in the registry, as the rows before this one leave it."""
        whose = self.customers.get(identity(str(customer)))
        found = None if whose is None else self.sites.get((whose.id, identity(str(site))))
        return found if found is not None and found.id in self._site_of else None


def _cell(value: object) -> object:
    return "" if value is None else value


def identity(name: str) -> str:
    """What makes two names the same: letter case and blanks do not matter."""
    return " ".join(name.split()).casefold()


def read_row(
    n: int, given: Row, known: Known, find_zone: FindZone, now: int
) -> Draft | list[RowProblem]:
    """A row as a Draft, or everything that is wrong with it."""
    problems: list[RowProblem] = []

    def wrong(column: str, message: str, value: object = "") -> None:
        problems.append(
            RowProblem(row=n, column=column, value=str(value)[:200], message=f"{column} {message}")
        )

    for name in given:
        if name not in BY_NAME and (cells.present(given[name]) or name == "(too many cells)"):
            wrong(name, f"is no column of the register.{cells.nearest(name, NAMES)}", given[name])
    gone = wiped(given)
    kept = known.units.get(str(given.get("unit", "")).strip())
    if "device" in gone and kept is not None and kept.device:
        wrong("device", "cannot be emptied: a set that lost its device gets a fitting.")
    cell = _read_cells(overlaid(known.base(given), given), wrong)
    if not problems:
        _check_against(
            n, cell, {name for name in cell if cells.present(given.get(name))}, known, wrong
        )
        system, phases = cell.get("system"), cell.get("phases")
        if (
            system is not None
            and cells.present(given.get("phases"))
            and PHASES_OF[system] != phases
        ):
            wrong("phases", f"is {phases}, and the system is {system}.", phases)
    if problems:
        return problems
    try:
        return _draft(n, cell, gone, known, find_zone, now)
    except ColumnFault as fault:
        wrong(fault.column, str(fault), cell.get(fault.column, ""))
        return problems


def _read_cells(row: Row, wrong: Callable[..., None]) -> dict[str, Any]:
    cell: dict[str, Any] = {}
    for name, value in row.items():
        if not cells.present(value):
            continue
        try:
            cell[name] = BY_NAME[name].read(value)
        except CellFault as fault:
            wrong(name, str(fault), value)
    for name in REQUIRED:
        if not cells.present(row.get(name)):
            wrong(name, "is missing: every unit needs it.")
    lat, lon = (cells.present(row.get(name)) for name in ("lat", "lon"))
    if lat != lon:
        wrong("lon" if lat else "lat", "is missing: give both, or neither.")
    elif not lat and not cells.present(row.get("time_zone")):
        wrong("time_zone", "is missing, and lat, lon too: give the place or the zone.")
    return cell


def _check_against(
    n: int, cell: dict[str, Any], said: set[str], known: Known, wrong: Callable[..., None]
) -> None:
    unit, device = cell["unit"], cell.get("device", "")
    plan = cell["service_plan"] = known.plan(cell["service_plan"])
    first = known.seen_units.setdefault(unit, n)
    if first != n:
        wrong("unit", f"{unit} is in row {first} too: one row a unit.", unit)
    if plan not in known.plans:
        hint = cells.nearest(plan, known.plans) or f" There are {', '.join(sorted(known.plans))}."
        wrong("service_plan", f"{plan} is not there: import it first.{hint}", plan)
    if device:
        first = known.seen_devices.setdefault(device, n)
        if first != n:
            wrong(
                "device", f"{device} is in row {first} too: a device speaks for one unit.", device
            )
        owner = known.owners.get(device, unit)
        if owner != unit:
            wrong(
                "device",
                f"{device} speaks for unit {owner} now: to move it, record a fitting.",
                device,
            )
    place = known.seen_places.setdefault(
        f"{identity(cell['customer'])}\n{identity(cell['site'])}", {}
    )
    for name in SITE_COLUMNS:
        if name in said:
            row, value = place.setdefault(name, (n, cell[name]))
            if value != cell[name]:
                wrong(
                    name,
                    f"is {cell[name]} here and {value} in row {row}, for one site.",
                    cell[name],
                )


def _draft(
    n: int, cell: dict[str, Any], gone: frozenset[str], known: Known, find_zone: FindZone, now: int
) -> Draft:
    customer = _customer(cell, known)
    old = known.units.get(cell["unit"])
    site = _site(cell, gone, customer, known, find_zone)
    site = _with_contact(cell, gone, old, site)
    known.sites[(customer.id, identity(site.name))] = site
    fields: dict[str, Any] = {name: cell[name] for name in PLAIN if name in cell}
    if "system" in cell:
        fields["phases"] = PHASES_OF[cell["system"]]
    fields["engine_hours_at"] = _hours_at(cell, old, site.time_zone, now)
    unit = Unit(
        id=cell["unit"],
        site=site.id,
        customer=customer.id,
        running=running_of(cell),
        device=old.device if old else "",
        **fields,
    )
    check_wiring(unit, cell)
    group = "" if "group" in gone else cell.get("group")
    return Draft(n, unit, site, customer, cell.get("device", ""), group, "device" in gone)


def _hours_at(cell: dict[str, Any], old: Unit | None, zone: str, now: int) -> int | None:
    """When engine_hours was read: as said, else as before, else now."""
    if "engine_hours" not in cell:
        return None
    if "engine_hours_at" in cell:
        at = cells.moment(cell["engine_hours_at"], zone)
        if at > now + 600:
            raise ColumnFault("engine_hours_at", "lies in the future.")
        if at < EARLIEST:
            raise ColumnFault("engine_hours_at", "lies before 1990.")
        return at
    if old is not None and old.engine_hours == cell["engine_hours"]:
        return old.engine_hours_at
    return now


def _customer(cell: dict[str, Any], known: Known) -> Customer:
    name = " ".join(cell["customer"].split())
    key = identity(name)
    if key not in known.customers:
        known.customers[key] = Customer(id=_new_id(name, key, known.ids), name=name)
    return known.customers[key]


def _site(
    cell: dict[str, Any],
    gone: frozenset[str],
    customer: Customer,
    known: Known,
    find_zone: FindZone,
) -> Site:
    name = " ".join(cell["site"].split())
    key = (customer.id, identity(name))
    old = known.sites.get(key)
    if old is None:
        id = _new_id(f"{customer.id}-{name}", f"{key[0]}\n{key[1]}", known.ids)
        old = Site(id=id, customer=customer.id, name=name, time_zone="")
    site = msgspec.structs.replace(
        old,
        address="" if "address" in gone else cell.get("address", old.address),
        lat=None if "lat" in gone else cell.get("lat", old.lat),
        lon=None if "lon" in gone else cell.get("lon", old.lon),
        contact=old.contact or cell.get("contact", ""),
        phone=old.phone or cell.get("phone", ""),
        time_zone=cell.get("time_zone", ""),
    )
    if not site.time_zone:
        site = msgspec.structs.replace(site, time_zone=_zone(site, find_zone))
    return site


def _with_contact(cell: dict[str, Any], gone: frozenset[str], old: Unit | None, site: Site) -> Site:
    """The site's contact and phone follow the row that changes them."""
    for name in ("contact", "phone"):
        if name in gone and old is not None and getattr(site, name) == getattr(old, name):
            site = msgspec.structs.replace(site, **{name: ""})
        said = cell.get(name, "")
        if said and (not getattr(site, name) or old is None or getattr(old, name) != said):
            site = msgspec.structs.replace(site, **{name: said})
    return site


def _zone(site: Site, find_zone: FindZone) -> str:
    if site.lat is None or site.lon is None:
        raise ColumnFault("time_zone", "is missing, and lat, lon too: give the place or the zone.")
    found = find_zone(site.lat, site.lon)
    if not found or found.startswith("Etc/"):
        raise ColumnFault(
            "time_zone",
            f"cannot be found at lat {site.lat:g}, lon {site.lon:g}, which is at sea: "
            "are they swapped? Mend them, or give the zone.",
        )
    return found


def _new_id(name: str, key: str, taken: set[str]) -> str:
    """An id made of a name; a piece of hash is added where another has it already."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    slug = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:64].strip("-")
    if not slug or slug in taken:
        slug = f"{slug[:54].strip('-') or 'x'}-{sha256(key.encode()).hexdigest()[:8]}"
    taken.add(slug)
    return slug
