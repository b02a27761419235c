"""What people did: appended, never changed; a correction is a new record that names the old."""

from __future__ import annotations

from fleet.registry.facts.records.check import Accepted, RecordRefused, check_records
from fleet.registry.facts.records.consequences import days_changed, units_changed
from fleet.registry.facts.records.importing import import_records
from fleet.registry.facts.records.writing import add_record, write_records

__all__ = [
    "Accepted",
    "RecordRefused",
    "add_record",
    "check_records",
    "days_changed",
    "import_records",
    "units_changed",
    "write_records",
]
