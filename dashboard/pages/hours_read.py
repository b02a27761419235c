"""Hours typed off an engine's own meter, asked about where they can hardly be so."""

from __future__ import annotations

from dashboard import phrases
from dashboard.request_context import Services
from fleet import words
from fleet.model import Scope
from fleet.registry import lists
from scheduler.assess import hours
from scheduler.work_orders import Doubt, doubt

CONFIRMED = "Confirmed by who read it."
ONCE_MORE = "Read the meter once more; then mend it, or confirm it."


def asked_about(
    services: Services,
    scope: Scope,
    unit: str,
    at: int,
    typed_h: float | None,
    instead_of: str = "",
) -> str:
    """Why hours [h] read at `at` (UTC seconds) are asked about once more, in a sentence; "" : they
    can be so. instead_of: the record these hours correct, which does not count."""
    inputs = lists.inputs(services.registry, scope, unit)
    found = lists.unit(services.registry, scope, unit)
    if typed_h is None or inputs is None or found is None:
        return ""
    read = hours.anchors(inputs.unit, [r for r in inputs.records if r.id != instead_of])
    summary = found.summary
    held = summary.hours if summary else None
    why = doubt(
        read,
        at,
        typed_h,
        held.hours_h if held and held.source == "meter" else None,
        summary.at if summary else 0,
        held.uncertain_h if held else 0.0,
    )
    return _said(why, at, inputs.site.time_zone, services.clock()) if why else ""


def _said(why: Doubt, at: int, zone: str, now: int) -> str:
    typed, known = words.hours(why.typed_h), words.hours(why.known_h)
    when = words.moment(why.known_at, zone, now)
    if why.why == "reckoned":
        return f"{typed} is far from the {known} that the set itself leads to expect."
    if why.why == "below":
        return f"{typed} is less than the {known} read {when}: engine hours do not fall."
    if why.why == "above_later":
        return f"{typed} is more than the {known} read later, {when}: engine hours do not fall."
    passed = phrases.span_words(abs(at - why.known_at))
    if why.why == "too_fast":
        return f"{typed} is more than the clock allows: {known} were read {when}, {passed} before."
    return f"{typed} is too few: {known} were read {when}, only {passed} later."
