"""A set in a list and a set by itself: what the register, its summary and its assessment say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

from msgspec import Meta

from dashboard import logbook, phrases
from dashboard.request_context import Services
from dashboard.views.audience import readiness_for, sentence_for
from dashboard.views.battery import BatteryView
from dashboard.views.contract import Form, Next, View, view_of
from dashboard.views.device_clock import DeviceClockView, device_clock
from dashboard.views.due import DueView, due_view
from dashboard.views.findings import AlertView, FindingView, finding_view
from dashboard.views.named import SetName, set_name
from dashboard.views.readiness import FuelView, MainsView, ReadinessView, readiness_view
from dashboard.views.register import RegisterRowView, register_row
from dashboard.views.runs import (
    HoursView,
    RunView,
    StartView,
    hours_view,
    run_view,
    start_view,
)
from dashboard.views.starting import ShareView, pooled_view, share_view
from fleet import words
from fleet.channels import CHANNELS
from fleet.model import (
    SEVERITIES,
    Condition,
    Customer,
    Habit,
    Readiness,
    Scope,
    Severity,
    Site,
    Unit,
    UnitSummary,
)
from fleet.registry import lists
from fleet.words import readiness_sentences
from scheduler import assess
from scheduler.rules.reliability import Harder
from scheduler.rules.service import Duty

FINDINGS_IN_A_LINE = 2
"""Named in a row of the list. A page's length."""


class UnitView(View, frozen=True, kw_only=True):
    """A set as a list tells it."""

    form = Form(moments=frozenset({"condition_since", "last_heard_running_at", "learning_until"}))

    unit: str
    site: str
    site_name: str
    customer: str
    customer_name: str
    area: str
    address: str
    time_zone: str
    condition: Annotated[str | None, Meta(description="null: too new, not assessed yet")] = None
    condition_since: int | None = None
    last_heard_running_at: Annotated[
        int | None,
        Meta(description="where it is not known to run now, and nothing since has it standing"),
    ] = None
    heard_at: int | None = None
    newest_at: int | None = None
    engine_hours: HoursView | None = None
    findings: tuple[FindingView, ...] = ()
    last_run: RunView | None = None
    last_start: StartView | None = None
    next_due: DueView | None = None
    readiness: Annotated[ReadinessView | None, Meta(description="null: not looked at yet")] = None
    mains: MainsView | None = None
    adopted: Annotated[bool, Meta(description="no meter has been on its volts yet")] = False
    learning_until: Annotated[int | None, Meta(description="null: over")] = None


def unit_view(
    unit: Unit,
    site: Site,
    customer: Customer,
    summary: UnitSummary | None,
    now: int,
    scope: Scope,
) -> UnitView:
    """A set from its rows of the register and its summary; now: UTC seconds."""
    bare = UnitView(
        unit=unit.id,
        site=site.id,
        site_name=site.name,
        customer=customer.id,
        customer_name=customer.name,
        area=unit.area,
        address=site.address,
        time_zone=site.time_zone,
    )
    if summary is None:
        return bare
    return view_of(
        UnitView,
        bare,
        condition=summary.condition,
        condition_since=summary.condition_since,
        last_heard_running_at=summary.ran_at,
        heard_at=summary.heard_at,
        newest_at=summary.newest_at,
        engine_hours=hours_view(summary.hours),
        findings=tuple(
            finding_view(f, site.time_zone, now, sentence_for(scope)) for f in summary.findings
        ),
        last_run=run_view(summary.last_run) if summary.last_run else None,
        last_start=start_view(summary.last_start) if summary.last_start else None,
        next_due=due_view(summary.next_due, unit) if summary.next_due else None,
        readiness=readiness_view(summary.readiness, site.time_zone, now, scope),
        mains=view_of(MainsView, summary.mains),
        adopted=summary.adopted,
        learning_until=summary.learning_until,
    )


class ReadingNowView(View, frozen=True, kw_only=True):
    """The newest value of a channel."""

    form = Form(name="ReadingNow")

    channel: str
    unit: Annotated[str, Meta(description="unit of the value; the channel's name carries it too")]
    value: float
    at: int
    calibrated: bool


def reading_view(reading: logbook.Now) -> ReadingNowView:
    """A newest value with its unit."""
    return ReadingNowView(
        channel=reading.channel,
        unit=CHANNELS[reading.channel].unit if reading.channel in CHANNELS else "",
        value=reading.value,
        at=reading.at,
        calibrated=reading.calibrated,
    )


