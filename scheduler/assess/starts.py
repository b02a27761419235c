"""How surely and how easily one unit starts: the rules of reliability over its demands."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from fleet.findings.starting import HarderStarting, StartsUnreliable
from fleet.model import Evidence, Finding, StartDemand
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess import epochs
from scheduler.rules import reliability
from scheduler.rules.reliability import AT_95, Harder, Share, Start, TooFew, Triggers, Verdict

YEAR_S = 365 * 86_400
"""Starts of so long are counted: a year. Definition."""
STARTING_PARTS = ("battery", "starter", "glow", "spark", "plug", "carburet", "inject", "choke")
"""A part whose name holds one of these starts the history of starting afresh."""


class StartsSeen(msgspec.Struct, frozen=True, kw_only=True):
    """A year of start demands. share: with its interval, None without a demand seen.

    harder: what like starts say of crank seconds and attempts; not_judged: why they say nothing.
    """

    share: Share | None = None
    harder: tuple[Harder, ...] = ()
    not_judged: str = ""


def look(
    inputs: UnitInputs,
    demands: Sequence[StartDemand],
    now: int,
    triggers: Triggers = AT_95,
) -> tuple[StartsSeen, tuple[Finding, ...]]:
    """Start reliability and harder starting at `now` (UTC s), of the demands of a year."""
    year = [d for d in demands if now - YEAR_S < d.at <= now]
    ended = sorted((d for d in year if d.end in ("started", "failed")), key=lambda d: d.at)
    verdict = reliability.judge([d.end == "failed" for d in ended], triggers)
    afresh = _afresh(inputs, now)
    found = reliability.harder(
        [
            Start(at=d.at, attempts=d.attempts, crank_s=d.crank_s, temp_c=d.temp_c)
            for d in ended
            if d.end == "started" and d.attempts > 0 and d.at > afresh
        ]
    )
    seen = StartsSeen(
        share=verdict.share,
        harder=() if isinstance(found, TooFew) else found,
        not_judged=found.reason if isinstance(found, TooFew) else "",
    )
    findings = [_unreliable(ended, verdict, triggers), _harder(ended, seen.harder)]
    return seen, tuple(finding for finding in findings if finding is not None)


def _afresh(inputs: UnitInputs, now: int) -> int:
    """When a part that matters for starting, or the device that tells of it, was last changed; 0:
    never."""
    parts = epochs.parts_changed(inputs, STARTING_PARTS, now)
    return max([epochs.fitted_from(inputs, now), *parts])


def _unreliable(
    ended: Sequence[StartDemand], verdict: Verdict, triggers: Triggers
) -> Finding | None:
    """Next visit: a trigger is reached. Same day: surely (99 %) under the target."""
    if not verdict.tripped or verdict.recovered:
        return None
    trip = verdict.tripped[0]
    last = ended[-trip.demands :]
    share = reliability.jeffreys(trip.failed, trip.demands)
    assert share is not None
    failures = [d for d in last if d.end == "failed"]
    return Finding(
        severity="same_day" if verdict.proven else "next_visit",
        since=failures[min(trip.limit, len(failures)) - 1].at,
        facts=StartsUnreliable(
            failed=trip.failed,
            demands=trip.demands,
            low=round(share.low, 4),
            high=round(share.high, 4),
            confidence=share.confidence,
            target=triggers.target,
            trigger=f"{trip.limit} of {trip.window} ({triggers.origin})",
            proven=verdict.proven,
        ),
        evidence=Evidence(
            channels=tuple(sorted({name for d in last for name in d.seen_by})),
            from_at=last[0].at,
            to_at=last[-1].at,
            readings=len(last),
        ),
    )


def _harder(ended: Sequence[StartDemand], harder: Sequence[Harder]) -> Finding | None:
    """Next visit: attempts or crank seconds have risen among starts at like temperature."""
    risen = [one for one in harder if one.found]
    if not risen:
        return None
    worst = min(risen, key=lambda one: one.p)
    return Finding(
        severity="next_visit",
        since=worst.to_at,
        facts=HarderStarting(
            measure=worst.measure,
            before=worst.before,
            now=worst.now,
            per_month=round(30 * worst.per_day, 4),
            per_month_low=round(30 * worst.per_day_low, 4),
            per_month_high=round(30 * worst.per_day_high, 4),
            starts=worst.n,
            temp_c=worst.temp_c,
            from_at=worst.from_at,
            chance=float(f"{worst.p:.2g}"),
        ),
        evidence=Evidence(
            channels=("start_attempts",) if worst.measure == "attempts" else ("crank_s",),
            from_at=worst.from_at,
            to_at=worst.to_at,
            readings=worst.n,
            note="Mann-Kendall, at like temperature",
        ),
    )
