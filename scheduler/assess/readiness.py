"""What the verdict on readiness stands on, out of a unit's days, runs, demands and findings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice, pairwise

from fleet.calendar import DAY_S
from fleet.channels import AC_VOLTS
from fleet.model import Evidence, Finding, ReadinessNow, Run, StartDemand
from fleet.registry.types import UnitInputs
from scheduler import readiness
from scheduler.assess.condition import ON_LOAD_KW, Now
from scheduler.assess.exercise import Looked
from scheduler.assess.findings import ANSWERS
from scheduler.day import Day, Halt, plate_of
from scheduler.readiness import Known, Made, Proof
from scheduler.rules import exercise, supply
from scheduler.rules.battery import BatterySeen

SET_SIDE = AC_VOLTS - {"mains_v"}
SEEN_READINGS = 3
"""A run of fewer readings says nothing about its volts."""
WITH_FAILURE_S = 300
"""A shutdown this near a failed start is that failure again."""
CRANKED_LOW = 2
"""The cranking limit is crossed when two of the newest three starts lay under it."""
USUAL_RUNS = 5
"""So many runs tell which circuits its device measures. Common practice, no source."""
PROOFS = 6
"""The newest starts by itself that are looked at."""


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
    *,
    battery: BatterySeen | None = None,
    out_at_last_run: bool = False,
) -> Ready:
    """Readiness of a unit at `at.now`. demands: all known, rising; looked: its runs with reasons;
    findings: all of them; battery: the verdict on it."""
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
        proofs=proofs(inputs, days, looked),
        halted_at=None if halt is None else halt.at,
        halts=tuple(one.at for day in days for one in day.halts),
        hand_at=max((run.start for run in runs if run.why == "by_hand"), default=None),
        last_made="not_seen" if last is None else made(inputs, days, last)[0],
        battery="" if battery is None else battery.verdict,
        crank_low_at=None if battery is None else _crank_low_at(battery),
        out_at_last_run=out_at_last_run,
        adopted=new,
        blind=tuple(blind),
    )
    verdict = readiness.judge(known)
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
    """When the set began here: its first fitting of a known date, else its first reading."""
    fitted = [f.from_at for f in inputs.fittings if f.from_at is not None]
    everywhere = any(f.from_at is None for f in inputs.fittings)
    first = next((day.first_at for day in days if day.first_at is not None), None)
    if first is None:
        first = min((p.newest_at for p in inputs.pulses if p.newest_at is not None), default=None)
    return min(fitted) if fitted and not everywhere else first


def adopted(inputs: UnitInputs, days: Sequence[Day]) -> bool:
    """Its volts are read, and no meter has been on them yet."""
    seen = {name for day in days[-readiness.LEARNING_DAYS :] for name in day.spots}
    seen.update(name for pulse in inputs.pulses for name in pulse.latest)
    if not SET_SIDE & seen:
        return False
    checks = (r.facts.get("channel") for r in inputs.records if r.kind == "meter_check")
    return not any(channel in SET_SIDE for channel in checks)


def interval_s(inputs: UnitInputs, looked: Looked, now: int) -> int | None:
    """The longest of the latest intervals between agreed exercises [s]; None: none agreed."""
    agreed = looked.exercise
    if agreed is None or agreed.next_at is None:
        return None
    dues = [verdict.due_at for verdict in agreed.last[-3:]] + [agreed.next_at]
    if len(dues) < 2:
        after = exercise.following(inputs.unit.exercise, inputs.site.time_zone, agreed.next_at)
        dues += [] if after is None else [after.at]
    return max((b - a for a, b in pairwise(dues)), default=None)


def proofs(inputs: UnitInputs, days: Sequence[Day], looked: Looked) -> tuple[Proof, ...]:
    """Runs that began by themselves, rising, with what volts they made."""
    runs = {run.start: run for run in looked.runs}
    itself = [reason for reason in looked.reasons if reason.by_itself in ("yes", "likely")]
    found = []
    for reason in itself[-PROOFS:]:
        run = runs.get(reason.start)
        if run is None or reason.why not in ("exercise", "outage"):
            continue
        gave, volts = made(inputs, days, run)
        sure = reason.by_itself == "yes"
        found.append(Proof(run.start, reason.why, sure, gave, volts))
    return tuple(found)


def made(inputs: UnitInputs, days: Sequence[Day], run: Run) -> tuple[Made, float | None]:
    """Whether a run gave volts, and how many (V between the conductors that nominal_v names).

    On a set with several circuits each that was measured counts: none vouches for another. By its
    settled samples, by a running signal that is itself output volts, by a load it carried,
    else by the highest volts of its days.
    """
    end = run.last_on_at if run.end is None else run.end
    mine = [day for day in days if run.start // DAY_S <= day.day <= end // DAY_S]
    points = [p for day in mine if day.supply for p in day.supply.points if p.start == run.start]
    volts = next((p.volts for p in points if p.volts is not None), None)
    nominal = inputs.unit.nominal_v
    several = next((p.circuits for p in reversed(points) if p.circuits), ())
    missing = usual_circuits(days, run.start) - {c.channel for c in several}
    if supply.uneven(several):
        return "in_part", None if volts is None else round(volts, 1)
    if missing and points:
        return "not_seen", None if volts is None else round(volts, 1)
    if not several and (unsettled := _unsettled(inputs, mine)) is not None:
        return unsettled, None
    if volts is not None:
        return ("yes" if volts >= supply.DEAD_SHARE * nominal else "no"), round(volts, 1)
    signal = inputs.unit.running
    if signal.first.channel in SET_SIDE and (signal.second is None or signal.join == "both"):
        return "yes", None
    if run.peak_load_kw is not None and run.peak_load_kw > ON_LOAD_KW:
        return "yes", None
    highest = _highest(mine)
    tops = [*_shares(inputs, highest), *(v / nominal for v in highest.values())]
    if not tops:
        return "not_seen", None
    if max(tops) >= supply.DEAD_SHARE:
        return "yes", None
    return ("no" if run.readings >= SEEN_READINGS else "not_seen"), None


def usual_circuits(days: Sequence[Day], before: int) -> frozenset[str]:
    """Circuits that most of the newest runs before a moment measured: one that is not heard of any
    more vouches for nothing."""
    points = (
        point
        for day in reversed(days)
        if day.supply
        for point in reversed(day.supply.points)
        if point.start < before
    )
    runs = [{c.channel for c in point.circuits} for point in islice(points, USUAL_RUNS)]
    return frozenset(
        name for name in set().union(*runs) if 2 * sum(name in one for one in runs) > len(runs)
    )


def _highest(mine: Sequence[Day]) -> dict[str, float]:
    """The highest volts of each set-side circuit of some days [V]."""
    highest: dict[str, float] = {}
    for day in mine:
        for name, spot in day.spots.items():
            if name in SET_SIDE:
                highest[name] = max(spot.max, highest.get(name, 0.0))
    return highest


def _shares(inputs: UnitInputs, volts: dict[str, float]) -> list[float]:
    """Volts of the circuits of a set with several, as shares of their own nominals; else none."""
    own = supply.nominals(plate_of(inputs.unit), volts)
    return [volts[name] / nominal for name, nominal in own.items()]


def _unsettled(inputs: UnitInputs, mine: Sequence[Day]) -> Made | None:
    """What the days of a run say of its circuits where none has a settled sample; None: nothing
    speaks against them. A circuit that was dead all day gave nothing; one that stood too high may
    have been starting."""
    tops = _shares(inputs, _highest(mine))
    if len(tops) < 2 or max(tops) < supply.DEAD_SHARE:
        return None
    if min(tops) < supply.DEAD_SHARE:
        return "in_part"
    return "not_seen" if max(tops) >= supply.HIGH_SHARE else None


def standing_halt(
    inputs: UnitInputs, days: Sequence[Day], runs: Sequence[Run], now: int
) -> Halt | None:
    """The newest shutdown or emergency stop after which nothing ran and nobody was recorded."""
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
    facts = {"event": halt.event, "cause": halt.cause}
    return (
        Finding(
            kind="shut_down",
            severity="note" if at.aside is not None else "act_now",
            since=halt.at,
            facts={key: value for key, value in facts.items() if value},
            evidence=Evidence(from_at=halt.at, to_at=halt.at, note="the device said so"),
        ),
    )
