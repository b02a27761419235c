"""The device's data card: when it ends, and what it has sent of what was agreed."""

from __future__ import annotations

from datetime import date, time

from fleet.calendar import instant, local_date
from fleet.findings.reporting import DataBudget, SimEnding
from fleet.model import Finding
from fleet.registry.facts.rows import UnitInputs

AHEAD_DAYS = 30
SOON_DAYS = 7
"""A card that ends is a Note so many days before, and work for a visit when it is so near.
Common practice, no source."""
USED_SHARE = 0.8
"""A budget of which so much is used is a Note (docs/engineering/reporting.md#data-card). Common
practice, no source."""
MB = 1_000_000
"""A megabyte as data plans count it. Definition."""


def card_findings(inputs: UnitInputs, now: int) -> list[Finding]:
    """What is to be done about the data card of the unit's device. now: UTC seconds."""
    return [f for f in (_ending(inputs, now), _budget(inputs, now)) if f is not None]


def _ending(inputs: UnitInputs, now: int) -> Finding | None:
    """The last day is near or past; heard after it, the date is what is wrong."""
    if inputs.unit.sim_ends is None:
        return None
    zone, last = inputs.site.time_zone, date.fromisoformat(inputs.unit.sim_ends)
    left = (last - local_date(now, zone)).days
    if left > AHEAD_DAYS:
        return None
    over = instant(date.fromordinal(last.toordinal() + 1), time(), zone)
    heard = max((p.heard_at for p in inputs.pulses if p.heard_at is not None), default=0)
    works = heard >= over
    since = (
        over if left < 0 else instant(date.fromordinal(last.toordinal() - AHEAD_DAYS), time(), zone)
    )
    return Finding(
        severity="next_visit" if left <= SOON_DAYS and not works else "note",
        since=since,
        facts=SimEnding(
            ends=inputs.unit.sim_ends, days_left=left, sim=inputs.unit.sim, works=works
        ),
    )


def _budget(inputs: UnitInputs, now: int) -> Finding | None:
    """The devices fitted now have sent this UTC month what the budget allows, or nearly."""
    budget_mb = inputs.unit.data_mb_month
    if budget_mb is None:
        return None
    today = local_date(now, "UTC")
    month = 12 * today.year + today.month - 1
    used_mb = sum(p.month_b for p in inputs.pulses if p.month == month) / MB
    if used_mb < USED_SHARE * budget_mb:
        return None
    return Finding(
        severity="note",
        since=instant(today.replace(day=1), time(), "UTC"),
        facts=DataBudget(
            used_mb=round(used_mb, 2), budget_mb=budget_mb, month=today.isoformat()[:7]
        ),
    )
