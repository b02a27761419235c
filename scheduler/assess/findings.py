"""What the rules of this part find, with the facts and the evidence each stands on."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from fleet.defaults import LIMIT_ON_S
from fleet.findings.reporting import ClockWrong, NotReporting, SequenceGaps
from fleet.findings.service import (
    HourFormatAsked,
    MeterDisagrees,
    MeterReset,
    MeterRolledOver,
    UsesIntegratedHours,
)
from fleet.findings.starting import FailedStart, NotInAuto
from fleet.model import (
    SEVERITIES,
    Condition,
    Evidence,
    Finding,
    HourFormat,
    MeterEvent,
    Run,
    StartDemand,
)
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess.condition import Now
from scheduler.assess.hours import CROSS_CHECK_S, Ledger
from scheduler.assess.last_known import newest
from scheduler.day import Day

ANSWERS = frozenset({"visit", "task_done", "part_changed"})
"""Records of somebody at the set: a failed start before them has been dealt with."""
EARLY_S = 86_400
"""A replaced meter written down up to so long before the device shows it answers the fall. Common
practice, no source."""
ROLL_OVER_SHOWN_S = 30 * 86_400
"""A roll-over is shown for 30 days. Common practice, no source."""
CLOCK_SHOWN_S = 86_400
"""A device's wrong clock is shown for a day after it was last seen wrong. Common practice, no
source."""
NEVER_HEARD_S = 86_400
"""A device fitted a day ago that has not spoken is silent; before, it is new. Common practice, no
source."""


def in_order(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """The gravest first, then the oldest."""
    rank = SEVERITIES.index
    return tuple(sorted(findings, key=lambda f: (rank(f.severity), f.since, f.kind, f.part)))


STANDING_VALUES = frozenset({"in_auto", "mains_v", "fuel_pct", "battery_v"})
"""Channels that say how a set stands now, whether it runs or not. Definition."""


def with_age(
    inputs: UnitInputs, found: Sequence[Finding], at: Now, limit_s: int, on_change: bool
) -> tuple[Finding, ...]:
    """Findings that stand on a value of now, each with when that was heard last, where it was not
    within the limit of silence; of a device that speaks on change, where nothing was.

    Gives: records in UTC seconds [UTC s]. Common practice, no source.
    """
    aged = []
    for finding in found:
        names = STANDING_VALUES.intersection(finding.evidence.channels)
        values = [v for name in names if (v := newest(inputs, name, at.now)) is not None]
        last = max((value.at for value in values), default=None)
        quiet = last is not None and at.now - last > limit_s
        if quiet and (at.silent or not on_change):
            finding = msgspec.structs.replace(finding, unheard_since=last)
        aged.append(finding)
    return tuple(aged)


def failed_start(
    inputs: UnitInputs, demands: Sequence[StartDemand], runs: Sequence[Run], at: Now
) -> Finding | None:
    """Act now: the newest demand failed, and nothing since says otherwise.

    Nothing means: no later demand that started, no later run, no visit, task or part recorded.
    A failure learned after a newer success is history, not news.
    """
    known = [d for d in demands if d.end in ("failed", "started", "by_hand") and d.at <= at.now]
    newest_demand = max(known, key=lambda d: d.at, default=None)
    if newest_demand is None or newest_demand.end != "failed":
        return None
    if any(run.start > newest_demand.at for run in runs):
        return None
    if any(r.kind in ANSWERS and newest_demand.at < r.at <= at.now for r in inputs.records):
        return None
    mains = newest(inputs, "mains_v", at.now)
    return Finding(
        severity="act_now",
        since=newest_demand.at,
        learned_at=newest_demand.learned_at,
        facts=FailedStart(
            attempts=newest_demand.attempts,
            at=newest_demand.at,
            failures=_streak(known),
            crank_min_v=newest_demand.crank_min_v,
            crank_s=newest_demand.crank_s,
            cause=newest_demand.cause or None,
            mains_v=None if mains is None else round(mains.value, 1),
            nominal_v=float(at.mains_v or inputs.unit.nominal_v),
        ),
        evidence=Evidence(
            channels=newest_demand.seen_by,
            from_at=newest_demand.at,
            to_at=newest_demand.at,
            readings=newest_demand.attempts,
        ),
    )


def _streak(known: Sequence[StartDemand]) -> int:
    """Failures in a row at the end."""
    count = 0
    for demand in sorted(known, key=lambda d: d.at, reverse=True):
        if demand.end != "failed":
            break
        count += 1
    return count


def not_reporting(
    at: Now, limit_s: int, last_condition: Condition, ran_at: int | None = None
) -> Finding | None:
    """No word: silent for longer than its limit, counted from receipt. Never heard: a Note.

    A device fitted at a known moment that has not spoken within a day is silent, not new.
    """
    silent = at.silence
    if not silent.fitted:
        return None
    if not silent.ever and (silent.since is None or at.now - silent.since < NEVER_HEARD_S):
        return Finding(
            severity="note",
            since=silent.since or 0,
            facts=NotReporting(
                limit_s=limit_s,
                never=True,
                puzzling_since=silent.puzzling_since,
                puzzling_at=silent.puzzling_at,
                two_devices=silent.two_devices,
            ),
            evidence=Evidence(
                note="nothing of it was understood" if silent.puzzling_at else "has never reported"
            ),
        )
    if not at.silent or silent.since is None:
        return None
    return Finding(
        severity="no_word",
        since=silent.since,
        facts=NotReporting(
            limit_s=limit_s,
            silent_since=silent.since,
            last_condition=last_condition,
            ran_at=ran_at,
            heard_at=silent.heard_at,
            puzzling_since=silent.puzzling_since,
            puzzling_at=silent.puzzling_at,
            two_devices=silent.two_devices,
            never=silent.heard_at is None,
        ),
        evidence=Evidence(to_at=silent.heard_at, note="by the time of receipt"),
    )


def not_in_auto(at: Now) -> Finding | None:
    """Act now: the panel switch has been out of automatic for the on-delay (60 s)."""
    spell = at.in_auto
    if spell is None or spell.value != 0 or at.now - spell.since < LIMIT_ON_S:
        return None
    return Finding(
        severity="act_now",
        since=spell.since,
        facts=NotInAuto(since=spell.since),
        evidence=Evidence(channels=("in_auto",), from_at=spell.since, to_at=spell.at),
    )


def meter_findings(
    inputs: UnitInputs, days: Sequence[Day], ledger: Ledger, now: int
) -> list[Finding]:
    """Notes on the metering, never on the engine."""
    check, formats = ledger.check, ledger.formats
    evidence = Evidence(channels=("run_hours_h",), from_at=check.from_at if check else None)
    found = [*_new_lives(inputs, days, now, formats)]
    if formats and formats[-1][1] == now:
        found.append(_format_asked(inputs, formats[-1], evidence, now))
    elif ledger.key_on and check is not None:
        found.append(_counts_standing(days, evidence, now))
    elif check is not None and check.disagrees:
        facts = MeterDisagrees(
            meter_h=round(check.meter_h, 2),
            integrated_h=round(check.integrated_h, 2),
            over_days=CROSS_CHECK_S // 86_400,
            follows="runs" if check.runs_seen else "meter",
        )
        found.append(Finding(severity="note", since=check.from_at, facts=facts, evidence=evidence))
    return found


def _new_lives(
    inputs: UnitInputs,
    days: Sequence[Day],
    now: int,
    formats: Sequence[tuple[int, int, HourFormat]],
) -> list[Finding]:
    """The newest fall nobody has answered, and the newest roll-over of late.

    Leaps of a meter that only writes its hours another way are none.
    """
    odd = [(a, b) for a, b, _ in formats]
    events = [e for day in days for e in day.meter if not any(a <= e.at <= b for a, b in odd)]
    answers = [r.at for r in inputs.records if r.kind in ("hour_meter", "meter_replaced")]
    replaced = [r.at + EARLY_S for r in inputs.records if r.kind == "meter_replaced"]
    answered = max([*answers, *replaced], default=None)
    resets = [e for e in events if e.kind == "reset" and (answered is None or e.at > answered)]
    rolled = [e for e in events if e.kind == "roll_over" and now - e.at < ROLL_OVER_SHOWN_S]
    found = [_meter_note(MeterReset, e) for e in resets[-1:]]
    return found + [_meter_note(MeterRolledOver, e) for e in rolled[-1:]]


def _format_asked(
    inputs: UnitInputs, seen: tuple[int, int, HourFormat], evidence: Evidence, now: int
) -> Finding:
    since, _, written = seen
    shown = newest(inputs, "run_hours_h", now)
    return Finding(
        severity="note",
        since=since,
        facts=HourFormatAsked(writes=written, shown=None if shown is None else shown.value),
        evidence=evidence,
    )


def _counts_standing(days: Sequence[Day], evidence: Evidence, now: int) -> Finding:
    since = next((d.last_at for d in days if d.rise_standing_h > 0 and d.last_at), now)
    standing = sum(day.rise_standing_h for day in days)
    before = not any(
        d.rise_standing_h > 0 for d in days if d.carry.fitting == days[-1].carry.fitting
    )
    facts = UsesIntegratedHours(standing_h=round(standing, 2), before=before)
    return Finding(severity="note", since=since, facts=facts, evidence=evidence)


def _meter_note(record: type[MeterReset | MeterRolledOver], event: MeterEvent) -> Finding:
    return Finding(
        severity="note",
        since=event.at,
        facts=record(before_h=event.before_h, after_h=event.after_h),
        evidence=Evidence(channels=("run_hours_h",), from_at=event.at, to_at=event.at),
    )


def device_findings(inputs: UnitInputs) -> list[Finding]:
    """Notes on the device: its clock, its numbering."""
    found: list[Finding] = []
    for pulse in inputs.pulses:
        since, last = pulse.clock_wrong_since, pulse.clock_wrong_at
        if since is not None and (
            last is None or pulse.heard_at is None or pulse.heard_at - last < CLOCK_SHOWN_S
        ):
            facts = ClockWrong(device=pulse.device, last_at=last or since)
            found.append(Finding(severity="note", since=since, part=pulse.device, facts=facts))
        if pulse.sequence_gaps > 0:
            found.append(
                Finding(
                    severity="note",
                    since=pulse.newest_at or pulse.heard_at or 0,
                    part=pulse.device,
                    facts=SequenceGaps(device=pulse.device, gaps=pulse.sequence_gaps),
                )
            )
    return found
