"""The pages people read: one file a page, and a room for pages that belong together.

In a room `page` is the page it is named for, beside it one of what it lists. The order of ROUTERS is
the order of matching: a fixed address stands before one with a name in it.
"""

from dashboard.pages import (
    due,
    live,
    more,
    record,
    service,
    sitecard,
    technicians,
    today,
    tolerance,
    units,
)
from dashboard.pages.alerts import (
    alert,
    alerts_page,
    channels,
    outage,
    outage_texts,
    quiet_hours,
    rota,
    waking,
)
from dashboard.pages.jobs import billing, call, job, jobs_page
from dashboard.pages.rounds import change, export, rounds_page
from dashboard.pages.unit import charts, signal, unit_page

ROUTERS = tuple(
    page.router
    for page in (
        today,
        units,
        unit_page,
        record,
        signal,
        due,
        tolerance,
        jobs_page,
        billing,
        call,
        job,
        rounds_page,
        change,
        export,
        technicians,
        sitecard,
        alerts_page,
        alert,
        outage,
        outage_texts,
        rota,
        waking,
        channels,
        quiet_hours,
        service,
        more,
        charts,
        live,
    )
)

__all__ = ["ROUTERS"]
