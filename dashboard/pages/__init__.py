"""The pages people read: one file a page, and a room for pages that belong together.

In a room `page` is the page it is named for, `one` is one of what it lists. The order of ROUTERS is
the order of matching: a fixed address stands before one with a name in it.
"""

from dashboard.pages import (
    alert,
    alerts,
    channels,
    charts,
    due,
    live,
    more,
    outage,
    outage_texts,
    quiet_hours,
    record,
    rota,
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
from dashboard.pages.jobs import billing, call
from dashboard.pages.jobs import one as one_job
from dashboard.pages.jobs import page as jobs_page
from dashboard.pages.rounds import change, export
from dashboard.pages.rounds import page as rounds_page

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
        jobs_page,
        billing,
        call,
        one_job,
        rounds_page,
        change,
        export,
        technicians,
        sitecard,
        alerts,
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
