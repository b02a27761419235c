"""A request to a plan: candidates, territories, search, drive, repair, reasons, check, difference."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

import msgspec

from scheduler.rounds.by_hand import by_hand, pinned
from scheduler.rounds.changes import difference, still_asked
from scheduler.rounds.checker import check
from scheduler.rounds.drive import Trace, as_round, drive, worth
from scheduler.rounds.engine import ALONE, NAME, Cancel, PlanContext, Progress, Tell, search
from scheduler.rounds.exchange import exchange
from scheduler.rounds.fill import Days, fill, settle_days
from scheduler.rounds.index import Key
from scheduler.rounds.metrics import load, metrics
from scheduler.rounds.model import (
    Changes,
    Limits,
    Metrics,
    PlanRequest,
    Reason,
    RoundPlan,
    Travel,
    Unplanned,
)
from scheduler.rounds.money import UNIT
from scheduler.rounds.network import Network, places
from scheduler.rounds.problem import problem
from scheduler.rounds.reasons import dated, early_reason, reasons_of
from scheduler.rounds.request import as_it_stands, fingerprint, fingerprint_for, sound
from scheduler.rounds.territory import Territory, sites_of, territories
from scheduler.rounds.travel import Estimate
from scheduler.rounds.value import Terms

MOST_REPAIRS = 200
"""Rounds of filling and exchanging after the search. A bound of ours."""


class PlanFault(RuntimeError):
    """The planner made a plan that its own checker refuses; nothing of it is shown."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """A request looked at once: why not of each job, territories of those that may be planned, the
    distances between them, and the fingerprint of it all."""

    request: PlanRequest
    early: Mapping[str, Unplanned | None]
    candidates: Sequence[str]
    areas: Sequence[Territory]
    network: Network
    fingerprint: str

    @property
    def jobs(self) -> list[str]:
        """The jobs in the territories."""
        return [job for area in self.areas for job in area.jobs]


class Answer(msgspec.Struct, frozen=True, kw_only=True):
    """What the planner says. fingerprint: of what was asked. plan: None where one made of the same
    is known already, or nothing is left to plan (`empty`)."""

    fingerprint: str
    plan: RoundPlan | None = None
    empty: bool = False


def plan(
    request: PlanRequest,
    travel: Travel | None = None,
    progress: Tell | None = None,
    cancel: Cancel | None = None,
) -> RoundPlan:
    """The best plan found within the request's limits.

    With the fingerprint of the plan in force that plan is returned unsolved, unless the road server
    has come or gone since. Without a solver
    (Limits.solver), or where its worker falls, the by-hand plan is repaired and returned. Raises
    RequestFault for a request no plan can be made for, PlanFault where the checker objects.
    """
    context = PlanContext(travel=travel, tell=progress, cancel=cancel)
    return _planned(_prepared(request, context), context)


def answer(
    request: PlanRequest, known: Collection[str] = (), context: PlanContext = ALONE
) -> Answer:
    """The same, unless a plan was made of the very same before: then there is nothing to plan.

    known: fingerprints of plans that are at hand; they name the road server, so that one that has
    come or gone is news.
    """
    ready = _prepared(request, context)
    if not ready.request.jobs:
        return Answer(fingerprint=ready.fingerprint, empty=True)
    if ready.fingerprint in known:
        return Answer(fingerprint=ready.fingerprint)
    return Answer(fingerprint=ready.fingerprint, plan=_planned(ready, context))


def _prepared(request: PlanRequest, context: PlanContext) -> Prepared:
    request = as_it_stands(request)
    sound(request)
    terms = Terms(request)
    early = {job: early_reason(terms, job) for job in terms.jobs}
    candidates = [job for job, reason in early.items() if reason is None]
    areas = list(territories(terms, candidates))
    jobs = [job for area in areas for job in area.jobs]
    network = network_of(terms, context.travel or Estimate(), jobs)
    asked = fingerprint(request, network.distances.roads)
    return Prepared(request, early, candidates, areas, network, asked)


def _planned(ready: Prepared, context: PlanContext) -> RoundPlan:
    request, network, previous = ready.request, ready.network, ready.request.previous
    if previous is not None and previous.fingerprint == ready.fingerprint:
        return previous
    jobs = ready.jobs
    hand = by_hand(network, jobs)
    if context.tell:
        context.tell(Progress(0.0, _worth(network, hand) / UNIT, "planned by hand"))
    warm = _warm(network, jobs, hand)
    found, engine = _searched(network, ready.areas, warm, request.limits, context)
    days, unplanned = _repaired(network, found, ready.candidates)
    if _worth(network, days) < _worth(network, warm):
        days, unplanned = _repaired(network, dict(warm), ready.candidates)
    known = [r for r in ready.early.values() if r is not None]
    made = assemble(network, days, known + unplanned, hand, engine)
    broken = check(made, request, context.travel or Estimate())
    if broken:
        raise PlanFault("; ".join(f"{v.kind} {v.job} {v.day}: {v.detail}" for v in broken[:5]))
    own = fingerprint_for(request, made, network.distances.roads)
    return msgspec.structs.replace(made, fingerprint=own)


def judge(made: RoundPlan, request: PlanRequest, travel: Travel | None = None) -> Metrics:
    """Figures of a plan, whoever made it: its rounds are driven again."""
    terms = Terms(request)
    jobs = [job for r in made.rounds for job in r.jobs]
    network = network_of(terms, travel or Estimate(), jobs)
    return metrics(network, days_of(network, made))


def network_of(terms: Terms, travel: Travel, jobs: Iterable[str]) -> Network:
    """Terms with the distances between the sites of some jobs."""
    sites = sites_of(terms, tuple(jobs))
    return Network(terms, sites, travel.between(*places(terms, sites)))


def days_of(network: Network, made: RoundPlan) -> Days:
    """The rounds of a plan driven again; what no longer goes is left out, the least worth first."""
    days: Days = {}
    for r in made.rounds:
        key = (r.technician, r.day)
        if key not in network.terms.shifts:
            continue
        jobs = [j for j in r.jobs if network.has(j)]
        trace = fitting(network, key, jobs)
        if trace is not None:
            days[key] = trace
    return days


def fitting(network: Network, key: Key, jobs: Sequence[str]) -> Trace | None:
    """Drive a day's jobs, leaving out the least worth until it goes; None: nothing goes."""
    left = [job for job in jobs if network.terms.may(job, key)]
    standing, at = network.terms.worth.standing, network.terms.begins(key)
    while left:
        trace = drive(network, key, left)
        if trace is not None:
            return trace
        left.remove(min(left, key=lambda job: (standing(job, key[0], at), job)))
    return None


