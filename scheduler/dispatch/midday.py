"""A plan made in mid-day, with the morning that has begun in front."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import msgspec

from fleet.calendar import local_date
from fleet.model import Job, JobStep
from fleet.model.book import Board
from fleet.model.round_plan import Round, RoundPlan, Stop
from scheduler.rounds.model import Seen


def begun(plan: RoundPlan, now: int, known: Mapping[str, Seen]) -> bool:
    """Whether work of a plan has begun on a day that is not over yet, by the plan or by what was
    recorded of its jobs."""
    today = local_date(now, plan.zone)
    return any(one.depart <= now < one.back for one in plan.rounds) or any(
        what.state == "under_way" or (what.at and local_date(what.at, plan.zone) == today)
        for what in known.values()
    )


def seen(job: Job, steps: Iterable[JobStep]) -> Seen | None:
    """What a job's life says of where people are; None: nobody has been there.

    Of a job that waits for something or was dropped: gone, so that nobody is thought to be there.
    """
    last = {step.kind: step.at for step in steps}
    if job.state in ("done", "billed"):
        return Seen(state="done", at=last.get("finish", 0))
    if job.state == "part_done":
        return Seen(state="part_done", at=last.get("part_done", 0))
    if job.state == "under_way":
        return Seen(state="under_way", at=last.get("begin", 0), duration_s=60 * job.minutes)
    return Seen(state="gone") if job.state in ("dropped", "waiting_yes") else None


def recorded(board: Board) -> dict[str, Seen]:
    """What people recorded of the jobs of the plan in force, by job; without those nobody went to."""
    found = {one.job.id: seen(one.job, one.steps) for one in board.recorded}
    return {job: what for job, what in found.items() if what is not None}


def recorded_today(board: Board, now: int) -> dict[str, Seen] | None:
    """What was recorded of the plan in force, where its day has begun; None where it has not."""
    plan, known = board.in_force, recorded(board)
    return known if plan is not None and begun(plan, now, known) else None


def with_begun(
    told: RoundPlan | None,
    made: RoundPlan,
    now: int,
    known: Mapping[str, Seen],
) -> RoundPlan:
    """A plan made in mid-day, with today's stops of the plan in force that have begun in front.

    So that a technician's list keeps its morning. known: what was recorded of the jobs of the plan
    in force. Days before the new plan's first are left out, and work nobody went for.
    """
    if told is None:
        return made
    again = {job for one in made.rounds for job in one.jobs} | {u.job for u in made.unplanned}
    rest = {(one.technician, one.day): one for one in made.rounds}
    for old in told.rounds:
        stops = tuple(filter(None, (_begun(stop, again, now, known) for stop in old.stops)))
        if old.day == made.first_day and stops:
            key = (old.technician, old.day)
            rest[key] = _joined(old, stops, rest.get(key))
    ordered = sorted(rest.values(), key=lambda one: (one.day, one.technician))
    return msgspec.structs.replace(made, rounds=tuple(ordered))


def _begun(stop: Stop, again: set[str], now: int, known: Mapping[str, Seen]) -> Stop | None:
    """The part of a stop that has begun, by its records or else by the plan, and is not planned
    anew."""
    pairs = [
        (job, start)
        for job, start in zip(stop.jobs, stop.starts, strict=True)
        if job not in again and (known[job].state != "gone" if job in known else start <= now)
    ]
    if not pairs:
        return None
    return msgspec.structs.replace(
        stop, jobs=tuple(job for job, _ in pairs), starts=tuple(start for _, start in pairs)
    )


def _joined(old: Round, stops: tuple[Stop, ...], new: Round | None) -> Round:
    """What has begun of a round and what is left of it, as one; work at one place is one stop."""
    if new is None:
        return msgspec.structs.replace(old, stops=stops)
    last, following = stops[-1], new.stops
    if following and following[0].site == last.site and not following[0].metres:
        more = following[0]
        last = msgspec.structs.replace(
            last,
            jobs=(*last.jobs, *more.jobs),
            starts=(*last.starts, *more.starts),
            finish=more.finish,
            late_days=max(last.late_days, more.late_days),
            pulled_forward=(*last.pulled_forward, *more.pulled_forward),
        )
        following = following[1:]
    return msgspec.structs.replace(
        new,
        depart=old.depart,
        stops=(*stops[:-1], last, *following),
        lunch=new.lunch or old.lunch,
        metres=new.metres + sum(stop.metres for stop in stops),
        travel_s=new.travel_s + sum(stop.travel_s for stop in stops),
        work_s=new.work_s + sum(stop.finish - stop.start for stop in stops),
    )
