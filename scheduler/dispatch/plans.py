"""A plan: its document, and what is looked up in it."""

from __future__ import annotations

from collections.abc import Mapping

import msgspec

from fleet.model import Job
from scheduler import work
from scheduler.rounds import nouns as rounds

_plan = msgspec.json.Decoder(rounds.RoundPlan).decode


def decode(doc: bytes) -> rounds.RoundPlan:
    """A plan from its document."""
    return _plan(doc)


def encode(plan: rounds.RoundPlan) -> bytes:
    """A plan as its document."""
    return msgspec.json.encode(plan)


def places(plan: rounds.RoundPlan) -> dict[str, tuple[str, str, int]]:
    """Job to (technician, day, start of its work) in a plan."""
    return plan.places


def round_of(plan: rounds.RoundPlan, technician: str, day: str) -> rounds.Round | None:
    """The round of a technician's day, or None."""
    found = (one for one in plan.rounds if one.technician == technician and one.day == day)
    return next(found, None)


def parts_for(one: rounds.Round, jobs: Mapping[str, Job]) -> dict[str, float]:
    """Parts to load for a round."""
    return work.needed(jobs[id] for id in one.jobs if id in jobs)
