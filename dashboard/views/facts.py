"""Facts as the API gives them: moments as ISO 8601 UTC, everything else in its own unit.

The schema of a finding's facts is the records' own (`fleet.findings`): a field more there is a field
more here.
"""

from __future__ import annotations

from functools import cache

import msgspec

from fleet.calendar import utc_text
from fleet.findings import KINDS, Facts
from fleet.model import telemetry

MOMENTS = frozenset({"at", "since", "from", "to", "opened", "closed"})
"""Names of moments in people's records, beside those that end in `_at`."""


def finding_facts(facts: Facts) -> telemetry.Facts:
    """The facts of a finding. What is not known is left out."""
    moments = _moments(type(facts))
    told: telemetry.Facts = msgspec.to_builtins(facts)
    del told["kind"]
    return {
        name: utc_text(value) if name in moments and isinstance(value, int) else value
        for name, value in told.items()
    }


def record_facts(facts: telemetry.Facts) -> telemetry.Facts:
    """The facts of somebody's record."""
    return {
        name: utc_text(value) if _moment(name) and isinstance(value, int) else value
        for name, value in facts.items()
    }


def _moment(name: str) -> bool:
    return name in MOMENTS or name.endswith("_at")


@cache
def _moments(record: type[Facts]) -> frozenset[str]:
    """Names of the record's fields that are moments, as the API spells them."""
    found = msgspec.inspect.type_info(record)
    assert isinstance(found, msgspec.inspect.StructType)
    return frozenset(field.encode_name for field in found.fields if _unit(field.type) == "UTC s")


def _unit(found: msgspec.inspect.Type) -> str:
    """The unit a field is given in; '' where it has none."""
    match found:
        case msgspec.inspect.Metadata(extra={"unit": str(unit)}):
            return unit
        case msgspec.inspect.UnionType(types=types):
            return next((unit for one in types if (unit := _unit(one))), "")
        case _:
            return ""


def schema() -> telemetry.Facts:
    """JSON Schema of the facts of a finding: one of the records, by the finding's kind."""
    return {
        "anyOf": [_of(record) for record in KINDS.values()],
        "description": "the facts of the finding's kind, a schema each, titled by the kind",
    }


def _of(record: type[Facts]) -> telemetry.Facts:
    """The schema of one kind's facts: every field with its unit; moments are date-times."""
    info = msgspec.inspect.type_info(record)
    assert isinstance(info, msgspec.inspect.StructType)
    ((_, whole),) = (
        (name, found)
        for name, found in msgspec.json.schema_components([record])[1].items()
        if name == record.__name__
    )
    named = {field.encode_name: _unit(field.type) for field in info.fields}
    fields = {
        name: _field(found, named[name])
        for name, found in whole["properties"].items()
        if name != "kind"
    }
    return {
        "type": "object",
        "title": str(info.tag),
        "description": (record.__doc__ or "").partition("\n")[0],
        "properties": fields,
        "required": [name for name in whole["required"] if name != "kind"],
    }


def _field(found: telemetry.Facts, unit: str) -> telemetry.Facts:
    """A moment as a date-time, any other field with its unit."""
    kept = {name: value for name, value in found.items() if name not in ("unit", "default")}
    if "anyOf" in kept:  # what is not known is left out
        some = [one for one in kept["anyOf"] if one != {"type": "null"}]
        kept = some[0] if len(some) == 1 else {"anyOf": some}
    if unit == "UTC s":
        return {"type": "string", "format": "date-time"}
    return kept | {"description": f"in {unit}"} if unit else kept
