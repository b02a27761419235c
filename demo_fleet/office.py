"""The invented office: technicians with bases, days, skills, leave and what their vans hold."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

from demo_fleet.customers import TECHNICIANS, TOWNS, ZONE

COLUMNS: tuple[str, ...] = (
    "id",
    "name",
    "lat",
    "lon",
    "time_zone",
    "base",
    "phone",
    "week",
    "skills",
    "leave",
    "stock",
)
BASES = ("Alnwick", "Corbridge", "Rothbury")
WEEKS = ("Mon-Fri 08:00-17:00", "Mon-Fri 07:30-16:30", "Mon-Thu 08:00-17:30")
STOCK = "oil_l 40, oil_filter 6, air_filter 3, fuel_filter 4, spark_plug 8"


def technician_rows(origin: int) -> list[dict[str, Any]]:
    """A row a technician. origin: the moment the demonstration begins, UTC seconds."""
    today = datetime.fromtimestamp(origin, UTC).date()
    return [_row(n, name, today) for n, name in enumerate(TECHNICIANS)]


def _row(n: int, name: str, today: date) -> dict[str, Any]:
    lat, lon, _ = TOWNS[BASES[n % len(BASES)]]
    gas_until = today + timedelta(days=(400, 25, 700)[n % 3])
    row: dict[str, Any] = {
        "id": f"tech-{n + 1}",
        "name": name,
        "lat": lat,
        "lon": lon,
        "time_zone": ZONE,
        "base": BASES[n % len(BASES)],
        "phone": f"01632 96080{n}",
        "week": WEEKS[n % len(WEEKS)],
        "skills": f"engine, gas until {gas_until.isoformat()}",
        "stock": STOCK,
    }
    if n == 2:
        first = today + timedelta(days=9)
        row["leave"] = f"{first.isoformat()} to {(first + timedelta(days=2)).isoformat()} course"
    return row