class UnitFullView(UnitView, frozen=True, kw_only=True):
    """A set by itself: what the list says, and what its newest assessment adds."""

    fuel: FuelView | None
    battery: BatteryView | None
    devices: tuple[str, ...]
    clocks: Annotated[tuple[DeviceClockView, ...], Meta(description="of its devices, as learned")]
    register_facts: Annotated[RegisterRowView, Meta(description="the register's row of this unit")]
    readings: tuple[ReadingNowView, ...]
    due: tuple[DueView, ...]
    habit: Habit | None
    gap_s: int | None
    silent_limit_s: int | None
    blind_spots: tuple[str, ...]
    starts_unit: Annotated[ShareView | None, Meta(description="a year of this set")]
    starts_model: Annotated[ShareView | None, Meta(description="of all sets of its model")]
    starts_fleet: Annotated[ShareView | None, Meta(description="of all sets")]
    harder_starting: tuple[Harder, ...]
    harder_not_judged: Annotated[str, Meta(description="why not, where it is not judged")]
    duty: Duty | None


def unit_full(
    services: Services,
    scope: Scope,
    unit: Unit,
    site: Site,
    customer: Customer,
    summary: UnitSummary | None,
) -> UnitFullView:
    """One set with everything that is told of it, to who may see it."""
    now = services.clock()
    inputs = lists.inputs(services.registry, scope, unit.id)
    verdict = assess.read(lists.assessment(services.registry, scope, unit.id))
    of_model, of_all = lists.start_counts(services.registry, scope, unit.make, unit.model)
    return view_of(
        UnitFullView,
        unit_view(unit, site, customer, summary, now, scope),
        fuel=view_of(FuelView, verdict.fuel) if verdict else None,
        battery=view_of(BatteryView, verdict.battery) if verdict else None,
        devices=tuple(pulse.device for pulse in inputs.pulses) if inputs else (),
        clocks=tuple(device_clock(p, site.time_zone, now) for p in inputs.pulses) if inputs else (),
        register_facts=register_row(unit, scope),
        readings=tuple(reading_view(r) for r in logbook.readings_now(inputs, now))
        if inputs
        else (),
        due=tuple(due_view(item, unit) for item in verdict.due) if verdict else (),
        habit=verdict.habit if verdict else None,
        gap_s=verdict.gap_s if verdict else None,
        silent_limit_s=verdict.silent_limit_s if verdict else None,
        blind_spots=verdict.blind if verdict else (),
        starts_unit=share_view(verdict.starts.share, 1) if verdict else None,
        starts_model=pooled_view(of_model) if verdict else None,
        starts_fleet=pooled_view(of_all) if verdict else None,
        harder_starting=verdict.starts.harder if verdict else (),
        harder_not_judged=verdict.starts.not_judged if verdict else "",
        duty=verdict.ahead.duty if verdict else None,
    )


class KnownView(View, frozen=True, kw_only=True):
    """A set as it was known at a moment, and the alerts that stood then."""

    form = Form(name="Known", about={"known_at": "when it was looked at last; null: not yet"})
    at: int
    known_at: int | None
    unit: UnitView
    alerts: tuple[AlertView, ...]


class UnitPage(View, frozen=True, kw_only=True):
    """A page of sets."""

    items: Sequence[UnitView]
    next: Next


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingMark:
    """A finding in a few words."""

    severity: Severity
    title: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitLine:
    """A set as one line of a list. condition None: too new; said: in words. findings: the gravest; more: of others.

    why: the reason or proof of its readiness, without the word that stands beside it.
    """

    set: SetName
    condition: Condition | None
    said: str
    ready: Readiness
    why: str
    heard: str
    hours: str
    findings: list[FindingMark]
    more: int


def unit_line(
    unit: Unit,
    site: Site,
    customer: Customer,
    summary: UnitSummary | None,
    now: int,
    scope: Scope,
) -> UnitLine:
    """A set in words at `now` (UTC seconds)."""
    zone = site.time_zone
    grave = [f for f in (summary.findings if summary else ()) if f.severity != "note"]
    grave.sort(key=lambda f: (SEVERITIES.index(f.severity), f.since))
    heard = summary.heard_at if summary else None
    hours = summary.hours.hours_h if summary else None
    held = summary.readiness if summary else None
    return UnitLine(
        set=set_name(unit, site, customer),
        condition=summary.condition if summary else None,
        said=condition_words(summary, zone, now),
        ready=held.state if held else "unknown",
        why=ready_why(summary, zone, now, scope),
        heard="never" if heard is None else phrases.fresh(heard, zone, now),
        hours="" if hours is None else words.hours(hours),
        findings=[
            FindingMark(severity=f.severity, title=sentence_for(scope)(f, zone, now).title)
            for f in grave[:FINDINGS_IN_A_LINE]
        ],
        more=max(0, len(grave) - FINDINGS_IN_A_LINE),
    )


def condition_words(summary: UnitSummary | None, zone: str, now: int) -> str:
    """Its condition, with when it was last heard running where no more is known; "" too new."""
    if summary is None:
        return ""
    return readiness_sentences.condition_now(summary, zone, now)


def ready_why(summary: UnitSummary | None, zone: str, now: int, scope: Scope) -> str:
    """The reason or proof of its readiness, without the word that stands beside it."""
    held = summary.readiness if summary else None
    said = readiness_for(scope, held, zone, now).partition(": ")[2]
    return said[:1].upper() + said[1:]
