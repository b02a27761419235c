"""An urgent call into a plan in force, at once and without a solver: two ways to do it.

The first disturbs fewest on the first day anybody can be there, the second is there soonest. Nobody
who was told is moved while a place that day exists without it; the day's reserve may be used, that is
what it is for.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import combinations
from typing import Literal

import msgspec

from scheduler.rounds.asked import Key
from scheduler.rounds.changes import difference, placed, still_asked
from scheduler.rounds.drive import Trace, drive, worth
from scheduler.rounds.fill import Days, best_place, bounds
from scheduler.rounds.money import UNIT
from scheduler.rounds.nouns import PlanRequest, Proposal, RoundJob, RoundPlan, Seen, Stop, Travel
from scheduler.rounds.planning import assemble, days_of, view_of
from scheduler.rounds.reasons import early_reason, why
from scheduler.rounds.request import remainder, sound
from scheduler.rounds.terms import Terms
from scheduler.rounds.travel import Estimate
from scheduler.rounds.view import View

Kind = Literal["least", "soonest", "other"]
PUT_OUT = 3
"""At most so many jobs of a day give way (docs/engineering/rounds.md#urgent-work)."""
DAYS_TRIED = 2
"""Jobs give way on this many technician-days nearest to now only, so the answer is at once."""


class Way(msgspec.Struct, frozen=True):
    """One day driven with the urgent job in it, and who gave way."""

    key: Key
    trace: Trace
    out: tuple[str, ...]
    arrive: int
    gain: int
    urgent: str


def insert(
    plan: RoundPlan,
    request: PlanRequest,
    urgent: RoundJob,
    now: int | None = None,
    travel: Travel | None = None,
    seen: Mapping[str, Seen] | None = None,
) -> tuple[Proposal, ...]:
    """At most two proposals, the one that disturbs fewest first; empty: nobody can be there.

    request: what the plan was made from; now: where given, only what is left of the plan then.
    seen: what was recorded of the plan's jobs; what is finished or gone is neither driven to nor
    counted as disturbed, and people are where they were last.
    Jobs that give way are put in elsewhere where they fit and pay, else they wait with a reason.
    The urgent job need not be in the request.
    """
    whole = request if now is None else remainder(request, plan, now, seen)
    jobs = (*(j for j in whole.jobs if j.id != urgent.id), urgent)
    asked = msgspec.structs.replace(
        whole, jobs=jobs, previous=plan if now is None else whole.previous
    )
    sound(asked)
    terms = Terms(asked)
    if early_reason(terms, urgent.id) is not None:
        return ()
    previous = asked.previous or plan
    in_plan = [
        job for r in previous.rounds for job in r.jobs if job in terms.jobs and job != urgent.id
    ]
    view = view_of(terms, travel or Estimate(), [*in_plan, urgent.id])
    days = days_of(view, _without(previous, urgent.id))
    ways = list(_ways(view, days, urgent.id))
    return tuple(_proposal(view, days, way, kind, previous) for kind, way in _chosen(ways))


def _without(plan: RoundPlan, job: str) -> RoundPlan:
    rounds = tuple(
        msgspec.structs.replace(
            r, stops=tuple(s for s in (_less(s, job) for s in r.stops) if s.jobs)
        )
        if job in r.jobs
        else r
        for r in plan.rounds
    )
    return msgspec.structs.replace(plan, rounds=rounds)


def _less(stop: Stop, job: str) -> Stop:
    pairs = [(j, a) for j, a in zip(stop.jobs, stop.starts, strict=True) if j != job]
    return msgspec.structs.replace(
        stop, jobs=tuple(j for j, _ in pairs), starts=tuple(a for _, a in pairs)
    )


def _ways(view: View, days: Mapping[Key, Trace], urgent: str) -> Iterator[Way]:
    """Every day without anybody giving way; then, on the nearest days, with up to three."""
    keys = sorted(view.terms.able(urgent), key=lambda key: (view.terms.begins(key), key))
    for key in keys:
        yield from _places(view, key, days.get(key), days.get(key), urgent, ())
    first = min((view.terms.shifts[key].day for key in keys), default="")
    for key in [key for key in keys if key[1] == first or key in keys[:DAYS_TRIED]]:
        trace = days.get(key)
        if trace is None:
            continue
        pins = view.terms.pins
        may = [j for j in trace.jobs if j not in pins or pins[j].level not in ("frozen", "retold")]
        for count in range(1, min(PUT_OUT, len(may)) + 1):
            for out in combinations(may, count):
                rest = drive(view, key, [j for j in trace.jobs if j not in out])
                if rest is not None:
                    yield from _places(view, key, rest, trace, urgent, out)


def _places(
    view: View, key: Key, base: Trace | None, was: Trace | None, urgent: str, out: tuple[str, ...]
) -> Iterator[Way]:
    jobs = base.jobs if base else ()
    for bound in bounds(view, key, base, [urgent]):
        p = bound.position
        trace = drive(view, key, (*jobs[:p], urgent, *jobs[p:]))
        if trace is not None:
            gain = worth(view, key, trace) - worth(view, key, was)
            yield Way(key, trace, out, trace.arrives[trace.jobs.index(urgent)], gain, urgent)


def _chosen(ways: list[Way]) -> list[tuple[Kind, Way]]:
    """On the first day anybody can be there: fewest giving way, then most worth. Beside it whoever
    is there soonest; where that is the same, the next best technician-day."""
    if not ways:
        return []
    order = sorted(ways, key=lambda w: (len(w.out), -w.gain, w.key, w.arrive))
    first = min(w.key[1] for w in ways)
    least = next(w for w in order if w.key[1] == first)
    soonest = min(order, key=lambda w: w.arrive)
    if soonest.arrive < least.arrive:
        return [("least", least), ("soonest", soonest)]
    other = next((w for w in order if w.key != least.key), None)
    return [("least", least), ("other", other)] if other else [("least", least)]


def _proposal(
    view: View, days: Mapping[Key, Trace], way: Way, kind: Kind, previous: RoundPlan
) -> Proposal:
    terms, urgent = view.terms, way.urgent
    changed = {**days, way.key: way.trace}
    new = _made(view, changed, way, previous)
    start = way.trace.starts[way.trace.jobs.index(urgent)]
    own = terms.worth.with_technician(urgent, way.key[0], start)
    before, after = (sum(worth(view, k, t) for k, t in d.items()) for d in (days, changed))
    return Proposal(
        kind=kind,
        plan=new,
        technician=way.key[0],
        day=way.key[1],
        arrive=way.arrive,
        changes=difference(still_asked(previous, terms), placed(new), terms),
        price=round((before + own - after) / UNIT, 2),
        uses_reserve=way.trace.back > terms.limit(way.key),
    )


def _made(view: View, changed: Days, way: Way, previous: RoundPlan) -> RoundPlan:
    """The whole plan of a way: those who gave way go elsewhere, or wait with a reason."""
    terms = view.terms
    waiting = [u for u in previous.unplanned if u.job in terms.jobs and u.job != way.urgent]
    for job in way.out:
        place = best_place(view, changed, job)
        if place is not None and place.gain > 0:
            changed[place.key] = place.trace
    listed = {u.job for u in waiting} | {j for t in changed.values() for j in t.jobs}
    for job in sorted(terms.jobs.keys() - listed):
        waiting.append(early_reason(terms, job) or why(view, changed, job))
    return assemble(view, changed, waiting, None, "inserted")
