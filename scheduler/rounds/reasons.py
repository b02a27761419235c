"""Why a job is in no round: the first reason that applies, from the simulator, never the engine."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from itertools import islice

import msgspec

from fleet.calendar import local_date
from scheduler.rounds.drive import Trace, drive
from scheduler.rounds.fill import Place, best_of, possible
from scheduler.rounds.index import Key
from scheduler.rounds.model import Reason, RoundJob, Unplanned, WeekLoad
from scheduler.rounds.money import UNIT
from scheduler.rounds.network import Network
from scheduler.rounds.value import Terms, meets

IN_THE_WAY = 3
"""So many jobs in the way are named. A page's length."""


def early_reason(terms: Terms, job_id: str) -> Unplanned | None:
    """A reason that needs no distances; None: the job is a candidate."""
    job = terms.jobs[job_id]
    if job.on_stop and not (job.safety or job.urgent):
        return _no(job, Reason.ON_STOP, "The customer is on stop; routine work waits.")
    if job.people > 1:
        return _no(
            job,
            Reason.NEEDS_TWO,
            "Needs two people: agree an appointment and plan one job for each of them.",
        )
    if job.earliest >= terms.end:
        return _no(
            job,
            Reason.NOT_YET_USEFUL,
            "May not begin before the horizon ends.",
            _date(terms, job.earliest),
        )
    if job.parts_ready is None:
        return _no(job, Reason.PARTS, "Nobody knows when the parts come.")
    if job.parts_ready >= terms.end:
        return _no(
            job,
            Reason.PARTS,
            "The parts come after the horizon ends.",
            _date(terms, job.parts_ready),
        )
    return _nobody(terms, job) or _no_window(terms, job) or _too_soon(terms, job)


def _nobody(terms: Terms, job: RoundJob) -> Unplanned | None:
    if not terms.technicians:
        return None
    for skill in sorted(job.skills):
        if not any(skill in t.can(d) for t in terms.technicians.values() for d in terms.days):
            return _no(job, Reason.NO_SKILL, f"Nobody holds a valid skill: {skill}.")
    if not any(job.skills <= t.can(d) for t in terms.technicians.values() for d in terms.days):
        names = ", ".join(sorted(job.skills))
        return _no(job, Reason.NO_SKILL, f"No one person holds all of: {names}.")
    return None


def _no_window(terms: Terms, job: RoundJob) -> Unplanned | None:
    keys = terms.able(job.id)
    if not keys:
        who = (
            "the technician it is fixed to"
            if job.only or job.id in terms.pins
            else "one with the skill"
        )
        return _no(
            job, Reason.NO_WINDOW, f"No shift of {who} lies in the horizon.", _after(terms, job)
        )
    room = max(terms.limit(key, job.urgent) - terms.begins(key) for key in keys)
    if room < job.duration_s:
        hours = job.duration_s / 3600
        return _no(job, Reason.UNREACHABLE, f"{hours:.1f} h of work fit into no shift: split it.")
    if not any(meets(terms, job.id, a, b) for a, b in terms.starts(job.id)):
        return _no(
            job,
            Reason.NO_WINDOW,
            "Site hours or promises never meet a shift of somebody who may do it.",
            _after(terms, job),
        )
    question = next((q for q in terms.questions if q.site == job.site), None)
    if question is None:
        return None
    if question.km is None:
        return _no(job, Reason.UNREACHABLE, "The site has no coordinates: enter them.")
    swapped = "; latitude and longitude look swapped" if question.kind == "swapped" else ""
    return _no(
        job,
        Reason.UNREACHABLE,
        f"The site is {question.km:.0f} km from the nearest base"
        f"{swapped}: correct its coordinates or widen the radius.",
    )


def _too_soon(terms: Terms, job: RoundJob) -> Unplanned | None:
    """Not worth a trip at any moment of the horizon; out of reach is said first."""
    if terms.worth.windows(job.id):
        return None
    if not _reachable(terms, job):
        return _no(job, Reason.UNREACHABLE, "There, the work and back exceed every shift.")
    return _no(
        job,
        Reason.NOT_WORTH_IT,
        "Too early: the running time thrown away is worth more than the trip saved.",
        terms.days[0],
    )


