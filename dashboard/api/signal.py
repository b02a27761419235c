"""GET /api/units/{unit}/running-signal: thresholds proposed from a recorded test run."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Query

from dashboard.api.times import seconds
from dashboard.problems import Problem, ProblemDocument
from dashboard.request_context import CurrentScope, Services, TheServices, find_unit, require
from dashboard.views.series import SignalPage, signal_view
from fleet import words
from fleet.model import Scope
from scheduler.rules import propose
from scheduler.rules.propose import Proposal, Refused

router = APIRouter(
    prefix="/api/units",
    tags=["units"],
    dependencies=[require("reader")],
    responses={404: {"model": ProblemDocument}},
)

LONGEST_S = 24 * 3600
"""A test run lasts no longer. A bound of ours."""
CHANNELS = (*propose.CANDIDATES, "battery_v", "mains_v")


class RunTimesWrong(ValueError):
    """The two times cannot be those of a test run. Its text says why."""


def proposals(
    services: Services, scope: Scope, unit: str, start: int, end: int
) -> tuple[Proposal | Refused, ...]:
    """What could say that the engine runs, from a run recorded between two moments (UTC s).

    Raises RunTimesWrong, and what `History.series` raises.
    """
    found = find_unit(services, scope, unit)[0]
    if end - start > LONGEST_S:
        raise RunTimesWrong("A test run of more than a day is no test run: give its start and end.")
    rest_s = propose.ProposeRules().rest_s
    series = services.history.series(scope, unit, list(CHANNELS), start - rest_s, end + rest_s + 1)
    try:
        return propose.propose(series, start, end, found.nominal_v, found.battery_nominal_v)
    except ValueError as fault:
        raise RunTimesWrong(f"{str(fault)[0].upper()}{str(fault)[1:]}.") from fault


@router.get("/{unit}/running-signal")
def running_signal(
    services: TheServices,
    scope: CurrentScope,
    unit: str,
    from_: Annotated[datetime, Query(alias="from", description="the engine was started")],
    to: Annotated[datetime, Query(description="the engine was stopped")],
) -> SignalPage:
    """Thresholds in the gap between at rest and running, or why there are none, by channel.

    The run should hold idle, choke and load; the hour before and after it is looked at as rest.
    """
    try:
        found = proposals(services, scope, unit, seconds(from_, "from"), seconds(to, "to"))
    except RunTimesWrong as wrong:
        raise Problem(422, str(wrong)) from wrong
    return SignalPage(items=[signal_view(one) for one in found], cautions=words.CAUTIONS, next=None)