def _warm(network: Network, jobs: Sequence[str], hand: Days) -> Days:
    """Where the search begins: the plan in force, completed; without one the by-hand plan."""
    terms = network.terms
    previous = terms.request.previous
    if previous is None:
        return hand
    days = days_of(network, previous)
    placed_jobs = {job for trace in days.values() for job in trace.jobs}
    for key, trace in pinned(network, [j for j in jobs if j not in placed_jobs]).items():
        together = fitting(
            network, key, _by_pin(network, (*(days[key].jobs if key in days else ()), *trace.jobs))
        )
        if together is not None:
            days[key] = together
    fill(network, days, set(jobs) - {job for trace in days.values() for job in trace.jobs})
    return days


def _by_pin(network: Network, jobs: Sequence[str]) -> list[str]:
    pins = network.terms.pins
    return sorted(jobs, key=lambda j: (pins[j].start if j in pins else network.terms.end, j))


def _searched(
    network: Network,
    areas: Sequence[Territory],
    warm: Days,
    limits: Limits,
    context: PlanContext,
) -> tuple[Days, str]:
    """The rounds the engine finds for each territory, driven; the warm ones where it finds none."""
    if not limits.solver:
        return dict(warm), "by hand"
    days: Days = {}
    stopped, begun = "", 0.0
    total = max(1, sum(len(area.jobs) for area in areas))
    for area in areas:
        share = len(area.jobs) / total
        mine = {key: trace for key, trace in warm.items() if key[0] in area.technicians}
        part = msgspec.structs.replace(limits, seconds=max(1.0, limits.seconds * share))
        asked = problem(network, area.jobs, mine, area.technicians)
        own = msgspec.structs.replace(context, tell=_scaled(context.tell, begun, share))
        found = search(network, asked, part, own)
        begun += share
        stopped = stopped or found.stopped
        if found.routes is None:
            days |= mine
            continue
        for key, jobs in found.routes.items():
            trace = fitting(network, key, jobs)
            if trace is not None:
                days[key] = trace
    return days, f"{NAME}, {stopped}" if stopped else NAME


