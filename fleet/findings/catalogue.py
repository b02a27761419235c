"""The catalogue: the row of every kind, and what is said of a finding."""

from __future__ import annotations

from typing import assert_never

import msgspec

from fleet.findings import (
    battery,
    exercise,
    fuel,
    mains,
    reporting,
    service,
    starting,
    supply,
    this_service,
)
from fleet.findings.finding import KINDS, AnyFacts, Finding
from fleet.findings.row import AnyRow, Row, Sentence
from fleet.findings.saying import CAUTIONS, LEARNED, began, is_late, moment

FAMILIES = (
    starting,
    reporting,
    service,
    exercise,
    mains,
    fuel,
    battery,
    supply.tolerance,
    supply.dangers,
    this_service,
)
"""Where the rows stand, each below the record of its facts."""
ROWS: tuple[AnyRow, ...] = tuple(
    row for family in FAMILIES for row in vars(family).values() if isinstance(row, Row)
)
"""Every row, family by family."""
_NAMED: dict[str, AnyRow] = {row.kind: row for row in ROWS}
assert {row.facts for row in ROWS} == set(KINDS.values()), "a kind without its row"


def row_of(facts: AnyFacts) -> AnyRow:
    """How such a finding behaves. A family that nobody asks is a type error here, a kind without a row
    one in its family."""
    if isinstance(facts, starting.StartingFacts):
        return starting.row_of(facts)
    if isinstance(facts, reporting.ReportingFacts):
        return reporting.row_of(facts)
    if isinstance(facts, service.ServiceFacts):
        return service.row_of(facts)
    if isinstance(facts, exercise.ExerciseFacts):
        return exercise.row_of(facts)
    if isinstance(facts, mains.MainsFacts):
        return mains.row_of(facts)
    if isinstance(facts, fuel.FuelFacts):
        return fuel.row_of(facts)
    if isinstance(facts, battery.BatteryFacts):
        return battery.row_of(facts)
    if isinstance(facts, supply.SupplyFacts):
        return supply.row_of(facts)
    if isinstance(facts, this_service.ThisServiceFacts):
        return this_service.row_of(facts)
    assert_never(facts)


def row_named(kind: str) -> AnyRow:
    """The row of a kind by its name; of one that no version of today knows, that of an earlier one's."""
    return _NAMED.get(kind, this_service.EARLIER)


def sentence(finding: Finding, zone: str, now: int) -> Sentence:
    """What to say about a finding, in the site's zone. zone: IANA name; now: UTC seconds.

    Where it may send somebody to a set the cautions go with it. Late news has both times, whatever its
    kind: in what was seen, and short as `late`.
    """
    row = row_of(finding.facts)
    said = row.say(finding.facts, finding, zone, now)
    if finding.unheard_since is not None:
        stale = (
            f"Not heard anew since {moment(finding.unheard_since, zone, now)}: it may have changed."
        )
        said = msgspec.structs.replace(said, seen=f"{said.seen} {stale}")
    if row.sends:
        said = msgspec.structs.replace(said, cautions=CAUTIONS)
    if not is_late(finding):
        return said
    both = began(finding, zone, now)
    seen = _with_both(said.seen, moment(finding.since, zone, now), both)
    short = both.replace(f"{LEARNED}at ", LEARNED)
    return msgspec.structs.replace(said, seen=seen, late=short)


def _with_both(seen: str, start: str, both: str) -> str:
    """What was seen with both times: the later one beside the earlier where that stands after "since"
    or "at", else in a sentence of its own."""
    if both in seen:
        return seen
    for before in ("since", "at"):
        head, found, tail = seen.partition(f"{before} {start}")
        if found:
            comma = "," if tail.startswith(" ") else ""
            return f"{head}{before} {both}{comma}{tail}"
    return f"{seen} It began at {both}."
