"""The pages people read, one file a page."""

from dashboard.pages import (
    alert,
    alerts,
    charts,
    due,
    live,
    more,
    outage,
    record,
    rota,
    service,
    signal,
    today,
    tolerance,
    unit,
    units,
    waking,
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
        alert,
        outage,
        rota,
        waking,
        service,
        more,
        charts,
        live,
    )
)

__all__ = ["ROUTERS"]
