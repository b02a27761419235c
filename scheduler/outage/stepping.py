"""One look at the outages: which began, who joined, how each set fares, which are over."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence

import msgspec

from fleet.findings import mains
from fleet.findings.mains import MainsOutage
from fleet.model import Finding, Outage, OutageMember, Severity
from scheduler.outage.cover import (
    OPEN,
    SetNow,
    back_at,
    call_list,
    cover_of,
    minutes,
    tally,
)
from scheduler.outage.grouping import interval, lost, near, neighbourhoods, together

RECENT_S = 6 * 3600
"""A loss longer ago than this begins no outage any more: it is history, told late. Outages that
ended within it are looked at too, so that what they explain is not taken for a new one. Common
practice, no source."""
TELL_AGAIN_S = (300, 600, 1200, 2400, 4800, 9600)
"""Waits between one telling and the next, where more sites have come to be without cover. Common
practice, no source."""
LIFE_WAIT_S = 120
"""Where a life site has come to be without cover no wait is longer. Common practice, no source."""
TELL_MOST = 7
"""Nobody is told of one outage more often than this, besides its end; the page shows the rest.
Common practice, no source."""
ENDS_AFTER_S = 600
COMEBACK_S = 20 * 60
COMEBACK_LEAST_S, COMEBACK_MOST_S = 5 * 60, 2 * 3600
"""Until a site's own comeback time is learned; and its bounds. Common practice, no source."""


def step(open_outages: Sequence[Outage], sets: Sequence[SetNow], now: int) -> list[Outage]:
    """The outages as they are now: begun, changed and ended ones; those that stay as they were
    are left out.

    open_outages: with their members; those that ended within RECENT_S too. sets: every set of the areas concerned. The same facts give the same outages, in
    whatever order they are looked at.

    Gives: records. Common practice, no source.
    """
    by_unit = {held.unit: held for held in sets}
    in_areas = {m.unit for o in open_outages if _of_area(o) for m in o.members}
    grown = [_go_on(outage, by_unit, in_areas, now) for outage in open_outages]
    grown += _begin(sets, grown, now)
    merged = _merge(grown, now)
    before = {outage.id: outage for outage in open_outages}
    told = [_tell(outage, now) for outage in merged]
    return [outage for outage in told if outage != before.get(outage.id)]


def _of_area(outage: Outage) -> bool:
    return not outage.alone and outage.ended_at is None


def _go_on(outage: Outage, sets: dict[str, SetNow], in_areas: set[str], now: int) -> Outage:
    """An outage with its members as they fare now, those who joined, and its end."""
    if outage.ended_at is not None:
        late = tuple(_afterwards(m, sets.get(m.unit)) for m in outage.members)
        return msgspec.structs.replace(outage, members=late)
    known = {m.unit for m in outage.members}
    found = [_fare(m, sets[m.unit], now) if m.unit in sets else m for m in outage.members]
    found += [
        _member(held, outage, now)
        for held in sets.values()
        if held.unit not in known and held.unit not in in_areas and _belongs(held, outage, now)
    ]
    outage = msgspec.structs.replace(outage, members=tuple(found))
    return _end(outage, sets, now)


def _belongs(held: SetNow, outage: Outage, now: int) -> bool:
    """Whether a set of the same place is in it: its mains is gone too, or nothing was heard of it
    since the outage began and it cannot say."""
    if outage.alone:
        return held.site == outage.subject.partition(":")[2] and lost(held)
    if not _there(held, outage):
        return False
    if lost(held):
        return True
    if held.said == "present" and held.mains.at is not None and held.mains.at >= outage.began_at:
        return False
    unheard = held.heard_at is None or held.heard_at < outage.began_at
    return unheard and cover_of(held, outage.began_at, now) == "unproven"


def _there(held: SetNow, outage: Outage) -> bool:
    """Whether it stands in the outage's area, or within 15 km of where it began."""
    if outage.lat is None or outage.lon is None:
        return bool(held.area) and held.area == outage.area
    place = SetNow(unit="", site="", customer="", lat=outage.lat, lon=outage.lon)
    return not held.area and near(held, place)


def _afterwards(member: OutageMember, held: SetNow | None) -> OutageMember:
    """A member after the end: its minutes put right by late news, its first word noted."""
    if held is None or member.back_at is None:
        return member
    return _heard_again(minutes(member, held, member.back_at), held)


