"""/charts/unit/{id}.json: the figure the page draws; asked again for every closer look."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

import orjson
from fastapi import APIRouter, Query
from starlette.responses import Response

from dashboard import charts, logbook
from dashboard.problems import Problem
from dashboard.request_context import CurrentScope, TheServices, find_unit, require
from fleet import calendar
from fleet.bounds import within
from fleet.registry import lists
from scheduler import assess

router = APIRouter(include_in_schema=False, dependencies=[require("reader")])

GAP_S = 3 * 3600
"""Where the unit was not assessed yet, a longer silence breaks the line. Common practice, no
source."""


@router.get("/charts/unit/{unit}.json")
def history(
    services: TheServices,
    scope: CurrentScope,
    unit: str,
    days: Annotated[int, Query(ge=1, le=3660)] = 30,
    from_: Annotated[str | None, Query(alias="from", max_length=40)] = None,
    to: Annotated[str | None, Query(max_length=40)] = None,
    points: Annotated[int, Query(ge=50, le=3000)] = 1000,
) -> Response:
    """A Plotly figure. from, to: the site's wall clock as the axis shows it; else the last days."""
    _, site, _, summary = find_unit(services, scope, unit)
    now = services.clock()
    if from_ and to:
        start, end = wall(from_, site.time_zone), wall(to, site.time_zone)
        if not start < end:
            raise Problem(422, "from must lie before to.")
    else:
        start, end = now - days * 86_400, now
    inputs = lists.inputs(services.registry, scope, unit)
    doc = lists.assessment(services.registry, scope, unit)
    verdict = assess.read(doc)
    gap_s = verdict.gap_s if verdict else GAP_S
    reported = {name for pulse in inputs.pulses for name in pulse.latest} if inputs else set()
    channels = charts.chart_channels(reported)
    windows = services.history.window(scope, unit, channels, start, end, points) if channels else {}
    stored = logbook.days_of(services.registry, scope, unit, start, end + 86_400)
    runs = logbook.runs_of(stored, summary, start, end)
    figure = charts.figure(charts.panels(windows), runs, start, end, gap_s, site.time_zone)
    return Response(orjson.dumps(figure), media_type="application/json")


def wall(text: str, zone: str) -> int:
    """The UTC second of a wall-clock text such as `2026-11-25 07:01:00.5`; Problem 422 if none."""
    try:
        moment = datetime.fromisoformat(text)
        within(moment.date())
        if moment.tzinfo is not None:
            return int(moment.timestamp())
        return calendar.instant(moment.date(), moment.time().replace(microsecond=0), zone)
    except ValueError as fault:
        raise Problem(
            422, "from and to must be times such as 2026-11-25T07:00, of the years 1970 to 2099."
        ) from fault
