"""The alerts of one unit in a turn: what may be silent and why, the steps, who is told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from fleet.findings.reporting import NotReporting
from fleet.findings.this_service import OwnLine
from fleet.model import EVERYTHING, Episode, Finding, OutageMember, Step, UnitSummary
from fleet.model.duty import WakingMains
from fleet.registry import lists, unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.facts.rows import UnitInputs
from fleet.registry.office import duty_rota
from fleet.registry.told import kept_outages
from fleet.registry.told.rows import AlertChanges
from scheduler import alarms, outage
from scheduler.alarms import AlertNews, Office, Quiet
from scheduler.assess.last_known import set_aside
from scheduler.outage.stepping import COMEBACK_MOST_S

OFFICE_S = 20
"""Rota, waking table and contacts are read again after this long. A pace of ours."""


@dataclass(slots=True)
class Alerts:
    """What became of a unit's alerts."""

    changes: AlertChanges
    look_again_at: int | None = None


@dataclass(slots=True)
class OfficeCache:
    """What a scheduler process remembers of people between turns. again_s: read again after this
    long; longer only where nobody can change them meanwhile."""

    at: int = 0
    office: Office = field(default_factory=Office)
    again_s: float = OFFICE_S

    def now(self, registry: Registry, now: int) -> Office:
        """Rota, waking table and contacts, at most `again_s` old."""
        if not self.at or not 0 <= now - self.at < self.again_s:
            people = duty_rota.contacts(registry)
            self.office = Office(
                people=people,
                rota=alarms.with_stand_in(duty_rota.rota(registry)[0], people),
                waking=duty_rota.waking(registry)[0],
            )
            self.at = now
        return self.office


class Judged(NamedTuple):
    """What a unit's rules said now."""

    summary: UnitSummary
    findings: Sequence[Finding]


def of_unit(
    registry: Registry,
    inputs: UnitInputs,
    judged: Judged,
    now: int,
    office: Office,
) -> Alerts:
    """The steps in the alerts of one unit, and what people are told of them."""
    summary, findings = judged
    subject = f"unit:{inputs.unit.id}"
    episodes = unscoped.open_episodes(registry, [subject])
    touched = bool(episodes) or any(f.severity != "note" for f in findings)
    members = _outages(registry, inputs.unit.id, now) if touched else []
    silence = _silence_of(registry, episodes, findings, members, now)
    visit = alarms.open_visit(inputs, now)
    quiet = Quiet(
        aside=summary.condition in ("out_of_service", "laid_up"),
        visit=f"visit:{visit[0].id}" if visit is not None else "",
        silence_of=silence,
        silent=_nothing_new(registry, episodes, summary),
        back_at=_back_at(inputs, now),
        taken_at=_taken_at(registry, episodes, judged),
    )
    opened, steps = alarms.step(episodes, subject, findings, now, quiet)
    after = alarms.after_turn(episodes, opened, steps)
    new = {e.id for e in opened}
    news = [_alert_news(e, _told(e, steps, e.id in new), inputs, summary, members) for e in after]
    return Alerts(
        changes=AlertChanges(
            opened=opened,
            steps=steps,
            notices=alarms.tell(news, office, now),
            withdrawn=alarms.withdrawn(news),
        ),
        look_again_at=alarms.look_again(after, now),
    )


def _taken_at(registry: Registry, episodes: Sequence[Episode], judged: Judged) -> int:
    """When the firm took the set on; 0 where no alert may be opened that would ask for it."""
    known = {(e.kind, e.part) for e in episodes}
    if all(f.severity == "note" or (f.kind, f.part) in known for f in judged.findings):
        return 0
    return unscoped.taken_on(registry, judged.summary.unit) or 0


def _back_at(inputs: UnitInputs, now: int) -> int:
    """When the set was put back into service last; 0: never."""
    ends = (spell.to_at for spell in set_aside(inputs))
    return max((end for end in ends if end is not None and end <= now), default=0)


def _nothing_new(registry: Registry, episodes: Sequence[Episode], summary: UnitSummary) -> bool:
    """Whether nothing was heard of the set since it was looked at last."""
    if not episodes or summary.condition not in ("not_reporting", "no_device"):
        return False
    row = lists.unit(registry, EVERYTHING, summary.unit)
    return row is not None and row.summary is not None and row.summary.heard_at == summary.heard_at


Membership = tuple[kept_outages.Outage, OutageMember]


def _outages(registry: Registry, unit: str, now: int) -> list[Membership]:
    return kept_outages.member_of(registry, unit, now - COMEBACK_MOST_S)


def _silence_of(
    registry: Registry,
    episodes: Sequence[Episode],
    findings: Sequence[Finding],
    members: Sequence[Membership],
    now: int,
) -> str:
    """What explains the set's silence: its outage, until its own comeback time after the mains is
    back; else an alert on our own line that it fell silent with; '' for nothing."""
    about = [*findings, *(e.finding for e in episodes)]
    silent = [
        (f.facts, f.since)
        for f in about
        if isinstance(f.facts, NotReporting) and f.severity != "note"
    ]
    if not silent:
        return ""
    for out, member in members:
        if out.ended_at is None:
            return out.id
        wait_s = outage.comeback_s(kept_outages.past_of(registry, member.unit))
        if member.heard_again_at is None and now < out.ended_at + wait_s:
            return out.id
    for line in unscoped.open_episodes(registry, ["service"]):
        window, (facts, since) = line.finding.facts, silent[0]
        begun = since if facts.silent_since is None else facts.silent_since
        if isinstance(window, OwnLine) and window.from_at <= begun <= window.to_at:
            return line.id
    return ""


def _told(episode: Episode, steps: Sequence[Step], new: bool) -> tuple[Step, ...]:
    """The steps of this turn in an alert: all of a new one's."""
    return episode.steps if new else tuple(s for s in steps if s.episode == episode.id)


def _mains(summary: UnitSummary) -> WakingMains:
    """What a set's own sensing says of its mains, however old; not_sensed where it never did."""
    said = summary.mains.state if summary.mains.last == "unknown" else summary.mains.last
    if said == "unknown":
        return "not_sensed"
    return "off" if said == "absent" else "on"


def _alert_news(
    episode: Episode,
    steps: tuple[Step, ...],
    inputs: UnitInputs,
    summary: UnitSummary,
    members: Sequence[Membership],
) -> AlertNews:
    """An alert of a unit with what its messages say of the set. members: the outages it is in."""
    unit, site, customer = inputs.unit, inputs.site, inputs.customer
    going = [out for out, _ in members if out.ended_at is None]
    return AlertNews(
        episode=episode,
        steps=steps,
        place=site.name or customer.name or unit.id,
        zone=site.time_zone,
        criticality=unit.criticality,
        mains="off" if going else _mains(summary),
        grouped=any(not out.alone for out in going),
        learning=summary.learning_until is not None and summary.at < summary.learning_until,
        adopted=summary.adopted,
        phone=site.phone or unit.phone or customer.phone,
        unit=unit.id,
        customer=customer.id,
    )