def _scaled(tell: Tell | None, begun: float, share: float) -> Tell | None:
    """Progress of one territory as progress of the whole search."""
    if tell is None:
        return None
    return lambda p: tell(msgspec.structs.replace(p, share=begun + share * p.share))


def _repaired(
    network: Network, days: Days, candidates: Sequence[str]
) -> tuple[Days, list[Unplanned]]:
    """Rounds on their best days, what still pays put in, due work in the place of what can better
    wait, and a reason for each of the rest."""
    settle_days(network, days)
    fill(network, days, _open(days, candidates))
    settle_days(network, days)
    for _ in range(MOST_REPAIRS):
        fill(network, days, _open(days, candidates))
        if exchange(network, days, _open(days, candidates)):
            continue
        answers = reasons_of(network, days, _open(days, candidates))
        missed = [
            place for reason, place in answers if reason.reason is Reason.SEARCH_LIMIT and place
        ]
        if not missed:
            return days, [reason for reason, _ in answers]
        best = max(missed, key=lambda place: (place.gain, place.key))
        days[best.key] = best.trace
    return days, [reason for reason, _ in reasons_of(network, days, _open(days, candidates))]


def _open(days: Mapping[Key, Trace], jobs: Iterable[str]) -> list[str]:
    done = {job for trace in days.values() for job in trace.jobs}
    return [job for job in jobs if job not in done]


def _worth(network: Network, days: Mapping[Key, Trace]) -> float:
    return float(sum(worth(network, key, trace) for key, trace in days.items()))


def assemble(
    network: Network,
    days: Mapping[Key, Trace],
    unplanned: Iterable[Unplanned],
    hand: Mapping[Key, Trace] | None,
    engine: str,
) -> RoundPlan:
    """The plan of driven days, with figures, load of later weeks and the difference to `previous`."""
    terms, request = network.terms, network.terms.request
    planned = {job for trace in days.values() for job in trace.jobs}
    reasons = sorted(unplanned, key=lambda u: u.job)
    backlog = [u.job for u in reasons if u.reason is Reason.NO_CAPACITY]
    weeks = load(terms, planned, backlog)
    rounds = tuple(
        as_round(network, key, trace)
        for key, trace in sorted(days.items(), key=lambda item: (item[0][1], item[0][0]))
        if trace.jobs
    )
    made = RoundPlan(
        first_day=request.first_day,
        days=request.days,
        zone=request.zone,
        rounds=rounds,
        unplanned=dated(reasons, weeks),
        metrics=metrics(
            network, days, hand, _same_by_hand(network, days) if hand is not None else None
        ),
        questions=terms.questions,
        load=weeks,
        travel_source=network.distances.source,
        seed=request.limits.seed,
        engine=engine,
    )
    previous = request.previous
    before = still_asked(previous, terms, past_only=True) if previous is not None else {}
    changes = difference(before, made.places, terms) if before else Changes()
    return msgspec.structs.replace(made, changes=changes)


def _same_by_hand(network: Network, days: Mapping[Key, Trace]) -> Days | None:
    """The planned jobs and no others by hand; None where by hand they do not all fit in."""
    planned = {job for trace in days.values() for job in trace.jobs}
    made = by_hand(network, planned, any_date=True)
    return made if not _open(made, planned) else None
