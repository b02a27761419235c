"""The HTTP interface for programs. Stable once built; a path not yet built answers 404."""

from dashboard.api import due, quarantine, readings, records, service, units

ROUTERS = (units.router, readings.router, records.router, due.router, quarantine.router,
           service.router)  # fmt: skip

__all__ = ["ROUTERS"]
