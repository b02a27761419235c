"""Findings and what became of them: alerts with their steps, and outages, for who may see them."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta

from dashboard.views import facts
from dashboard.views.audience import Say, sentence_for
from dashboard.views.contract import Form, Next, View, view_of
from dashboard.views.named import staff_name
from fleet.model import SEVERITIES, Episode, Finding, Outage, OutageMember, Scope, Step
from fleet.model.telemetry import Facts
from scheduler import alarms
from scheduler.outage import call_list
from scheduler.outage import finding as finding_of


class FindingView(View, frozen=True, kw_only=True):
    """What a rule saw, with its facts and its sentence. Moments are UTC seconds."""

    form = Form(
        moments=frozenset({"unheard_since"}),
        types={"facts": facts.FACTS},
        about={"facts": "of its kind, which they name; each with its unit"},
    )
    kind: str
    part: str
    severity: str
    since: int
    learned_at: int | None
    unheard_since: Annotated[int | None, Meta(description="its value was not heard anew since")]
    facts: Facts
    title: str
    sentence: str
    cautions: tuple[str, ...]


def finding_view(finding: Finding, zone: str, now: int, say: Say) -> FindingView:
    """A finding as it is told: its sentence is of the site's zone, at `now` (UTC seconds)."""
    said = say(finding, zone, now)
    return FindingView(
        kind=finding.kind,
        part=finding.part,
        severity=finding.severity,
        since=finding.since,
        unheard_since=finding.unheard_since,
        learned_at=finding.learned_at,
        facts=facts.finding_facts(finding.facts),
        title=said.title,
        sentence=said.text,
        cautions=said.cautions,
    )


def worst(findings: tuple[Finding, ...]) -> Finding | None:
    """The gravest finding, the oldest of equals; notes count as nothing to do."""
    grave = [f for f in findings if f.severity != "note"]
    return min(grave, key=lambda f: (SEVERITIES.index(f.severity), f.since), default=None)


class StepView(Step, View, frozen=True, kw_only=True):
    """One step of an alert."""

    form = Form(
        hidden=frozenset({"episode", "finding", "cause"}),
        moments=frozenset({"until"}),
        about={
            "state": "state after the step; empty in old ones",
            "until": "end of a shelf",
        },
    )


class AlertView(FindingView, frozen=True, kw_only=True):
    """An episode: what was found, newest state, and what became of it."""

    id: str
    subject: str
    unit: str | None
    opened_at: int
    acknowledged_at: int | None
    closed_at: int | None
    state: Annotated[
        str,
        Meta(
            description="after ANSI/ISA-18.2: unacknowledged, acknowledged, returned, "
            "shelved, suppressed, out_of_service, normal"
        ),
    ]
    crossings: Annotated[
        int, Meta(description="how often the condition went and came back meanwhile")
    ]
    steps: tuple[StepView, ...]


def alert_view(episode: Episode, zone: str, now: int, scope: Scope) -> AlertView:
    """An episode for who may see it; the names of the firm's people are for the firm."""
    kind, _, name = episode.subject.partition(":")
    return view_of(
        AlertView,
        finding_view(episode.finding, zone, now, sentence_for(scope)),
        id=episode.id,
        subject=episode.subject,
        unit=name if kind == "unit" else None,
        severity=episode.severity,
        opened_at=episode.opened_at,
        acknowledged_at=episode.acknowledged_at,
        closed_at=episode.closed_at,
        state=alarms.state_of(episode),
        crossings=alarms.crossings(episode),
        steps=tuple(view_of(StepView, s, by=staff_name(scope, s.by)) for s in episode.steps),
    )


class OutageUnitView(OutageMember, View, frozen=True, kw_only=True):
    """How one set fares in an outage."""

    form = Form(
        renamed={"lost_earliest": "lost_earliest_at", "here": "lost_seen_here"},
        hidden=frozenset({"heard_again_at", "fuel_h", "ran"}),
        moments=frozenset({"lost_earliest"}),
        about={
            "cover": "failed, not_running, bad_output, no_voltage, unproven, waiting, low_fuel, "
            "covered, aside or mains_back",
            "lost_earliest": "null: seen to the report",
            "here": "false: known from its neighbours only",
        },
    )


class OutageView(View, frozen=True, kw_only=True):
    """An outage, its sets in the order in which they are to be called."""

    id: str
    subject: str
    area: str
    one_site: Annotated[bool, Meta(description="one site alone: its own main switch or a fuse")]
    part_of: Annotated[
        str | None, Meta(description="the outage of the area it turned out to be part of")
    ]
    began_at: int
    began_earliest_at: int | None
    ended_at: int | None
    severity: str
    sentence: str
    cautions: tuple[str, ...]
    units: tuple[OutageUnitView, ...]


def outage_view(outage: Outage, now: int, say: Say) -> OutageView:
    """An outage as it is told at `now` (UTC seconds), in the zone it began in."""
    found = finding_of(outage)
    said = say(found, outage.zone, now)
    return OutageView(
        id=outage.id,
        subject=outage.subject,
        area=outage.area,
        one_site=outage.alone,
        part_of=outage.into or None,
        began_at=outage.began_at,
        began_earliest_at=outage.began_earliest,
        ended_at=outage.ended_at,
        severity=found.severity,
        sentence=said.text,
        cautions=said.cautions,
        units=tuple(view_of(OutageUnitView, one) for one in call_list(outage.members)),
    )


class AlertPage(View, frozen=True, kw_only=True):
    """A page of alerts."""

    items: tuple[AlertView, ...]
    next: Next


class OutagePage(View, frozen=True, kw_only=True):
    """A page of outages."""

    items: tuple[OutageView, ...]
    next: Next
