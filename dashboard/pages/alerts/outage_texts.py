"""What customers are written in an outage: the prepared text, and the e-mail a button sends.

A person of the firm decides each time; what may be written to whom is `scheduler.alarms.customers`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from urllib.parse import quote
from uuid import uuid4

import msgspec
from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from dashboard.posted import Posted, read_form
from dashboard.problems import Problem
from dashboard.request_context import CurrentViewer, Services, TheServices, require
from dashboard.viewers import Viewer
from fleet import bounds, words
from fleet.model import EVERYTHING, Call, Notice, Outage, OutageMember, Scope
from fleet.registry import lists
from fleet.registry.told import alerts, kept_outages
from fleet.registry.told.customer_readers import customer_readers, write_to_customer
from fleet.words import customer_sentences
from scheduler.alarms import customers, notice_id

router = APIRouter(include_in_schema=False)
STAFF = require("technician", right=None, person=True)
FEWEST_DIGITS = 5
"""Fewer is no number of a house. Common practice, no source."""


class Writing(msgspec.Struct, frozen=True, kw_only=True):
    """What the texts of one outage stand on. sent: states of the e-mails about it, by (step,
    person); those about one site alone before its area followed count."""

    firm: str
    readers: tuple[customers.Reader, ...]
    sent: dict[tuple[str, str], str]
    allowed: bool
    mail: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CustomerText:
    """The text to the customer of one site of a call list.

    why: why there is none, '' where there is one. messages: its length in text messages; href: opens
    it on a phone, '' where no number takes it; power: how the site fares, as it was told; people: who
    would get it by e-mail; mail: why nobody would.
    """

    why: str = ""
    body: str = ""
    messages: str = ""
    href: str = ""
    power: str = ""
    key: str = ""
    people: tuple[str, ...] = ()
    mail: str = ""


def writing(services: Services, scope: Scope, outage: Outage) -> Writing:
    """Who of the customers can be written, and what was written in this outage: for those of the
    firm who may write."""
    allowed = services.settings.remind_customers
    readers = customer_readers(services.registry, scope) if allowed else []
    return Writing(
        firm=services.settings.firm,
        readers=tuple(
            customers.Reader(contact=contact, customer=customer, allowed=allowed)
            for contact, customer in readers
        ),
        sent={
            (notice.step, notice.person): state
            for cause in (*kept_outages.parts_of(services.registry, scope, outage), outage.id)
            for notice, state in alerts.notices(services.registry, scope, cause)
            if notice.kind == "customer_text" and state != "withdrawn"
        },
        allowed=allowed,
        mail=bool(services.settings.smtp_host and services.settings.smtp_from),
    )


def text_of(
    about: Writing, outage: Outage, member: OutageMember, row: lists.SetRow, phone: str, now: int
) -> CustomerText | None:
    """The text to the customer of one site for its row of the call list; None where none is due."""
    said = _fares(outage, member, row, now)
    if said is None:
        return None
    if row.unit.placement not in customers.PLACED:
        return CustomerText(why=customer_sentences.WHY_NOT[row.unit.placement])
    body = customer_sentences.outage_text(about.firm, said)
    made = _made(about, outage, member, row, said, now)
    due = [n for n in made if (n.step, n.person) not in about.sent]
    names = {reader.contact.person: reader.contact.name for reader in about.readers}
    return CustomerText(
        body=body,
        messages=words.count(customer_sentences.segments(body), "message"),
        href=sms_link(phone, body),
        power=said.power,
        key=str(uuid4()),
        people=tuple(names[notice.person] for notice in due),
        mail="" if due else _no_mail(about, made, row),
    )


def _no_mail(about: Writing, made: list[Notice], row: lists.SetRow) -> str:
    """Why there is no button for an e-mail, in a sentence."""
    if not about.allowed:
        return "No e-mail to customers: the setting remind_customers is off."
    if not about.mail:
        return "No e-mail: no mail server is set (smtp_host and smtp_from)."
    if not made:
        return f"Nobody of {row.customer.name} signs in with an e-mail address."
    return customer_sentences.written([about.sent[notice.step, notice.person] for notice in made])


def _fares(
    outage: Outage, member: OutageMember, row: lists.SetRow, now: int
) -> customer_sentences.Fares | None:
    zone = row.site.time_zone
    place = row.site.name or row.customer.name
    return customers.fares(outage, member, place, words.moment(now, zone, now))


def _made(
    about: Writing,
    outage: Outage,
    member: OutageMember,
    row: lists.SetRow,
    said: customer_sentences.Fares,
    now: int,
) -> list[Notice]:
    """The e-mails of it as things stand now, sent before or not."""
    if not about.mail:
        return []
    return customers.outage_notices(
        about.readers, outage, member, row.unit.placement, said, about.firm, now
    )


def sms_link(phone: str, body: str) -> str:
    """An address that opens a text message with its words in the phone's own program (RFC 5724, 2.2);
    '' where the number is none that can be dialled. Of several numbers the first is taken."""
    without = re.sub(r"(\+[0-9 ]*)\(0\)", r"\1", phone.strip())
    first = re.split(r"[^0-9 +().\-]", without, maxsplit=1)[0]
    digits = re.sub(r"(?<!^)\+|[^0-9+]", "", first)
    return f"sms:{digits}?body={quote(body, safe='')}" if len(digits) >= FEWEST_DIGITS else ""


@router.post("/outages/{id}/write", dependencies=[STAFF])
async def write(
    request: Request, services: TheServices, viewer: CurrentViewer, id: str
) -> Response:
    """Send the prepared e-mail about one site to its customer's people; once as things stand."""
    posted = await read_form(request, viewer)
    return await run_in_threadpool(_write, services, viewer, id, posted)


