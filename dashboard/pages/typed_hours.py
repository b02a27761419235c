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


def doubtful_hours(
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
    now, zone = services.clock(), inputs.site.time_zone
    others = [r for r in inputs.records if r.id != instead_of]
    read = hours.meter_readings(inputs.unit, others, zone, max(now, at))
    offset_h = read.offset(at)
    known = [(moment, h - offset_h) for moment, h in read.anchors]
    summary = found.summary
    reckoned = summary.hours if summary else None
    told = reckoned is not None and (reckoned.source == "meter" or reckoned.anchor_at is not None)
    why = doubt(
        known,
        at,
        typed_h,
        reckoned.hours_h - offset_h
        if reckoned is not None and told and reckoned.hours_h is not None
        else None,
        summary.at if summary else 0,
        reckoned.uncertain_h if reckoned else 0.0,
    )
    return _said(why, at, zone, now) if why else ""


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
