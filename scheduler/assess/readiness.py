"""What the verdict on readiness stands on, out of a unit's days, runs, demands and findings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import msgspec

from fleet.findings.starting import ShutDown
from fleet.model import Evidence, Finding, ReadinessNow, Run, StartDemand
from fleet.registry.facts.rows import UnitInputs
from scheduler import readiness
from scheduler.assess.condition import Now, puzzling_since, ran_at, two_devices
from scheduler.assess.exercise import Looked
from scheduler.assess.findings import ANSWERS
from scheduler.assess.last_known import told_now
from scheduler.assess.made import SET_SIDE, made
from scheduler.day import Day, Halt
from scheduler.readiness import Known, Proof
from scheduler.rules import exercise
from scheduler.rules.battery import BatterySeen
from scheduler.rules.supply import RunPoint

WITH_FAILURE_S = 300
"""A shutdown this near a failed start is that failure again. Common practice, no source."""
CRANKED_LOW = 2
"""The cranking limit is crossed when two of the newest three starts lay under it. Common practice,
no source."""
PROOFS = 6
"""The newest starts by itself that are looked at. Definition."""


@dataclass(frozen=True, slots=True)
class Ready:
    """The verdict and what came with it. edges: moments at which it may look different."""

    now: ReadinessNow
    adopted: bool
    learning_until: int | None
    edges: tuple[int, ...]


def look(
    inputs: UnitInputs,
    days: Sequence[Day],
    demands: Sequence[StartDemand],
    at: Now,
    looked: Looked,
    findings: Sequence[Finding],
    blind: Sequence[str],
    points: Sequence[RunPoint],
    *,
    battery: BatterySeen | None = None,
    out_at_last_run: bool = False,
) -> Ready:
    """Readiness of a unit at `at.now`. demands: all known, rising; looked: its runs with reasons;
    findings: all of them; points: of volts, one a run; battery: the verdict on it.

    Gives: a record. Common practice, no source, as scheduler/readiness.py.
    """
    runs = looked.runs
    begun = begun_at(inputs, days)
    new = adopted(inputs, days)
    limit_s = readiness.proof_limit_s(inputs.unit.criticality, interval_s(inputs, looked, at.now))
    halt = standing_halt(inputs, days, runs, at.now)
    last = runs[-1] if runs else None
    known = Known(
        now=at.now,
        limit_s=limit_s,
        aside=None if at.aside is None else (at.aside.condition, at.aside.from_at),
        silent_since=at.silence.since if at.silent else None,
        fitted=at.silence.fitted,
        begun_at=begun if at.silence.ever else None,
        findings=findings,
        demands=demands,
        runs=runs,
        proofs=proofs(inputs, days, looked, points),
        halted_at=None if halt is None else halt.at,
        halts=tuple(one.at for day in days for one in day.halts),
        hand_at=max((run.start for run in runs if run.why == "by_hand"), default=None),
        last_made="not_seen" if last is None else made(inputs, days, last, points)[0],
        battery="" if battery is None else battery.verdict,
        crank_low_at=None if battery is None else _crank_low_at(battery),
        out_at_last_run=out_at_last_run,
        adopted=new,
        blind=tuple(blind),
    )
    verdict = msgspec.structs.replace(
        readiness.judge(known),
        ran_at=ran_at(inputs, at),
        puzzling_since=puzzling_since(at),
        two_devices=two_devices(at),
    )
    learning = readiness.learning_until(known.begun_at, at.now)
    edges = [edge for edge in (learning,) if edge is not None]
    if verdict.proof_at is not None:
        edges.append(verdict.proof_at + limit_s + 1)
    return Ready(verdict, new, learning, tuple(edges))


def _crank_low_at(battery: BatterySeen) -> int | None:
    """The newest start, where it and another of the newest three fell under the limit."""
    look = battery.cranking
    if look.at is None or look.volts_v is None or look.limit_v is None:
        return None
    crossed = look.volts_v < look.limit_v and look.below >= min(CRANKED_LOW, look.starts)
    return look.at if crossed else None


def begun_at(inputs: UnitInputs, days: Sequence[Day]) -> int | None:
    """When the set began here: its first fitting of a known date, else its first reading.

    Gives: [UTC s], or none. Definition.
    """
    fitted = [f.from_at for f in inputs.fittings if f.from_at is not None]
    everywhere = any(f.from_at is None for f in inputs.fittings)
    first = next((day.first_at for day in days if day.first_at is not None), None)
    if first is None:
        first = min((p.newest_at for p in inputs.pulses if p.newest_at is not None), default=None)
    return min(fitted) if fitted and not everywhere else first


def adopted(inputs: UnitInputs, days: Sequence[Day]) -> bool:
    """Its volts are read, and no meter has been on them yet.

    Gives: yes or no. Definition.
    """
    seen = {name for day in days[-readiness.LEARNING_DAYS :] for name in day.spots}
    seen |= told_now(inputs)
    if not SET_SIDE & seen:
        return False
    checks = (r.facts.get("channel") for r in inputs.records if r.kind == "meter_check")
    return not any(channel in SET_SIDE for channel in checks)


def interval_s(inputs: UnitInputs, looked: Looked, now: int) -> int | None:
    """The longest of the latest intervals between agreed exercises [s]; None: none agreed.

    Gives: [s]. Definition.
    """
    agreed = looked.exercise
    if agreed is None or agreed.next_at is None:
        return None
    dues = [verdict.due_at for verdict in agreed.last[-3:]] + [agreed.next_at]
    if len(dues) < 2:
        after = exercise.following(inputs.unit.exercise, inputs.site.time_zone, agreed.next_at)
        dues += [] if after is None else [after.at]
    return max((b - a for a, b in pairwise(dues)), default=None)


def proofs(
    inputs: UnitInputs, days: Sequence[Day], looked: Looked, points: Sequence[RunPoint]
) -> tuple[Proof, ...]:
    """Runs that began by themselves, rising, with what volts they made.

    Gives: records in volts [V]. Definition.
    """
    runs = {run.start: run for run in looked.runs}
    itself = [reason for reason in looked.reasons if reason.by_itself in ("yes", "likely")]
    found = []
    for reason in itself[-PROOFS:]:
        run = runs.get(reason.start)
        if run is None or reason.why not in ("exercise", "outage"):
            continue
        gave, volts = made(inputs, days, run, points)
        sure = reason.by_itself == "yes"
        found.append(Proof(run.start, reason.why, sure, gave, volts))
    return tuple(found)


def standing_halt(
    inputs: UnitInputs, days: Sequence[Day], runs: Sequence[Run], now: int
) -> Halt | None:
    """The newest shutdown or emergency stop after which nothing ran and nobody was recorded.

    Gives: a record, or none. Definition.
    """
    newest = max((h for day in days for h in day.halts), key=lambda h: h.at, default=None)
    if newest is None or any(run.start > newest.at for run in runs):
        return None
    there = any(r.kind in ANSWERS and newest.at < r.at <= now for r in inputs.records)
    return None if there else newest


def shut_down(
    inputs: UnitInputs,
    days: Sequence[Day],
    runs: Sequence[Run],
    demands: Sequence[StartDemand],
    at: Now,
) -> tuple[Finding, ...]:
    """Act now: it shut itself down, or its emergency stop was pushed. A Note while set aside.

    Left out where a failed start at that moment says the same.
    """
    halt = standing_halt(inputs, days, runs, at.now)
    if halt is None:
        return ()
    failed = [d.at for d in demands if d.end == "failed"]
    if any(abs(moment - halt.at) <= WITH_FAILURE_S for moment in failed):
        return ()
    return (
        Finding(
            severity="note" if at.aside is not None else "act_now",
            since=halt.at,
            facts=ShutDown(event=halt.event, cause=halt.cause),
            evidence=Evidence(from_at=halt.at, to_at=halt.at, note="the device said so"),
        ),
    )
