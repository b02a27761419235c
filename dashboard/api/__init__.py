"""The HTTP interface for programs. Stable once built; a path not yet built answers 404."""

from dashboard.api import due, exercise, jobs, quarantine, readings, records, service, signal, units

ROUTERS = (units.router, readings.router, signal.router, exercise.router, records.router, due.router,
           jobs.router,
           quarantine.router, service.router)  # fmt: skip

__all__ = ["ROUTERS"]
