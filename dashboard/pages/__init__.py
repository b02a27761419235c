"""The pages people read, one file a page."""

from dashboard.pages import (
    alerts,
    charts,
    due,
    live,
    more,
    record,
    service,
    signal,
    today,
    tolerance,
    unit,
    units,
)

ROUTERS = tuple(
    page.router
    for page in (
        today,
        units,
        unit,
        record,
        signal,
        due,
        tolerance,
        alerts,
        service,
        more,
        charts,
        live,
    )
)

__all__ = ["ROUTERS"]
