"""When the next look could change anything, if nothing is heard and nobody does anything before.

The clockwork looks every two seconds whether there is something to see or not. Who follows a record
of months passes over the looks that cannot change anything: the same facts give the same answer until
one of the moments named here. A week gone through with every look and again with these only leaves
the same registry, byte for byte (a test holds that over many of them).
"""

from __future__ import annotations

from collections.abc import Iterator

from fleet.model import EVERYTHING
from fleet.registry import lists, unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.told import alerts as told
from fleet.registry.told import kept_outages
from scheduler import alarms, outage
from scheduler.alarms.lifecycle import newest
from scheduler.alarms.notification import ESCALATE_FOR_S
from scheduler.alarms.stepping import ANSWER_S, FORGET_S
from scheduler.outage.stepping import RECENT_S
from scheduler.turns import service_alert
from scheduler.turns.memory import Memory, Turn
from scheduler.turns.outages import ESCALATE_EVERY_S, EVERY_S, Places, set_now, where_of
from scheduler.turns.uplink import OWN_LINE


def next_look(
    registry: Registry, memory: Memory, turn: Turn, now: int, every_s: int, retained: bool = False
) -> int | None:
    """The first look after the one at `now` that could change anything (UTC seconds, a whole number
    of `every_s` after it); None: there is none before something is heard.

    memory, turn: as that look left them. retained: a retained message was taken since the one
    before, which changes what is known of a device and touches no day.
    """
    moments = [m for m in _moments(registry, memory, turn, now, every_s) if m is not None]
    moments += _of_outages(registry, memory.places, turn, now, _pause(EVERY_S, every_s), retained)
    found = min(moments, default=None)
    return None if found is None else now + every_s * max(1, -(-(found - now) // every_s))


def pass_over(places: Places, now: int, until: int, every_s: int) -> None:
    """What the looks after `now` and before `until` would have noted, had they been made: when the
    outages and the escalations were looked at last."""
    last = now + every_s * ((until - 1 - now) // every_s)
    places.looked_at = _latest(places.looked_at, last, _pause(EVERY_S, every_s))
    places.escalated_at = _latest(places.escalated_at, last, _pause(ESCALATE_EVERY_S, every_s))


def _pause(least_s: int, every_s: int) -> int:
    """The pause between two looks that are made with every so many others, at least so far apart."""
    return every_s * -(-least_s // every_s)


def _latest(held: int, last: int, pause_s: int) -> int:
    return held + pause_s * max(0, (last - held) // pause_s)


def _moments(
    registry: Registry, memory: Memory, turn: Turn, now: int, every_s: int
) -> Iterator[int | None]:
    held = {unit for unit, trouble in memory.troubles.items() if trouble.again_at > now}
    yield min((memory.troubles[unit].again_at for unit in held), default=None)
    waiting = unscoped.touched(registry, held)
    if turn.more or turn.refused or turn.failed or waiting:
        yield now + every_s
    yield unscoped.next_due_look(registry, held)
    yield _own_line(registry, turn, now)
    yield _escalation(registry, memory, now, _pause(ESCALATE_EVERY_S, every_s))


def _of_outages(
    registry: Registry, places: Places, turn: Turn, now: int, pause_s: int, retained: bool
) -> list[int]:
    """The look at the outages: at the first whole number of ten seconds after the one before at which
    it may come out differently."""
    going = kept_outages.going_on(registry, now - RECENT_S)
    if places.areas:
        return [now + 1]
    if not going:
        return []
    areas, sites = where_of(going)
    news = any(area in areas or site in sites for area, site in places.news)
    if news or retained or turn.outages:
        return [places.looked_at + pause_s]
    rows = lists.sets_of(registry, EVERYTHING, areas, sites)
    moment = outage.next_change(going, [set_now(row) for row in rows], places.looked_at)
    if moment is None:
        return []
    return [places.looked_at + pause_s * -(-(moment - places.looked_at) // pause_s)]


def _own_line(registry: Registry, turn: Turn, now: int) -> int | None:
    """The alert on our own line, while there is one, is looked at with every look."""
    known = service_alert.open_one(registry, OWN_LINE)
    if known is None:
        return None
    if turn.units or turn.outages or any(step.at == now for step in known.steps):
        return now + 1
    moments = [alarms.look_again([known], now)]
    over = newest(known, "returned")
    if over is not None:
        moments += [over.at + FORGET_S, over.at + ANSWER_S]
    ended = [o.ended_at for o in kept_outages.going_on(registry, now - RECENT_S)]
    moments += [at + RECENT_S + 1 for at in ended if at is not None]
    return min((moment for moment in moments if moment is not None and moment > now), default=None)


def _escalation(registry: Registry, memory: Memory, now: int, pause_s: int) -> int | None:
    """When somebody else is told of a waking alert that nobody has answered."""
    rota = memory.office.now(registry, now).rota
    every_s = max(60, rota.escalate_s)
    moments = []
    for notice in told.unanswered(registry, now - ESCALATE_FOR_S):
        line = alarms.in_line(rota, notice.made_at)
        turns = max(0, (now - notice.made_at) // every_s) + 1
        if notice.kind != "escalated" and turns < len(line):
            moments.append(notice.made_at + turns * every_s)
    if not moments:
        return None
    held = memory.places.escalated_at
    return max(now + 1, held + pause_s * -(-(min(moments) - held) // pause_s))
