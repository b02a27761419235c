"""The pages people read, one file a page."""

from dashboard.pages import (
    alerts,
    charts,
    due,
    jobs,
    jobs_billing,
    jobs_call,
    jobs_one,
    live,
    more,
    record,
    rounds,
    rounds_change,
    rounds_export,
    service,
    signal,
    sitecard,
    technicians,
    today,
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
        jobs,
        jobs_billing,
        jobs_call,
        jobs_one,
        rounds,
        rounds_change,
        rounds_export,
        technicians,
        sitecard,
        alerts,
        service,
        more,
        charts,
        live,
    )
)

__all__ = ["ROUTERS"]