def _write(services: Services, viewer: Viewer, id: str, posted: Posted) -> Response:
    outage = kept_outages.outage(services.registry, viewer.scope, id[:64])
    if outage is None:
        raise Problem(404, "There is no outage of that id here. The list of outages has them all.")
    unit, now = posted.text("unit", 64), services.clock()
    member = next((m for m in outage.members if m.unit == unit), None)
    row = _row(services, member)
    if member is None or row is None or not viewer.scope.sees(row.customer.id):
        raise Problem(422, "Say of which of its sites the customer is to be written.")
    said = _fares(outage, member, row, now)
    if said is None:
        raise Problem(409, "Nothing is to be written of it: it has power, or the outage is over.")
    if said.power != posted.text("power"):
        raise Problem(409, "How it fares has changed meanwhile. Open the page again and read it.")
    if row.unit.placement not in customers.PLACED:
        raise Problem(409, customer_sentences.WHY_NOT[row.unit.placement])
    about = writing(services, viewer.scope, outage)
    made = _made(about, outage, member, row, said, now)
    due = [n for n in made if (n.step, n.person) not in about.sent]
    if not made:
        raise Problem(409, _no_mail(about, made, row))
    done = "before"
    if due and write_to_customer(
        services.registry, due, _call(due, viewer, now), viewer.actor, now
    ):
        done = "written"
    start = bounds.whole_or(posted.text("from", 20), 0, most=100_000)
    where = f"from={start}&done={done}" if start else f"done={done}"
    return RedirectResponse(f"/outages/{outage.id}?{where}#u-{unit}", 303)


def _call(due: list[Notice], viewer: Viewer, now: int) -> Call:
    """The line of the call log, the same for the same e-mails."""
    first, people = due[0], sorted(notice.person for notice in due)
    return Call(
        id=notice_id(first.cause, first.step, ",".join(people), "call"),
        episode=first.cause,
        unit=first.unit,
        at=now,
        by=viewer.name,
        outcome="written",
        note=f"by e-mail to {'one person' if len(due) == 1 else f'{len(due)} people'}",
    )


def _row(services: Services, member: OutageMember | None) -> lists.SetRow | None:
    found = (
        lists.sets_of(services.registry, EVERYTHING, (), (member.site,))
        if member is not None
        else []
    )
    return next((row for row in found if member and row.unit.id == member.unit), None)
