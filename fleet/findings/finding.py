"""The finding: what was seen of one subject, and the kinds that there are, family by family."""

from __future__ import annotations

from typing import TypeAlias, get_args

from fleet.findings.battery import BatteryFacts
from fleet.findings.exercise import ExerciseFacts
from fleet.findings.fuel import FuelFacts
from fleet.findings.mains import MainsFacts
from fleet.findings.reporting import ReportingFacts
from fleet.findings.row import Facts, Found, kind_of
from fleet.findings.service import ServiceFacts
from fleet.findings.starting import StartingFacts
from fleet.findings.supply import SupplyFacts
from fleet.findings.this_service import ThisServiceFacts

AnyFacts: TypeAlias = (
    StartingFacts
    | ReportingFacts
    | ServiceFacts
    | ExerciseFacts
    | MainsFacts
    | FuelFacts
    | BatteryFacts
    | SupplyFacts
    | ThisServiceFacts
)
"""The facts of every kind, a record each."""
KINDS: dict[str, type[Facts]] = {kind_of(record): record for record in get_args(AnyFacts)}
"""The record of each kind by its name."""


class Finding(Found, frozen=True, kw_only=True):
    """Something a rule saw: its facts, how grave it is, since when, and what it stands on."""

    facts: AnyFacts

    @property
    def kind(self) -> str:
        """The name of the kind, as episodes keep it."""
        return self.facts.kind
