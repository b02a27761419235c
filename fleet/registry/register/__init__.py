"""The register: importing units and service plans, exporting units."""

from __future__ import annotations

from fleet.registry.register.row import export_units
from fleet.registry.register.service_plans import import_plans
from fleet.registry.register.taking import import_units

__all__ = ["export_units", "import_plans", "import_units"]