def _heard_again(member: OutageMember, held: SetNow) -> OutageMember:
    """The member with its first word after the mains was back, for its comeback time."""
    heard = held.heard_at
    if member.heard_again_at or member.back_at is None or heard is None or heard < member.back_at:
        return member
    return msgspec.structs.replace(member, heard_again_at=heard, cover="mains_back")


def _member(held: SetNow, outage: Outage, now: int) -> OutageMember:
    here = lost(held)
    earliest, latest = interval(held) if here else (outage.began_at, outage.began_at)
    cover = cover_of(held, latest, now)
    fresh = OutageMember(
        unit=held.unit,
        site=held.site,
        customer=held.customer,
        criticality=held.criticality,
        cover=cover,
        since=max(latest, min(now, held.heard_at or latest)),
        lost_at=latest,
        lost_earliest=earliest if earliest != latest else None,
        here=here,
        heard_at=held.heard_at,
        fuel_h=held.fuel_h,
    )
    return minutes(fresh, held, now)


def _fare(member: OutageMember, held: SetNow, now: int) -> OutageMember:
    """A member as it fares now; with mains back it stays so, unless it is lost again."""
    again = lost(held) and member.back_at is not None and (held.mains.since or 0) > member.back_at
    if again:
        member = msgspec.structs.replace(member, back_at=None, heard_again_at=None)
    cover = cover_of(held, member.lost_at, now)
    here = member.here or lost(held)
    back = member.back_at or back_at(held, member.lost_at)
    changed = msgspec.structs.replace(
        member,
        cover=cover,
        since=member.since if cover == member.cover else now,
        here=here,
        back_at=back,
        heard_at=held.heard_at,
        fuel_h=held.fuel_h,
    )
    if msgspec.structs.replace(changed, heard_at=member.heard_at) == member:
        return member  # a covered set that is heard again and again is no news
    return _heard_again(minutes(changed, held, now), held)


def _end(outage: Outage, sets: dict[str, SetNow], now: int) -> Outage:
    """Over: half of those that saw it go have mains again (or two hours have passed since the
    last of them had), and none that is heard is without."""
    here = [m for m in outage.members if m.here]
    back = [m.back_at for m in here if m.back_at is not None]
    off = [
        m
        for m in here
        if m.back_at is None and m.unit in sets and sets[m.unit].mains.state == "absent"
    ]
    if not back or off:
        return outage
    ended = max(back)
    if 2 * len(back) < len(here) and now - ended < COMEBACK_MOST_S:
        return outage
    if len(back) < len(here) and now - ended < ENDS_AFTER_S:
        return outage
    closed = tuple(
        m
        if m.back_at is not None
        else minutes(msgspec.structs.replace(m, back_at=ended), sets[m.unit], ended)
        if m.unit in sets
        else m
        for m in outage.members
    )
    return msgspec.structs.replace(outage, ended_at=ended, members=closed)


def _begin(sets: Sequence[SetNow], known: Sequence[Outage], now: int) -> list[Outage]:
    """Outages that began: of areas first, then of single sites."""
    going = [outage for outage in known if outage.ended_at is None]
    in_areas = {m.unit for o in going if not o.alone for m in o.members}
    over = {m.unit: o.ended_at for o in known if o.ended_at is not None for m in o.members}
    fresh = [
        held
        for held in sets
        if lost(held)
        and now - (held.mains.since or 0) <= RECENT_S
        and held.unit not in in_areas
        and (held.mains.since or 0) > over.get(held.unit, 0)
    ]
    free = {held.unit for held in fresh}
    found: list[Outage] = []
    for name, here in sorted(neighbourhoods(sets).items()):
        chosen = together([held for held in here if held.unit in free], len(here))
        if chosen and not any(o.subject == f"area:{name}" for o in going):
            found.append(_open(f"area:{name}", name, here, chosen, now))
    free -= {m.unit for outage in [*going, *found] for m in outage.members}
    sites: dict[str, list[SetNow]] = {}
    for held in fresh:
        if held.unit in free:
            sites.setdefault(held.site, []).append(held)
    return found + [
        _open(f"site:{site}", here[0].area, here, here, now)
        for site, here in sorted(sites.items())
        if not any(o.subject == f"site:{site}" for o in going)
    ]


