"""Running signal from a test run: a plain form with two local times, and what comes of them."""

from __future__ import annotations

from typing import Annotated

import msgspec
from fastapi import APIRouter, Query, Request
from starlette.responses import HTMLResponse

from dashboard import frames, phrases
from dashboard.api.signal import RunTimesWrong, proposals
from dashboard.pages import forms
from dashboard.request_context import LIVE, CurrentScope, TheServices, find_unit
from dashboard.views.named import SetName, set_name
from fleet import words
from fleet.channels import CHANNELS
from scheduler.rules.propose import Proposal, Refused

router = APIRouter(include_in_schema=False, dependencies=LIVE)


@router.get("/units/{unit}/signal", response_class=HTMLResponse)
def page(
    request: Request,
    services: TheServices,
    scope: CurrentScope,
    unit: str,
    started: Annotated[str, Query(max_length=30)] = "",
    stopped: Annotated[str, Query(max_length=30)] = "",
) -> HTMLResponse:
    found, site, customer, _ = find_unit(services, scope, unit)
    answers: list[Answer] = []
    wrong = ""
    if started or stopped:
        try:
            start = forms.moment(started, site.time_zone)
            end = forms.moment(stopped, site.time_zone)
            answers = [line(one) for one in proposals(services, scope, unit, start, end)]
        except RunTimesWrong as fault:
            wrong = str(fault)
        except ValueError as fault:
            wrong = f"{str(fault)[0].upper()}{str(fault)[1:]}"
    view = SignalScreen(
        set=set_name(found, site, customer),
        zone=site.time_zone,
        started=started,
        stopped=stopped,
        answers=answers,
        wrong=wrong,
        cautions=words.CAUTIONS,
    )
    return frames.render(request, scope, "unit/signal.html", "units", view)


class SignalScreen(msgspec.Struct, frozen=True, kw_only=True):
    """The form of a test run's two moments, as typed, and what comes of them. zone: of the site."""

    set: SetName
    zone: str
    started: str
    stopped: str
    answers: list[Answer]
    wrong: str
    cautions: tuple[str, ...]


class Answer(msgspec.Struct, frozen=True, kw_only=True):
    """What the page says of one channel. cells: what to write into the register; "" where refused."""

    name: str
    said: str
    proposed: bool = False
    notes: tuple[str, ...] = ()
    cells: str = ""


def line(one: Proposal | Refused) -> Answer:
    """A proposal or a refusal in words."""
    name = phrases.called(one.channel) if one.channel else "No channel"
    unit = CHANNELS[one.channel].unit if one.channel in CHANNELS else ""
    if isinstance(one, Refused):
        return Answer(name=name, said=one.sentence)
    said = (
        f"Running at {one.on:g} {unit} or more, standing at {one.off:g} {unit} or less. At rest it "
        f"read {one.rest.low:g} to {one.rest.high:g} ({one.rest.n} readings), running "
        f"{one.running.low:g} to {one.running.high:g} ({one.running.n})."
    )
    cells = f"running_signal {one.channel}, running_on {one.on:g}, running_off {one.off:g}"
    return Answer(name=name, said=said, proposed=True, notes=one.notes, cells=cells)
