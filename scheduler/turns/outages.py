"""The outages of a turn: looked at after its units, written in one transaction of their own."""

from __future__ import annotations

from collections.abc import Sequence, Set
from dataclasses import dataclass, field
from typing import NamedTuple

import msgspec

from fleet.findings import row_of
from fleet.findings.mains import MainsOutage
from fleet.model import EVERYTHING, Criticality, Episode, Finding, Outage, Step, UnitSummary
from fleet.registry import lists, unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.facts.rows import UnitInputs
from fleet.registry.lists import SetRow
from fleet.registry.told import alerts as told
from fleet.registry.told import kept_outages
from fleet.registry.told.episodes import write_alone
from fleet.registry.told.kept_outages import OutageTurn
from fleet.registry.told.rows import AlertChanges
from scheduler import alarms, outage
from scheduler.alarms import AlertNews, Office
from scheduler.alarms.notification import ESCALATE_FOR_S
from scheduler.alarms.waking import CRITICALITIES
from scheduler.assess.habit import held_back_s
from scheduler.outage import SetNow
from scheduler.outage.cover import OPEN, key
from scheduler.outage.stepping import RECENT_S
from scheduler.turns import wording

EVERY_S = 10
"""While an outage goes on it is looked at so often, besides at every news of its sets. A pace of
ours."""
ESCALATE_EVERY_S = 15
TRIES = 3
"""Between two looks at unanswered alerts, and tries of a write that met another writer. A pace of
ours."""


@dataclass(slots=True)
class Places:
    """What a turn heard of that concerns outages, and when they were last looked at."""

    areas: set[str] = field(default_factory=set)
    sites: set[str] = field(default_factory=set)
    silent: int = 0
    looked_at: int = 0
    escalated_at: int = 0
    news: set[tuple[str, str]] = field(default_factory=set)
    """(area, site) of every unit that was looked at since the outages were."""

    def newly_silent(self) -> int:
        """How many looks found a set silent since this was asked last."""
        many, self.silent = self.silent, 0
        return many

    def note(self, inputs: UnitInputs, summary: UnitSummary) -> None:
        """Remember a unit whose mains is gone, or that fell silent."""
        if "absent" in (summary.mains.state, summary.mains.last):
            self.areas.add(inputs.unit.area)
            self.sites.add(inputs.site.id)
        self.silent += summary.condition == "not_reporting"
        self.news.add((inputs.unit.area, inputs.site.id))


class Heard(NamedTuple):
    """Areas and sites where the mains was heard to be gone since the last look."""

    areas: Set[str] = frozenset()
    sites: Set[str] = frozenset()


def look(registry: Registry, places: Places, office: Office, now: int) -> int:
    """Look at the outages where something is known of them; returns how many were written.

    A step of somebody else in between makes it look again, at most three times; the rest comes in
    the next turn.
    """
    due = bool(places.areas) or not 0 <= now - places.looked_at < EVERY_S
    if not due:
        return 0
    heard = Heard(frozenset(places.areas), frozenset(places.sites))
    places.areas.clear()
    places.sites.clear()
    places.news.clear()
    going = kept_outages.going_on(registry, now - RECENT_S)
    places.looked_at = now
    if not heard.areas and not going:
        return 0
    for _ in range(TRIES):
        turn = work_out(registry, going, heard, office, now)
        if not turn.outages or kept_outages.write_outages(registry, turn, now):
            return len(turn.outages)
        going = kept_outages.going_on(registry, now - RECENT_S)
    places.areas |= heard.areas
    places.sites |= heard.sites
    return 0


def work_out(
    registry: Registry,
    going: Sequence[Outage],
    heard: Heard,
    office: Office,
    now: int,
) -> OutageTurn:
    """What one look finds, written by nobody yet."""
    of_going, at_going = where_of(going)
    rows = lists.sets_of(registry, EVERYTHING, heard.areas | of_going, heard.sites | at_going)
    changed = outage.step(going, [set_now(row) for row in rows], now)
    by_site = {row.site.id: row for row in rows}
    before = {o.id: o for o in going}
    open_now = {e.id: e for e in unscoped.open_episodes(registry, {o.subject for o in changed})}
    opened: list[Episode] = []
    steps: list[Step] = []
    news: list[AlertNews] = []
    for one in changed:
        was = open_now.get(one.id)
        made, more = _episode(one, was, one.id in before, _name(one, by_site), now)
        opened += made
        steps += more
        episode = next(iter(made), None) or (alarms.grown(was, more) if was else None)
        if episode is not None:
            news.append(_alert_news(one, episode, made, more, by_site))
    return OutageTurn(
        outages=tuple(_news_of(one, before.get(one.id)) for one in changed),
        alerts=AlertChanges(
            opened=opened,
            steps=steps,
            notices=alarms.tell(news, office, now),
            withdrawn=alarms.withdrawn(news),
        ),
        customers={one.id: one.members[0].customer for one in changed if one.alone and one.members},
    )