def _reachable(terms: Terms, job: RoundJob) -> bool:
    """By the estimate, from base and back, on some shift."""
    site = terms.sites[job.site]
    work = site.access_s + site.extra_s + job.duration_s
    way = terms.way_s(job.site)
    able = {key[0] for key in terms.able(job.id)}
    return any(2 * way[name] + work <= terms.longest(name) for name in able)


def reasons_of(
    network: Network, days: Mapping[Key, Trace], jobs: Sequence[str]
) -> list[tuple[Unplanned, Place | None]]:
    """The reason of each candidate, and with SEARCH_LIMIT the place where it pays."""
    found = possible(network, days, jobs)
    return [_reason(network, days, job, best_of(network, days, found.get(job, []))) for job in jobs]


def why(network: Network, days: Mapping[Key, Trace], job_id: str) -> Unplanned:
    """The reason of one candidate."""
    return reasons_of(network, days, [job_id])[0][0]


def _reason(
    network: Network, days: Mapping[Key, Trace], job_id: str, place: Place | None
) -> tuple[Unplanned, Place | None]:
    terms, job = network.terms, network.terms.jobs[job_id]
    if job.site not in network.node:
        return _no(job, Reason.NO_CAPACITY, "More work than the technicians can do."), None
    if place is not None:
        if place.gain > 0:
            detail = f"Gains {place.gain / UNIT:.2f} where it fits; the search did not see it."
            return _no(job, Reason.SEARCH_LIMIT, detail, place.key[1]), place
        detail = f"Its cheapest place costs {-place.gain / UNIT:.2f} more than it is worth now."
        return _no(job, Reason.NOT_WORTH_IT, detail, place.key[1]), None
    if not any(_goes_alone(network, key, job_id) for key in terms.able(job_id)):
        return _no(job, Reason.UNREACHABLE, "There, the work and back exceed every shift."), None
    detail = "It fits into no day as they are filled; the nearest work in its way is named."
    found = _no(job, Reason.NO_CAPACITY, detail)
    return msgspec.structs.replace(found, blocking=_in_the_way(network, days, job_id)), None


def _goes_alone(network: Network, key: Key, job_id: str) -> bool:
    return drive(network, key, (job_id,)) is not None


def _in_the_way(network: Network, days: Mapping[Key, Trace], job_id: str) -> tuple[str, ...]:
    """The nearest jobs on the days it could go to."""
    here = network.at(job_id)
    near = sorted(
        (int(network.s[here, network.at(job)]), job, key)
        for key in network.terms.able(job_id)
        for job in (days[key].jobs if key in days else ())
    )
    found = (job for _, job, key in near if _goes_alone(network, key, job_id))
    return tuple(islice(found, IN_THE_WAY))


def dated(unplanned: Iterable[Unplanned], load: Iterable[WeekLoad]) -> tuple[Unplanned, ...]:
    """With the week that has room as the earliest date of what found no room in the horizon."""
    weeks = {job: week.monday for week in load for job in week.jobs}
    return tuple(
        msgspec.structs.replace(u, earliest=weeks[u.job])
        if u.earliest is None and u.reason is Reason.NO_CAPACITY and u.job in weeks
        else u
        for u in unplanned
    )


def _after(terms: Terms, job: RoundJob) -> str | None:
    """First day after the horizon on which hours and promises, where given, let somebody in."""
    site = terms.sites[job.site]
    spans = job.promises or site.hours
    if spans is None:
        return (date.fromisoformat(terms.days[-1]) + timedelta(days=1)).isoformat()
    later = [span.start for span in spans if span.start >= terms.end]
    return _date(terms, min(later)) if later else None


def _date(terms: Terms, at: int) -> str:
    return local_date(at, terms.request.zone).isoformat()


def _no(job: RoundJob, reason: Reason, detail: str, earliest: str | None = None) -> Unplanned:
    return Unplanned(job=job.id, reason=reason, detail=detail, earliest=earliest)
