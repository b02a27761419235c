"""Rounds to take along: GeoJSON, GPX, CSV, the day sheet as PDF, and the calendar by secret address."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import date
from typing import Literal

import orjson
from fastapi import APIRouter, Request
from starlette.responses import Response

from dashboard.exports import calendars, paper, visits
from dashboard.exports.paper import DaySheet, SheetJob, SheetStop
from dashboard.exports.visits import Leg, Visit
from dashboard.pages.rounds.rounds_page import day_sheet
from dashboard.problems import Problem
from dashboard.request_context import ANYONE, CurrentScope, CurrentViewer, TheServices, require
from dashboard.viewers import only_technician
from dashboard.views.rounds import VisitJob, VisitLine, round_line
from dashboard.views.set_findings import Grave, gravest_of, line_of
from fleet import words
from fleet.model.book import Sheet
from fleet.model.round_plan import half_of
from fleet.registry.office import board, rounds_feed, technicians
from fleet.words import job_sentences
from scheduler.rounds import Round

router = APIRouter(include_in_schema=False)
LOOK = require("reader", whole=True)
TYPES = {
    "geojson": "application/geo+json",
    "gpx": "application/gpx+xml",
    "csv": "text/csv; charset=utf-8",
}


@router.get("/rounds/export/{kind}", dependencies=[LOOK])
def export(
    services: TheServices,
    viewer: CurrentViewer,
    scope: CurrentScope,
    kind: Literal["geojson", "gpx", "csv"],
    day: str = "",
    technician: str = "",
) -> Response:
    """The plan in force from today on, or one day, or one technician."""
    whose = only_technician(services.registry, viewer)
    sheet = board.sheet_in_force(services.registry, scope, services.clock())
    if sheet is None:
        raise Problem(404, "There are no rounds yet.")
    found = legs(sheet, day, (technician or None) if whose is None else whose)
    body: bytes | str
    if kind == "geojson":
        body = orjson.dumps(visits.geojson(found))
    elif kind == "gpx":
        body = visits.gpx(found, sheet.made_at)
    else:
        body = visits.as_csv(found)
    return Response(
        body,
        media_type=TYPES[kind],
        headers={"content-disposition": f'attachment; filename="rounds.{kind}"'},
    )


def legs(sheet: Sheet, day: str = "", technician: str | None = None) -> list[Leg]:
    """The rounds of a sheet as they leave the house."""
    found = []
    for one in sheet.plan.rounds:
        who = sheet.technicians.get(one.technician)
        wanted = technician is None or one.technician == technician
        on = one.day == day if day else one.day >= sheet.today.isoformat()
        if who is not None and wanted and on:
            found.append(
                Leg(
                    day=one.day,
                    technician=who.id,
                    name=who.name,
                    lat=who.lat,
                    lon=who.lon,
                    visits=tuple(_visits(sheet, one)),
                )
            )
    return found


def _visits(sheet: Sheet, one: Round) -> list[Visit]:
    found = []
    for n, stop in enumerate(one.stops, 1):
        if stop.site not in sheet.places:
            continue
        site, _ = sheet.places[stop.site]
        jobs = [sheet.jobs[id] for id in stop.jobs if id in sheet.jobs]
        found.append(
            Visit(
                day=one.day,
                technician=one.technician,
                n=n,
                site=site.name or site.id,
                address=site.address,
                arrive=stop.arrive,
                start=stop.start,
                finish=stop.finish,
                half=half_of(stop.start, site.time_zone)[1],
                work=tuple(job.public_title for job in jobs),
                units=tuple(sorted({job.unit for job in jobs if job.unit})),
                jobs=tuple(job.id for job in jobs),
                metres=stop.metres,
                lat=site.lat,
                lon=site.lon,
            )
        )
    return found


@router.get("/rounds/sheet/{id}/{day}", dependencies=[LOOK])
def sheet(
    services: TheServices, viewer: CurrentViewer, scope: CurrentScope, id: str, day: str
) -> Response:
    """The day sheet, PDF: cautions on top, parts, visits. Keys and codes are never on it."""
    found = day_sheet(services, viewer, scope, id, day)
    data = sheet_data(services.settings.firm, found)
    return Response(
        paper.day_sheet(data),
        media_type="application/pdf",
        headers={"content-disposition": f'inline; filename="round-{day}.pdf"'},
    )


def sheet_data(firm: str, there: board.DayRound) -> DaySheet:
    """What the day sheet says, all of it text."""
    found, one = there.sheet, there.round
    grave = gravest_of(there.sets, found.now)
    line = round_line(found, one)
    name = line.name
    day = date.fromisoformat(one.day)
    said = f"{day:%A} {day.day} {day:%B %Y}"
    return DaySheet(
        title="Day sheet",
        firm=firm,
        who=name,
        day=said,
        made=f"{words.moment(found.now, found.plan.zone, found.now)}, {found.today.isoformat()}",
        line=f"{name}, {said}. Leave {line.leave}, back {line.back}; {line.km}, "
        f"{line.drive} driving, {line.work} work"
        + (f", lunch {line.lunch}." if line.lunch else "."),
        cautions=(*words.CAUTIONS, *job_sentences.ON_ROUND),
        parts=tuple((part, f"{amount:g}") for part, amount in found.parts(one).items()),
        stops=tuple(_sheet_stop(stop, grave) for stop in line.stops),
    )


def _sheet_stop(stop: VisitLine, grave: Mapping[str, Grave]) -> SheetStop:
    card = stop.card
    notes = [f"{unit}: {line_of(grave[unit])}" for unit in stop.units if unit in grave]
    notes += [
        f"{label}: {text}"
        for label, text in (
            ("Dogs", card.dogs),
            ("Parking", card.parking),
            ("The way in", card.directions),
            ("Mains switched by", card.mains),
        )
        if text
    ]
    return SheetStop(
        n=str(stop.n),
        place=stop.place,
        address=stop.address,
        start=stop.start,
        half=stop.half,
        way=stop.leg,
        call_first=stop.call_first,
        notes=tuple(notes),
        phones=tuple(f"{who} {number}" for who, number, _ in stop.phones),
        jobs=tuple(
            SheetJob(unit=job.unit, work=_work(job), minutes=str(job.minutes)) for job in stop.jobs
        ),
    )


def _work(job: VisitJob) -> str:
    return f"{job.title} – {job.symptom}" if job.symptom else job.title


@router.get("/calendar/{secret}", dependencies=[ANYONE])
def calendar(request: Request, services: TheServices, secret: str) -> Response:
    """A technician's calendar; whoever has the secret sees it, until it is revoked."""
    technician = rounds_feed.feed_of(services.registry, secret.removesuffix(".ics")[:100])
    who = technicians.technician(services.registry, technician) if technician else None
    if who is None:
        raise Problem(404, "There is no calendar at this address: it is unknown, or was revoked.")
    body = calendars.calendar_of(
        f"{services.settings.firm}: {who.name}",
        who.id,
        rounds_feed.told_events(services.registry, who.id),
    )
    tag = f'"{hashlib.sha256(body).hexdigest()[:32]}"'
    headers = {
        "etag": tag,
        "cache-control": "private, max-age=300",
        "referrer-policy": "no-referrer",
    }
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    return Response(body, media_type="text/calendar; charset=utf-8", headers=headers)