def where_of(going: Sequence[Outage]) -> tuple[set[str], set[str]]:
    """(areas, sites) whose sets concern these outages; the area "" holds those without one."""
    here = {o.area for o in going if not o.alone and o.lat is None}
    here |= {""} if any(o.lat is not None for o in going) else set()
    return here, {o.subject.partition(":")[2] for o in going if o.alone}


def _episode(
    one: Outage, was: Episode | None, known: bool, place: str, now: int
) -> tuple[list[Episode], list[Step]]:
    """The episode of an outage: opened, changed when it is told again, over when it has ended."""
    found = outage.finding(one)
    facts = msgspec.structs.replace(found.facts, place=place, zone=one.zone)
    found = msgspec.structs.replace(found, facts=facts)
    if was is None:
        return ([] if known else [alarms.opening(one.subject, found, now, name=one.id)]), []
    if one.into:  # held back by the outage of its area, and over with that
        held = alarms.state_of(was)
        if held in alarms.SILENT or held == "returned":
            return [], []
        first = alarms.next_step(was, "suppressed", now, cause=one.into)
        return [], [first, alarms.next_step(alarms.grown(was, [first]), "cleared", now)]
    if one.ended_at is not None:
        return [], alarms.proceed(was, None, now)
    return [], alarms.proceed(was, _as_told(was, found), now)


def _as_told(was: Episode, found: Finding) -> Finding:
    """Its severity as it was told last, until it is told again: its page says the rest."""
    now_, then = found.facts, was.finding.facts
    if isinstance(now_, MainsOutage) and isinstance(then, MainsOutage) and now_.told == then.told:
        return msgspec.structs.replace(found, severity=was.severity)
    return found


def _alert_news(
    one: Outage,
    episode: Episode,
    made: Sequence[Episode],
    steps: Sequence[Step],
    by_site: dict[str, SetRow],
) -> AlertNews:
    first = min(one.members, key=key, default=None)
    row = by_site.get(first.site) if first is not None else None
    opened = [m for m in one.members if m.cover in OPEN]
    there = {m.criticality for m in opened}
    critical: Criticality = next((c for c in CRITICALITIES if c in there), "home")
    return AlertNews(
        episode=episode,
        steps=episode.steps if made else tuple(steps),
        place=_name(one, by_site),
        zone=one.zone,
        criticality=critical,
        mains="off",
        phone=_phone(row) if one.alone and row is not None else "",
        unit=first.unit if one.alone and first is not None else "",
        customer=first.customer if one.alone and first is not None else "",
        path=f"/outages/{one.id}",
    )


def _name(one: Outage, by_site: dict[str, SetRow]) -> str:
    """What people call where it is: the site's name, or the area's."""
    row = by_site.get(one.members[0].site) if one.members else None
    if one.alone and row is not None:
        return row.site.name or row.customer.name
    if one.lat is not None:
        return f"Near {row.site.name}" if row is not None else "Near each other"
    return one.area


def _phone(row: SetRow) -> str:
    return row.site.phone or row.unit.phone or row.customer.phone


def _news_of(one: Outage, before: Outage | None) -> Outage:
    """The outage with only the members that are new or changed: those are written."""
    if before is None:
        return one
    old = {m.unit: m for m in before.members}
    fresh = tuple(m for m in one.members if m != old.get(m.unit))
    return msgspec.structs.replace(one, members=fresh)


def set_now(row: SetRow) -> SetNow:
    """What an outage asks of a set, from what is kept of it."""
    unit, site, summary, pulse = row.unit, row.site, row.summary, row.pulse
    declared = (pulse.habit if pulse else None) or unit.habit
    beats = declared is not None and declared.mode == "on_change"
    report_s = (summary.silent_limit_s or 1200) // 3
    if declared is not None:
        report_s = declared.heartbeat_s if beats else declared.standing_s
        report_s += held_back_s(pulse)
    offline = pulse.status_at if pulse is not None and pulse.online is False else None
    heard = max(filter(None, (summary.heard_at, pulse.heard_at if pulse else None)), default=None)
    return SetNow(
        unit=unit.id,
        site=site.id,
        customer=unit.customer,
        area=unit.area,
        lat=site.lat,
        lon=site.lon,
        zone=site.time_zone,
        criticality=unit.criticality,
        condition=summary.condition,
        mains=summary.mains,
        heard_at=heard,
        report_s=report_s,
        beats=beats,
        promised_at=pulse.next_due_at if pulse else None,
        stood_at=summary.stood_at,
        dark_at=summary.dark_at,
        offline_at=offline,
        says=frozenset(
            says.cover
            for f in summary.findings
            if (says := row_of(f.facts)).cover is not None and f.severity in says.cover_at
        ),
        last_run=summary.last_run,
    )


def escalate(registry: Registry, places: Places, office: Office, now: int) -> int:
    """Tell the next in line of waking alerts that nobody answered; returns how many notices."""
    if 0 <= now - places.escalated_at < ESCALATE_EVERY_S:
        return 0
    places.escalated_at = now
    waiting = told.unanswered(registry, now - ESCALATE_FOR_S)
    made = wording.as_it_stands(registry, alarms.escalate(waiting, office, now), now)
    if made:
        write_alone(registry, AlertChanges(notices=made), now)
    return len(made)
