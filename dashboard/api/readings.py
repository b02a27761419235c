"""GET /api/units/{unit}/readings: readings of channels, down-sampled by least and greatest."""

from __future__ import annotations

from typing import Annotated

import msgspec
from fastapi import APIRouter, Query
from starlette.responses import Response

from dashboard.api.times import From, To, span
from dashboard.problems import Problem, ProblemDocument
from dashboard.request_context import CurrentScope, TheServices, find_unit, require
from dashboard.views.series import ReadingsPage, ReadingsView, as_came, bucketed, unsure_view
from fleet.channels import NAMES
from fleet.registry import lists

router = APIRouter(
    prefix="/api/units",
    tags=["units"],
    dependencies=[require("reader")],
    responses={404: {"model": ProblemDocument}},
)

POINTS_AT_MOST = 5000
CHANNELS_AT_MOST = 8
"""Points and channels of one answer. A bound of ours."""
AS_THEY_CAME_S = 2 * 86_400
"""Up to this span the readings themselves are looked at, to be given as they came if few enough. A
bound of ours."""


@router.get("/{unit}/readings", response_model=ReadingsPage)
def readings(
    services: TheServices,
    scope: CurrentScope,
    unit: str,
    channel: Annotated[list[str] | None, Query(description="one or more channels")] = None,
    from_: From = None,
    to: To = None,
    points: Annotated[int, Query(ge=10, le=POINTS_AT_MOST)] = 1000,
    raw: Annotated[bool, Query(description="as the device sent them, uncalibrated")] = False,
) -> Response:
    """Readings of up to 8 channels. Without `from`: the last day.

    As they came where there are no more than `points` in at most two days; else buckets of equal
    width with least, greatest, mean, last and count, empty ones null.
    """
    find_unit(services, scope, unit)
    names = _channels(channel)
    start, end = span(from_, to, services.clock(), days=1)
    items: list[ReadingsView] = []
    left = list(names)
    if end - start <= AS_THEY_CAME_S:
        series = services.history.series(scope, unit, names, start, end, raw=raw)
        for name in names:
            if len(series[name]) <= points:
                items.append(as_came(name, series[name], raw))
                left.remove(name)
    if left:
        windows = services.history.window(scope, unit, left, start, end, points, raw=raw)
        items += [bucketed(name, windows[name], raw) for name in left]
    items.sort(key=lambda item: names.index(item.channel))
    spells = lists.unsure_spells(services.registry, scope, unit, start, end)
    page = ReadingsPage(
        items=items, next=None, time_unknown=[unsure_view(spell) for spell in spells]
    )
    return Response(msgspec.json.encode(page), media_type="application/json")


def _channels(given: list[str] | None) -> list[str]:
    names = list(dict.fromkeys(part for text in given or [] for part in text.split(",") if part))
    if not names:
        raise Problem(
            422, f"Name a channel, for example channel=battery_v. Known: {', '.join(NAMES)}."
        )
    if len(names) > CHANNELS_AT_MOST:
        raise Problem(422, f"Ask for at most {CHANNELS_AT_MOST} channels at once.")
    return names
