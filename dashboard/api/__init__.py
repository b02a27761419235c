"""The HTTP interface for programs. Stable once built; a path not yet built answers 404."""

from dashboard.api import due, exercise, jobs, readings, records, service, signal, supply, units

ROUTERS = (
    units.router,
    readings.router,
    signal.router,
    exercise.router,
    records.router,
    due.router,
    jobs.router,
    service.router,
    supply.router,
)

__all__ = ["ROUTERS"]
