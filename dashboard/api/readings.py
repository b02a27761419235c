"""GET /api/units/{unit}/readings: readings of channels, down-sampled by least and greatest."""

from __future__ import annotations

from typing import Annotated, Any

import numpy as np
import orjson
from fastapi import APIRouter, Query
from numpy.typing import NDArray
from starlette.responses import Response

from dashboard.api import shapes
from dashboard.api.times import From, To, span
from dashboard.deps import AtDesk, Reader, require
from dashboard.one_unit import find
from dashboard.problems import Problem
from fleet.calendar import utc_text
from fleet.channels import CHANNELS, NAMES
from fleet.model import Series, Window
from fleet.registry import pages

router = APIRouter(
    prefix="/api/units",
    tags=["units"],
    dependencies=[require("reader")],
    responses={404: {"model": shapes.ProblemOut}},
)

POINTS_AT_MOST = 5000
CHANNELS_AT_MOST = 8
AS_THEY_CAME_S = 2 * 86_400
"""Up to this span the readings themselves are looked at, to be given as they came if few enough."""


@router.get("/{unit}/readings", response_model=shapes.ReadingsPage)
def readings(
    desk: AtDesk,
    scope: Reader,
    unit: str,
    channel: Annotated[list[str] | None, Query(description="one or more channels")] = None,
    from_: From = None,
    to: To = None,
    points: Annotated[int, Query(ge=10, le=POINTS_AT_MOST)] = 1000,
    raw: Annotated[bool, Query(description="as the device sent them, uncalibrated")] = False,
) -> Any:
    """Readings of up to 8 channels. Without `from`: the last day.

    As they came where there are no more than `points` in at most two days; else buckets of equal
    width with least, greatest, mean, last and count, empty ones null.
    """
    find(desk, scope, unit)
    names = _channels(channel)
    start, end = span(from_, to, desk.clock(), days=1)
    items: list[dict[str, Any]] = []
    left = list(names)
    if end - start <= AS_THEY_CAME_S:
        series = desk.history.series(scope, unit, names, start, end, raw=raw)
        for name in names:
            if len(series[name]) <= points:
                items.append(_as_came(name, series[name], raw))
                left.remove(name)
    if left:
        windows = desk.history.window(scope, unit, left, start, end, points, raw=raw)
        items += [_bucketed(name, windows[name], raw) for name in left]
    items.sort(key=lambda item: names.index(item["channel"]))
    spells = pages.unsure_spells(desk.registry, scope, unit, start, end)
    page = {"items": items, "next": None, "time_unknown": [_unsure(spell) for spell in spells]}
    body = orjson.dumps(page, option=orjson.OPT_SERIALIZE_NUMPY)
    return Response(body, media_type="application/json")


def _unsure(spell: pages.UnsureSpell) -> dict[str, Any]:
    return {
        "readings": spell.readings,
        "first_at": utc_text(spell.first_at),
        "last_at": utc_text(spell.last_at),
        "after_at": None if spell.after_at is None else utc_text(spell.after_at),
        "before_at": utc_text(spell.before_at),
    }


def _channels(given: list[str] | None) -> list[str]:
    names = list(dict.fromkeys(part for text in given or [] for part in text.split(",") if part))
    if not names:
        raise Problem(
            422, f"Name a channel, for example channel=battery_v. Known: {', '.join(NAMES)}."
        )
    if len(names) > CHANNELS_AT_MOST:
        raise Problem(422, f"Ask for at most {CHANNELS_AT_MOST} channels at once.")
    return names


def _head(name: str, raw: bool) -> dict[str, Any]:
    unit = CHANNELS[name].unit if name in CHANNELS else ""
    return {"channel": name, "unit": unit, "calibrated": not raw}


def _as_came(name: str, series: Series, raw: bool) -> dict[str, Any]:
    return _head(name, raw) | {
        "bucket_s": None,
        "at": [utc_text(int(at)) for at in series.t],
        "value": _nulls(series.v),
    }


def _bucketed(name: str, window: Window, raw: bool) -> dict[str, Any]:
    return _head(name, raw) | {
        "bucket_s": int(window.width_s),
        "at": [utc_text(int(at)) for at in window.start],
        "min": _nulls(window.minimum),
        "max": _nulls(window.maximum),
        "mean": _nulls(window.mean),
        "last": _nulls(window.last),
        "count": window.count.tolist(),
    }


def _nulls(values: NDArray[np.float64]) -> list[float | None]:
    return [None if np.isnan(v) else round(float(v), 6) for v in values]
