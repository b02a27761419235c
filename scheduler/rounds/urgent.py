"""An urgent call into a plan in force, at once and without a solver: two ways to do it.

The first disturbs fewest on the first day anybody can be there, the second is there soonest. Nobody
who was told is moved while a place that day exists without it; the day's reserve may be used, that is
what it is for.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import combinations
from typing import Literal, NamedTuple

import msgspec

from scheduler.rounds.changes import difference, still_asked
from scheduler.rounds.drive import Trace, drive, worth
from scheduler.rounds.fill import Days, best_place, bounds
from scheduler.rounds.index import Key
from scheduler.rounds.model import PlanRequest, Proposal, RoundJob, RoundPlan, Stop, Travel
from scheduler.rounds.money import UNIT
from scheduler.rounds.network import Network
from scheduler.rounds.planning import assemble, days_of, network_of
from scheduler.rounds.reasons import early_reason, why
from scheduler.rounds.request import remainder, sound
from scheduler.rounds.travel import Estimate
from scheduler.rounds.value import Terms

Kind = Literal["least", "soonest", "other"]
PUT_OUT = 3
"""At most so many jobs of a day give way (docs/engineering/rounds.md#urgent-work). Common
practice, no source."""
DAYS_TRIED = 2
"""Jobs give way on this many technician-days nearest to now only, so the answer is at once. A
bound of ours."""


class Insertion(msgspec.Struct, frozen=True):
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
) -> tuple[Proposal, ...]:
    """At most two proposals, the one that disturbs fewest first; empty: nobody can be there.

    request: what the plan was made from; now: where given, only what is left of the plan then.
    request.recorded: what was recorded of the plan's jobs; what is finished or gone is neither driven
    to nor counted as disturbed, and people are where they were last.
    Jobs that give way are put in elsewhere where they fit and pay, else they wait with a reason.
    The urgent job need not be in the request.
    """
    whole = request if now is None else remainder(request, plan, now, request.recorded)
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
    network = network_of(terms, travel or Estimate(), [*in_plan, urgent.id])
    days = days_of(network, _without(previous, urgent.id))
    insertions = list(_insertions(network, days, urgent.id))
    return tuple(
        _proposal(network, days, chosen, kind, previous) for kind, chosen in _chosen(insertions)
    )


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


def _insertions(network: Network, days: Mapping[Key, Trace], urgent: str) -> Iterator[Insertion]:
    """Every day without anybody giving way; then, on the nearest days, with up to three."""
    keys = sorted(network.terms.able(urgent), key=lambda key: (network.terms.begins(key), key))
    for key in keys:
        yield from _places(network, urgent, Opening(key, days.get(key), days.get(key)))
    first = min((network.terms.shifts[key].day for key in keys), default="")
    for key in [key for key in keys if key[1] == first or key in keys[:DAYS_TRIED]]:
        trace = days.get(key)
        if trace is None:
            continue
        pins = network.terms.pins
        may = [j for j in trace.jobs if j not in pins or pins[j].level not in ("frozen", "retold")]
        for count in range(1, min(PUT_OUT, len(may)) + 1):
            for out in combinations(may, count):
                rest = drive(network, key, [j for j in trace.jobs if j not in out])
                if rest is not None:
                    yield from _places(network, urgent, Opening(key, rest, trace, out))


class Opening(NamedTuple):
    """A technician-day that a job may be put into. base: what is left of it; was: the day as it is
    planned; out: jobs that give way."""

    key: Key
    base: Trace | None
    was: Trace | None
    out: tuple[str, ...] = ()


def _places(network: Network, urgent: str, opening: Opening) -> Iterator[Insertion]:
    key, base, was, out = opening
    jobs = base.jobs if base else ()
    for bound in bounds(network, key, base, [urgent]):
        p = bound.position
        trace = drive(network, key, (*jobs[:p], urgent, *jobs[p:]))
        if trace is not None:
            gain = worth(network, key, trace) - worth(network, key, was)
            yield Insertion(key, trace, out, trace.arrives[trace.jobs.index(urgent)], gain, urgent)


def _chosen(insertions: list[Insertion]) -> list[tuple[Kind, Insertion]]:
    """On the first day anybody can be there: fewest giving way, then most worth. Beside it whoever
    is there soonest; where that is the same, the next best technician-day."""
    if not insertions:
        return []
    order = sorted(insertions, key=lambda one: (len(one.out), -one.gain, one.key, one.arrive))
    first = min(w.key[1] for w in insertions)
    least = next(w for w in order if w.key[1] == first)
    soonest = min(order, key=lambda one: one.arrive)
    if soonest.arrive < least.arrive:
        return [("least", least), ("soonest", soonest)]
    other = next((w for w in order if w.key != least.key), None)
    return [("least", least), ("other", other)] if other else [("least", least)]


def _proposal(
    network: Network, days: Mapping[Key, Trace], chosen: Insertion, kind: Kind, previous: RoundPlan
) -> Proposal:
    terms, urgent = network.terms, chosen.urgent
    changed = {**days, chosen.key: chosen.trace}
    new = _made(network, changed, chosen, previous)
    start = chosen.trace.starts[chosen.trace.jobs.index(urgent)]
    own = terms.worth.with_technician(urgent, chosen.key[0], start)
    before, after = (sum(worth(network, k, t) for k, t in d.items()) for d in (days, changed))
    return Proposal(
        kind=kind,
        plan=new,
        technician=chosen.key[0],
        day=chosen.key[1],
        arrive=chosen.arrive,
        changes=difference(still_asked(previous, terms), new.places, terms),
        price=round((before + own - after) / UNIT, 2),
        uses_reserve=chosen.trace.back > terms.limit(chosen.key),
    )


def _made(network: Network, changed: Days, chosen: Insertion, previous: RoundPlan) -> RoundPlan:
    """The whole plan with the chosen insertion: those who gave way go elsewhere, or wait with a reason."""
    terms = network.terms
    waiting = [u for u in previous.unplanned if u.job in terms.jobs and u.job != chosen.urgent]
    for job in chosen.out:
        place = best_place(network, changed, job)
        if place is not None and place.gain > 0:
            changed[place.key] = place.trace
    listed = {u.job for u in waiting} | {j for t in changed.values() for j in t.jobs}
    for job in sorted(terms.jobs.keys() - listed):
        waiting.append(early_reason(terms, job) or why(network, changed, job))
    return assemble(network, changed, waiting, None, "inserted")
