"""What `hourhand rounds plan`, `show` and `insert` do; imported when one of them is asked for."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from typing import Any

import msgspec
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

from fleet import clock, words
from fleet.calendar import local
from fleet.model import EVERYTHING, Job
from fleet.registry import lists
from fleet.registry.base.engine import Registry
from fleet.registry.base.faults import RegistryFault
from fleet.registry.office import kept_jobs, kept_rounds, technicians
from fleet.registry.office.kept_rounds import Ask
from fleet.registry.people.model import Actor
from fleet.words import job_sentences, plan_sentences
from hourhand.options import registry_of, settings_of
from scheduler import dispatch, publishing, rounds
from scheduler.turns import planning

BY = "the command line"


def with_registry(
    options: argparse.Namespace,
    act: Callable[[Registry, rounds.Travel, argparse.Namespace], int],
) -> int:
    """Exit codes: 0 done, 1 nothing to show or not possible, 2 wrong use or settings."""
    loaded = settings_of(options)
    registry = registry_of(loaded)
    try:
        return act(registry, publishing.road(loaded.road_table_url), options)
    except RegistryFault as fault:
        return _said(str(fault), 1)
    finally:
        registry.close()


def plan(registry: Registry, travel: rounds.Travel, options: argparse.Namespace) -> int:
    """Plan now, here, and say how it goes; the scheduler need not run."""
    if not 1 <= options.seconds <= 3600 or not 1 <= options.days <= 28:
        return _said("Search 1 to 3600 seconds and plan 1 to 28 days.", 2)
    what, now = Ask(seconds=options.seconds, days=options.days), clock.now()
    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, disable=options.json) as progress:
        bar = progress.add_task("reading the book", total=1.0)

        def tell(step: rounds.Progress) -> None:
            progress.update(bar, completed=step.share, description=step.step)

        context = rounds.PlanContext(travel=travel, tell=tell)
        found = planning.plan_rounds(registry, now, what, BY, context)
        progress.update(bar, completed=1.0)
    if found.plan is None:
        return _said(planning.sentence(found, now), 1)
    if options.publish and found.draft is not None:
        publishing.publish(registry, found.plan, Actor(BY), clock.now(), "")
    if options.json:
        return _json(
            {
                "new": found.new,
                "said": planning.sentence(found, now),
                "draft": found.draft,
                "published": options.publish and found.draft is not None,
                "plan": found.plan,
                **_outside(publishing.outside(registry, EVERYTHING, found.plan, now)),
            }
        )
    _print(f"{planning.sentence(found, now)} {yardstick(found.plan)}".strip())
    return 0


def yardstick(plan: rounds.RoundPlan) -> str:
    """The plan beside the same weeks planned by hand; "" for one kept from before there was that."""
    m = plan.metrics
    if m.by_hand_km is None or m.by_hand_jobs is None:
        return ""
    made = plan_sentences.Driven(m.km, m.jobs, m.due_done)
    hand = plan_sentences.Driven(m.by_hand_km, m.by_hand_jobs, m.by_hand_due_done or 0)
    said = f"Against by hand: {plan_sentences.yardstick(made, hand, m.does_as_much)}."
    if m.same_by_hand_km is not None:
        said += f" The same jobs by hand: {m.same_by_hand_km:.0f} km."
    return said


def show(registry: Registry, travel: rounds.Travel, options: argparse.Namespace) -> int:
    """The plan in force, or the draft."""
    found = (
        kept_rounds.draft(registry, EVERYTHING)
        if options.draft
        else kept_rounds.in_force(registry, EVERYTHING)
    )
    if found is None:
        return _said(
            "There is no draft."
            if options.draft
            else "There are no rounds yet: `hourhand rounds plan`.",
            1,
        )
    plan = dispatch.decode(found.doc)
    out = publishing.outside(registry, EVERYTHING, plan, clock.now())
    if options.json:
        return _json(
            {
                "published": found.published,
                "made_at": found.made_at,
                "made_by": found.made_by,
                "plan": plan,
                **_outside(out),
            }
        )
    ids = {job for one in plan.rounds for job in one.jobs} | {u.job for u in plan.unplanned}
    jobs = kept_jobs.by_id(registry, EVERYTHING, ids)
    _print_table(_rounds_table(registry, plan, jobs))
    if plan.unplanned:
        _print_table(_left_table(plan, jobs))
    if out.jobs:
        _print_table(_unknown_table(out.jobs))
    if out.sets:
        _print(plan_sentences.in_no_round(len(out.sets)))
        _print_table(_sets_table(registry, out.sets))
    return 0


def _outside(out: dispatch.Outside) -> dict[str, Any]:
    """What has no day, for programs."""
    return {
        "in_no_round": [
            {
                "unit": one.unit,
                "kind": one.episode.kind,
                "severity": one.episode.severity,
                "alert": one.episode.id,
                "job": one.job.id if one.job else None,
            }
            for one in out.sets
        ],
        "not_in_plan": [job.id for job in out.jobs],
    }


def _unknown_table(jobs: Sequence[Job]) -> Table:
    table = _table(plan_sentences.NOT_IN_PLAN.lower(), "unit", "why")
    for job in jobs:
        table.add_row(job.title, job.unit, plan_sentences.NOT_IN_PLAN_WHY)
    return table


def _sets_table(registry: Registry, sets: Sequence[dispatch.Wanting]) -> Table:
    table = _table("in no round", "unit", "site", "job")
    for one in sets:
        row = lists.unit(registry, EVERYTHING, one.unit)
        zone = row.site.time_zone if row else "UTC"
        said = words.sentence(one.episode.finding, zone, clock.now())
        table.add_row(
            f"{words.severity(one.episode.severity)}: {said.title}",
            one.unit,
            row.site.name if row else "",
            one.job.title if one.job else "none yet",
        )
    return table


def _table(*headings: str) -> Table:
    table = Table(box=None, pad_edge=False)
    for heading in headings:
        table.add_column(heading, overflow="fold")
    return table


def _rounds_table(registry: Registry, plan: rounds.RoundPlan, jobs: dict[str, Job]) -> Table:
    names = {one.id: one.name for one in technicians.technicians(registry)}
    places = kept_rounds.places(
        registry, EVERYTHING, {s.site for r in plan.rounds for s in r.stops}
    )
    table = _table("day", "technician", "arrive", "site", "work", "km")
    for one in plan.rounds:
        for stop in one.stops:
            site = places.get(stop.site)
            table.add_row(
                one.day,
                names.get(one.technician, one.technician),
                local(stop.arrive, plan.zone).strftime("%H:%M"),
                site[0].name if site else stop.site,
                ", ".join(jobs[id].title for id in stop.jobs if id in jobs),
                f"{stop.metres / 1000:.0f}",
            )
    return table


def _left_table(plan: rounds.RoundPlan, jobs: dict[str, Job]) -> Table:
    table = _table("left out", "unit", "why", "", "earliest")
    for one in plan.unplanned:
        if one.job in jobs:
            job = jobs[one.job]
            table.add_row(
                job.title,
                job.unit,
                job_sentences.REASONS[one.reason.value],
                one.detail,
                one.earliest or "",
            )
    return table


def insert(registry: Registry, travel: rounds.Travel, options: argparse.Namespace) -> int:
    """At most two ways to fit a job into the plan in force, from now on; nothing is changed."""
    job = kept_jobs.job(registry, EVERYTHING, options.job)
    told = kept_rounds.in_force(registry, EVERYTHING)
    if job is None or told is None:
        return _said("There is no such job, or no plan in force to fit it into.", 1)
    now = clock.now()
    ways = publishing.proposals(registry, job, now, travel)
    if options.json:
        return _json(
            [
                {
                    "kind": w.kind,
                    "technician": w.technician,
                    "day": w.day,
                    "arrive_at": w.arrive,
                    "disturbed": len(w.changes.disturbed),
                    "price": w.price,
                    "uses_reserve": w.uses_reserve,
                }
                for w in ways
            ]
        )
    if not ways:
        return _said("Nobody with the skill has a place for it in the planned days.", 1)
    zone = dispatch.decode(told.doc).zone
    table = _table("way", "technician", "day", "arrive", "disturbs", "costs")
    for w in ways:
        table.add_row(
            w.kind,
            w.technician,
            w.day,
            local(w.arrive, zone).strftime("%H:%M"),
            str(len(w.changes.disturbed)),
            f"{w.price:.0f}",
        )
    _print_table(table)
    _print(f"Take one of them on the page /rounds/insert/{job.id}.")
    return 0


def _print_table(table: Table) -> None:
    console = Console(markup=False, highlight=False)
    if not console.is_terminal:
        console = Console(markup=False, highlight=False, width=250)
    console.print(table)


def _print(text: str) -> None:
    sys.stdout.write(f"{text}\n")


def _json(value: Any) -> int:
    sys.stdout.write(msgspec.json.encode(value).decode() + "\n")
    return 0


def _said(text: str, code: int) -> int:
    sys.stderr.write(f"{text}\n")
    return code
