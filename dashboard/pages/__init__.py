"""The pages people read, one file a page."""

from dashboard.pages import (
    alert,
    alerts,
    channels,
    charts,
    due,
    jobs,
    jobs_billing,
    jobs_call,
    jobs_one,
    live,
    more,
    outage,
    record,
    rota,
    rounds,
    rounds_change,
    rounds_export,
    service,
    signal,
    sitecard,
    technicians,
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
        alert,
        outage,
        rota,
        waking,
        channels,
        service,
        more,
        charts,
        live,
    )
)

__all__ = ["ROUTERS"]
