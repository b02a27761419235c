"""A network in the engine's terms: places, alternatives, technician-days. Plain arrays and tuples.

Technician-day = vehicle type; job = optional clients, one for each window of constant worth, of
which at most one is taken; gates on the edges into a site; skills and leaving the usual technician
as profiles (docs/engineering/rounds.md#the-engine).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

import msgspec

from scheduler.rounds.drive import Trace
from scheduler.rounds.index import Key
from scheduler.rounds.money import money
from scheduler.rounds.network import Network

MOST_WORTH = 5 * 10**8
"""Engine's rule: no prize above max_penalty x 60 s, else a late plan looks better
(docs/engineering/rounds.md#the-engine). A bound of another's format."""


class Place(msgspec.Struct, frozen=True):
    """A location: node of the network, who may work there, what leaving a technician costs (money)."""

    node: int
    skills: frozenset[str] = frozenset()
    only: str = ""
    prefers: tuple[tuple[str, int], ...] = ()


class Client(msgspec.Struct, frozen=True):
    """One alternative of a job. early, late: begin of work [s from the first midnight]."""

    job: int
    place: int
    early: int
    late: int
    duration: int
    prize: int


class Vehicle(msgspec.Struct, frozen=True):
    """A technician-day. start: place it leaves from; end: base; profile: its row of distances.

    late: back by then, lunch taken off: the simulator puts it in, and all after it is later.
    """

    start: int
    end: int
    early: int
    late: int
    duration: int
    overtime: int
    profile: int


class Profile(msgspec.Struct, frozen=True):
    """Places out of reach, and places that cost extra metres, for technicians alike."""

    shut: tuple[int, ...]
    extra_m: tuple[tuple[int, int], ...]


class Problem(msgspec.Struct, frozen=True):
    """What goes to the worker beside the distances between the nodes of the network."""

    places: tuple[Place, ...]
    clients: tuple[Client, ...]
    vehicles: tuple[Vehicle, ...]
    profiles: tuple[Profile, ...]
    jobs: tuple[str, ...]
    keys: tuple[Key, ...]
    access: tuple[int, ...]
    toll_m: tuple[int, ...]
    per_m: int
    per_s: int
    overtime_s: int
    begun: tuple[tuple[int, ...], ...] = ()
    """Warm start: clients of each vehicle, in order."""


def problem(
    network: Network, jobs: Iterable[str], warm: Mapping[Key, Trace], technicians: Collection[str]
) -> Problem:
    """The engine's problem for some jobs and technicians, begun with the rounds of `warm`."""
    terms = network.terms
    chosen = [job for job in jobs if network.has(job)]
    places = [Place(n) for n in range(len(network.base))]
    index = {place: n for n, place in enumerate(places)}
    clients: list[Client] = []
    for number, job in enumerate(chosen):
        place = _place(network, job)
        at = index.setdefault(place, len(places))
        if at == len(places):
            places.append(place)
        clients += _clients(network, job, number, at)
    keys = [
        key
        for key in terms.shifts
        if key[0] in technicians and _length(network, key, _urgent(network, warm, key)) > 0
    ]
    for key in keys:
        start = Place(network.leaves_from(key))
        if start not in index:
            index[start] = len(places)
            places.append(start)
    profiles, of_key = _profiles(network, places, keys)
    vehicles = tuple(
        _vehicle(network, key, index, of_key[key], _urgent(network, warm, key)) for key in keys
    )
    per_m = max(1, network.per_m)
    return Problem(
        places=tuple(places),
        clients=tuple(clients),
        vehicles=vehicles,
        profiles=profiles,
        jobs=tuple(chosen),
        keys=tuple(keys),
        access=tuple(network.access),
        toll_m=tuple(round(toll / per_m) for toll in network.toll),
        per_m=network.per_m,
        per_s=network.per_s,
        overtime_s=network.overtime_s,
        begun=_begun(network, chosen, clients, keys, warm),
    )


def _place(network: Network, job: str) -> Place:
    terms = network.terms
    noun, pin = terms.jobs[job], terms.pins.get(job)
    only = pin.technician if pin and pin.level == "frozen" else noun.only
    prefers: dict[str, int] = {}
    if pin and pin.level != "frozen":
        prefers[pin.technician] = terms.keeping(pin)
    if noun.technician in terms.technicians:
        known = money(terms.economics.same_technician)
        prefers[noun.technician] = prefers.get(noun.technician, 0) + known
    return Place(network.at(job), noun.skills, only, () if only else tuple(sorted(prefers.items())))


def _clients(network: Network, job: str, number: int, place: int) -> list[Client]:
    terms, duration = network.terms, network.terms.jobs[job].duration_s
    pin = terms.pins.get(job)
    kept = terms.keeping(pin) if pin else 0
    usual = terms.jobs[job].technician in terms.technicians
    known = money(terms.economics.same_technician) if usual else 0
    always = kept + known  # leaving the technician is taken off again on the way there
    labour = duration * network.per_s
    windows = terms.worth.windows(job)
    if pin:
        first, last = (0, terms.end) if pin.level == "frozen" else terms.kept_span(pin)
        better = [
            (max(a, first), min(b, last), worth + kept)
            for a, b, worth in windows
            if a <= last and b >= first
        ]
        windows = better if pin.level == "frozen" else better + windows
    return [
        Client(
            number,
            place,
            a - terms.begin,
            b - terms.begin,
            duration,
            min(MOST_WORTH, worth + always + labour),
        )
        for a, b, worth in windows
    ]


def _urgent(network: Network, warm: Mapping[Key, Trace], key: Key) -> bool:
    """Whether a day holds an urgent job already, so that its reserve is in use."""
    return key in warm and any(network.terms.jobs[job].urgent for job in warm[key].jobs)


def _length(network: Network, key: Key, urgent: bool) -> int:
    shift = network.terms.shifts[key]
    ends = shift.end - (0 if urgent else shift.reserve_s)
    return ends - network.terms.begins(key) - shift.lunch_s


def _vehicle(
    network: Network, key: Key, index: dict[Place, int], profile: int, urgent: bool
) -> Vehicle:
    terms = network.terms
    return Vehicle(
        start=index[Place(network.leaves_from(key))],
        end=network.base[key[0]],
        early=terms.begins(key) - terms.begin,
        late=terms.limit(key, urgent) - terms.shifts[key].lunch_s - terms.begin,
        duration=_length(network, key, urgent),
        overtime=terms.shifts[key].overtime_s,
        profile=profile,
    )


def _profiles(
    network: Network, places: list[Place], keys: list[Key]
) -> tuple[tuple[Profile, ...], dict[Key, int]]:
    """One profile for technician-days that see every place alike."""
    found: dict[Profile, int] = {}
    of_skills: dict[tuple[frozenset[str], str], int] = {}
    of_key: dict[Key, int] = {}
    per_m = max(1, network.per_m)
    for key in keys:
        technician, skills = key[0], network.terms.skills[key]
        if (skills, technician) not in of_skills:
            shut = tuple(
                n
                for n, p in enumerate(places)
                if not p.skills <= skills or p.only not in ("", technician)
            )
            extra = tuple(
                (n, round(sum(amount for who, amount in p.prefers if who != technician) / per_m))
                for n, p in enumerate(places)
                if any(who != technician for who, _ in p.prefers)
            )
            profile = Profile(shut, extra)
            of_skills[skills, technician] = found.setdefault(profile, len(found))
        of_key[key] = of_skills[skills, technician]
    return tuple(found), of_key


def _begun(
    network: Network,
    jobs: list[str],
    clients: list[Client],
    keys: list[Key],
    warm: Mapping[Key, Trace],
) -> tuple[tuple[int, ...], ...]:
    """Every job of the warm start in the alternative its begin falls in, the best if several."""
    number = {job: n for n, job in enumerate(jobs)}
    of_job: dict[int, list[int]] = {}
    for n, client in enumerate(clients):
        of_job.setdefault(client.job, []).append(n)
    routes = []
    for key in keys:
        trace, route = warm.get(key), []
        for job, start in zip(trace.jobs, trace.starts, strict=True) if trace else ():
            at = start - network.terms.begin
            fits = [
                n
                for n in of_job.get(number.get(job, -1), [])
                if clients[n].early <= at <= clients[n].late
            ]
            if fits:
                route.append(max(fits, key=lambda n: clients[n].prize))
        routes.append(tuple(route))
    return tuple(routes)
