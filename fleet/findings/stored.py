"""Findings as they are stored, the ones that earlier versions wrote among them.

A finding is a document with its facts inside, and their kind with them. Versions before the catalogue
wrote the kind beside the facts, and did not write every limit: such a document is read as what it
meant. One whose kind or facts no longer fit is kept as `Earlier`, which says so, and stops nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import msgspec

from fleet.findings.finding import KINDS, AnyFacts

T = TypeVar("T")


def decoder(type_: type[T]) -> Callable[[bytes | str], T]:
    """A decoder of JSON documents of a type that holds findings, of today's form and the earlier."""
    today = msgspec.json.Decoder(type_).decode

    def decode(document: bytes | str) -> T:
        try:
            return today(document)
        except msgspec.ValidationError:
            return msgspec.convert(_renewed(msgspec.json.decode(document)), type_)

    return decode


def _renewed(part: Any) -> Any:
    """The same document with every finding in it as it is written today."""
    if isinstance(part, list):
        return [_renewed(one) for one in part]
    if not isinstance(part, dict):
        return part
    if isinstance(part.get("facts"), dict) and {"severity", "since"} <= part.keys():
        return _finding(part)
    return {name: _renewed(one) for name, one in part.items()}


def _finding(part: dict[str, Any]) -> dict[str, Any]:
    facts: dict[str, Any] = dict(part["facts"])
    kind = str(facts.pop("kind", None) or part.get("kind") or "")
    rest = {name: one for name, one in part.items() if name not in ("kind", "facts")}
    return rest | {"facts": _facts(kind, facts, part)}


def _facts(kind: str, facts: dict[str, Any], part: dict[str, Any]) -> dict[str, Any]:
    record = KINDS.get(kind)
    if record is not None:
        told = {n: v for n, v in facts.items() if v is not None}
        known = {field.encode_name for field in msgspec.structs.fields(record)}
        more = {n: v for n, v in told.items() if n not in known}
        doc = {n: v for n, v in told.items() if n in known}
        doc = _since_then(kind, doc, part) | doc | {"kind": kind}
        if more:
            doc["more"] = doc.get("more", {}) | more
        try:
            msgspec.convert(doc, AnyFacts)
        except msgspec.ValidationError:
            pass
        else:
            return doc
    return {"kind": "earlier", "said": kind, "more": facts}


def _since_then(kind: str, facts: dict[str, Any], part: dict[str, Any]) -> dict[str, Any]:
    """What was not written then and is today, as it held then."""
    twelfths = _number(facts.get("nominal_v"), 12.0) / 12.0
    match kind:
        case "charger_fault":
            return {"limit_v": 13.0 * twelfths}
        case "over_charge":
            return {"limit_v": 15.0 * twelfths, "limit_at_c": 25.0}
        case "open_neutral":
            return {"high_pct": 110.0, "low_pct": 90.0}
        case "meter_disagrees":
            return {"over_days": 30}
        case "undelivered":
            return {"late_s": 300.0, "given_up_s": 86_400.0}
        case "fuel_low" if facts.get("by") == "energy":
            return {"engine": 0.2}
        case "wrong_nominal":
            return {"quantity": part.get("part")}
        case "code_exercise_not_met" if facts.get("diesel"):
            return {"asked_min": 30.0, "asked_pct": 30.0, "stages": [[30.0, 50.0], [60.0, 75.0]]}
        case "code_exercise_not_met":
            return {"asked_min": 30.0}
        case _:
            return {}


def _number(value: Any, otherwise: float) -> float:
    return float(value) if isinstance(value, int | float) else otherwise