def _open(
    subject: str, area: str, here: Sequence[SetNow], losses: Sequence[SetNow], now: int
) -> Outage:
    began = min(interval(held)[1] for held in losses)
    earliest = min(interval(held)[0] for held in losses)
    text = "\x1f".join((subject, mains.MAINS_OUTAGE.kind, str(began)))
    centre = min(losses, key=lambda h: (interval(h)[1], h.unit))
    placed = not centre.area and not subject.startswith("site:")
    outage = Outage(
        id="o" + hashlib.sha256(text.encode()).hexdigest()[:31],
        subject=subject,
        area=area,
        opened_at=now,
        began_at=began,
        began_earliest=earliest if earliest != began else None,
        zone=losses[0].zone,
        lat=centre.lat if placed else None,
        lon=centre.lon if placed else None,
    )
    chosen = {held.unit for held in losses}
    members = [
        _member(held, outage, now)
        for held in here
        if held.unit in chosen or lost(held) or _belongs(held, outage, now)
    ]
    return msgspec.structs.replace(outage, members=tuple(members))


def _merge(outages: list[Outage], now: int) -> list[Outage]:
    """A single site's outage that turned out to be its area's goes into that one."""
    areas = [o for o in outages if not o.alone and o.ended_at is None]
    holder = {m.unit: o.id for o in areas for m in o.members}
    found = []
    for outage in outages:
        into = next((holder[m.unit] for m in outage.members if m.unit in holder), "")
        if outage.alone and outage.ended_at is None and into:
            outage = msgspec.structs.replace(outage, ended_at=now, into=into)
        found.append(outage)
    return found


def _tell(outage: Outage, now: int) -> Outage:
    """Count a telling where more sites have come to be without cover and it is time to say so."""
    opened = [m for m in outage.members if m.cover in OPEN]
    if outage.alone:  # a set that failed to start is told by its own alert
        opened = [m for m in opened if m.cover == "unproven"]
    if outage.ended_at is not None or len(opened) <= outage.told_open or outage.told >= TELL_MOST:
        return outage
    life = any(m.criticality == "life" and m.since > outage.told_at for m in opened)
    waits = TELL_AGAIN_S[min(outage.told, len(TELL_AGAIN_S)) - 1] if outage.told else 0
    if now - outage.told_at < (min(waits, LIFE_WAIT_S) if life else waits):
        return outage
    return msgspec.structs.replace(outage, told=outage.told + 1, told_at=now, told_open=len(opened))


def severity_of(members: Iterable[OutageMember]) -> Severity:
    """Act now: somebody has no cover or none proven; Same day: fuel runs low; else a Note.

    Gives: a word. Definition.
    """
    counts = tally(members)
    if any(counts.get(cover) for cover in OPEN):
        return "act_now"
    return "same_day" if counts.get("low_fuel") else "note"


def finding(outage: Outage) -> Finding:
    """What the outage's episode says: how many fare how, and who is called first.

    Gives: a record. Definition.
    """
    counts = tally(outage.members)
    first = call_list(outage.members)[0] if outage.members else None
    return Finding(
        part=str(outage.began_at),
        severity=severity_of(outage.members),
        since=outage.began_at,
        learned_at=outage.opened_at,
        facts=MainsOutage(
            area=outage.area,
            alone=outage.alone,
            told=outage.told,
            sets=len(outage.members),
            sites=len({m.site for m in outage.members}),
            cover=dict(counts),
            earliest_at=outage.began_earliest,
            ended_at=outage.ended_at,
            first=first.unit if first is not None and first.cover in OPEN else "",
        ),
    )


def comeback_s(past: Iterable[OutageMember]) -> int:
    """How long after the mains is back a site is heard again: the longest of its last five times,
    within 5 min and 2 h; 20 min where it is not learned yet.

    Gives: [s]. Common practice, no source.
    """
    waits = [
        m.heard_again_at - m.back_at
        for m in past
        if m.heard_again_at is not None and m.back_at is not None
    ]
    if not waits:
        return COMEBACK_S
    return max(COMEBACK_LEAST_S, min(COMEBACK_MOST_S, max(waits[-5:])))
