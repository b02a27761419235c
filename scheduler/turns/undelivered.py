"""Messages that reach nobody: one alert on the service itself, told to somebody who can be reached."""

from __future__ import annotations

import msgspec

from fleet.defaults import MESSAGE_LATE_S
from fleet.findings import this_service
from fleet.findings.this_service import Undelivered
from fleet.model import Finding
from fleet.registry.base.engine import Registry
from fleet.registry.told import outbox
from fleet.registry.told.episodes import write_alone
from fleet.registry.told.outbox import Unreached
from fleet.registry.told.rows import AlertChanges
from scheduler import alarms
from scheduler.alarms import AlertNews, Office
from scheduler.turns import service_alert

KIND = this_service.UNDELIVERED.kind
LATELY_S = 2 * 86_400
"""A message is given up a day after its time; the alert stays for a day more. Common practice, no
source."""


def look(registry: Registry, office: Office, now: int) -> int:
    """Open, go on with or end the alert on undelivered messages; how many steps were written."""
    known = service_alert.open_one(registry, KIND)
    missed = outbox.unreached(registry, now - MESSAGE_LATE_S, now - LATELY_S)
    if known is not None:  # its own messages are not what it is about
        missed = [one for one in missed if one.cause != known.id]
    change = service_alert.change(known, finding(missed), now)
    if change is None:
        return 0
    news = AlertNews(
        episode=change.episode, steps=change.told, place="Messages", zone=office.rota.zone
    )
    reached = beside(office, {one.person for one in missed}, now)
    changes = AlertChanges(
        opened=change.opened,
        steps=change.steps,
        withdrawn=alarms.withdrawn([news]),
        notices=alarms.tell([news], reached, now),
    )
    return len(change.told) if write_alone(registry, changes, now) else 0


def finding(missed: list[Unreached]) -> Finding | None:
    """Same day on the service itself; None where every message arrived."""
    if not missed:
        return None
    return Finding(
        severity="same_day",
        since=min(one.not_before for one in missed),
        facts=Undelivered(
            late=sum(not one.given_up for one in missed),
            given_up=sum(one.given_up for one in missed),
            people=len({one.person for one in missed}),
            late_s=MESSAGE_LATE_S,
            given_up_s=outbox.GIVE_UP_S,
        ),
    )


def beside(office: Office, missed: set[str], now: int) -> Office:
    """The office with the first in line as holder whom messages still reach; as it is where that
    is nobody."""
    ways = {contact.person: contact.ways for contact in office.people}
    line = [*alarms.in_line(office.rota, now), *alarms.stand_ins(office.people)]
    person = next((p for p in line if ways.get(p) and p not in missed), None)
    if person is None:
        return office
    rota = msgspec.structs.replace(office.rota, people=(), swaps=(), last=person)
    return msgspec.structs.replace(office, rota=rota)
