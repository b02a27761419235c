"""The catalogue of findings: what can be wrong with a set, a site or this service.

A file a family. A kind is the record of its facts, its sentence, and the row that says how it behaves,
one below the other; the family's union of records and its `row_of` stand at the foot of the file. All
else derives from them, and nothing outside sorts kinds in a table of its own. Records are imported from
their family; here stands what is asked of findings of every kind.
"""

from fleet.findings.catalogue import ROWS, row_named, row_of, sentence
from fleet.findings.finding import KINDS, AnyFacts, Finding
from fleet.findings.row import (
    SEVERITIES,
    AnyRow,
    Concern,
    Evidence,
    Facts,
    Metered,
    Row,
    Sentence,
    Severity,
    kind_of,
)
from fleet.findings.states import Condition, Cover
from fleet.findings.stored import decoder

__all__ = [
    "KINDS",
    "ROWS",
    "SEVERITIES",
    "AnyFacts",
    "AnyRow",
    "Concern",
    "Condition",
    "Cover",
    "Evidence",
    "Facts",
    "Finding",
    "Metered",
    "Row",
    "Sentence",
    "Severity",
    "decoder",
    "kind_of",
    "row_named",
    "row_of",
    "sentence",
]
