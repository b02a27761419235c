"""Readiness: would this set start now and carry its load?

Ready needs proof: it started by itself and made volts within its proof time, and nothing since
speaks against it. A start by hand proves the engine, not the automatic. What is not wired is not
seen, never good. The first that applies of set aside, not ready, unknown, doubtful, ready.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from fleet.calendar import DAY_S
from fleet.defaults import LEARNING_DAYS
from fleet.findings import battery, reporting, row_of, starting
from fleet.findings.battery import BatteryOld, OfBattery, OverCharge
from fleet.findings.supply import dangers
from fleet.model import Criticality, Finding, Readiness, ReadinessNow, Run, StartDemand

PROOF_S = 35 * DAY_S
LIFE_MORE_S, LIFE_LEAST_S = 3 * DAY_S, 10 * DAY_S
"""Proof of the automatic: 35 days, or two exercise intervals if shorter; life sites one interval
and 3 days, at least 10, at most 35 (docs/engineering/readiness.md#proof). Common practice, no
source."""

Made = Literal["yes", "no", "in_part", "wild", "not_seen"]
"""in_part: on some of its circuits only, while another was dead or wild; wild: far too many."""
BAD = frozenset({"no", "in_part", "wild"})
"""Runs that prove nothing, and speak against what others proved."""


@dataclass(frozen=True, slots=True)
class Proof:
    """A run that began by itself. sure: that it did; made: whether it gave volts, and how many."""

    at: int
    why: Literal["exercise", "outage"]
    sure: bool
    made: Made
    volts: float | None = None


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a set at `now` (UTC seconds).

    aside: why people set it aside, since when. silent_since: nothing heard since then, beyond its
    limit; None: it is heard. fitted: a device speaks for it. begun_at: first heard of, or fitted (None: never heard).
    demands and runs: rising. proofs: runs that began by itself, rising. halted_at: it shut itself
    down, and nothing ran nor was anybody there since; hand_at: newest run by hand.
    last_made: whether the newest run gave volts. battery: the verdict on it; crank_low_at: the newest
    start, where it fell under the cranking limit. blind: not wired.
    """

    now: int
    limit_s: int
    aside: tuple[str, int] | None = None
    silent_since: int | None = None
    fitted: bool = True
    begun_at: int | None = None
    findings: Sequence[Finding] = ()
    demands: Sequence[StartDemand] = ()
    runs: Sequence[Run] = ()
    proofs: Sequence[Proof] = ()
    halted_at: int | None = None
    halts: Sequence[int] = ()
    hand_at: int | None = None
    last_made: Made = "not_seen"
    battery: str = ""
    crank_low_at: int | None = None
    out_at_last_run: bool = False
    adopted: bool = False
    blind: tuple[str, ...] = ()


Reason = tuple[str, int | None]
"""(what decided it, since when)."""


def proof_limit_s(criticality: Criticality, interval_s: int | None) -> int:
    """How long a proof holds [s]. interval_s: between two agreed exercises; None: none agreed.

    35 days, or two intervals if shorter; life sites one interval and 3 days, at least 10, at most
    35.

    Gives: [s]. Common practice, no source.
    """
    if interval_s is None:
        return PROOF_S
    if criticality == "life":
        return min(PROOF_S, max(LIFE_LEAST_S, interval_s + LIFE_MORE_S))
    return min(PROOF_S, 2 * interval_s)


def learning_until(begun_at: int | None, now: int) -> int | None:
    """End of the learning time of a new set, 14 days from begun_at (UTC s); None: over, or never
    heard.

    Gives: [UTC s]. Common practice, no source.
    """
    if begun_at is None:
        return None
    until = begun_at + LEARNING_DAYS * DAY_S
    return until if until > now else None


def judge(known: Known) -> ReadinessNow:
    """The verdict, with its proof and every reason of its state, the first of which decided.

    The first that applies of set aside, not ready, unknown, doubtful, ready.

    Gives: a record. Definition.
    """
    proof = standing_proof(known)
    for state, reasons in (
        ("set_aside", [known.aside] if known.aside else []),
        ("not_ready", not_ready(known)),
        ("unknown", unknown(known, proof)),
        ("doubtful", doubts(known, proof)),
    ):
        if reasons:
            return _verdict(state, reasons, proof, known)  # type: ignore[arg-type]
    assert proof is not None
    return _verdict("ready", [("proven", proof.at)], proof, known)


def _verdict(
    state: Readiness, reasons: Sequence[Reason], proof: Proof | None, known: Known
) -> ReadinessNow:
    newest = proof or (known.proofs[-1] if known.proofs else None)
    why, since = reasons[0]
    return ReadinessNow(
        state=state,
        why=why,
        since=since,
        others=tuple(dict.fromkeys(kind for kind, _ in reasons[1:] if kind != why)),
        proof_at=None if newest is None else newest.at,
        proof_why="" if newest is None else newest.why,
        proof_sure=newest is not None and newest.sure,
        proof_v=None if newest is None else newest.volts,
        proof_limit_s=known.limit_s,
        hand_at=known.hand_at,
        blind=known.blind,
    )


def standing_proof(known: Known) -> Proof | None:
    """The newest start by itself that nothing since speaks against, however old; None: none.

    Gives: a record, or none. Definition.
    """
    against = [d.at for d in known.demands if d.end == "failed"]
    against += known.halts
    newest = known.proofs[-1] if known.proofs else None
    if newest is None or newest.made in BAD:
        return None
    return newest if newest.at >= max(against, default=0) else None


def not_ready(known: Known) -> list[Reason]:
    """The last demand failed and none succeeded since; shut down; not in auto; no volts.

    Volts that no meter has been on yet do not say that there are none.

    Gives: reasons, words with since when [UTC s]. Definition.
    """
    found: list[Reason] = []
    failed = _failed(known)
    if failed is not None:
        found.append((starting.FAILED_START.kind, failed.at))
    if known.halted_at is not None:
        found.append((starting.SHUT_DOWN.kind, known.halted_at))
    found += [
        (f.kind, f.since)
        for f in known.findings
        if f.severity in row_of(f.facts).readiness.not_ready
    ]
    if known.last_made == "no" and known.runs and not known.adopted:
        found.append((dangers.NO_OUTPUT.kind, known.runs[-1].start))
    return found


def _failed(known: Known) -> StartDemand | None:
    told = [d for d in known.demands if d.end in ("failed", "started", "by_hand")]
    newest = max(told, key=lambda d: d.at, default=None)
    if newest is None or newest.end != "failed":
        return None
    return None if any(run.start > newest.at for run in known.runs) else newest


def unknown(known: Known, proof: Proof | None) -> list[Reason]:
    """Silent beyond its limit, never heard, or too new to have proven anything.

    Gives: reasons, words with since when [UTC s]. Definition.
    """
    if not known.fitted:
        return [("no_device", None)]
    if known.begun_at is None:
        return [("never_heard", None)]
    if known.silent_since is not None:
        return [(reporting.NOT_REPORTING.kind, known.silent_since)]
    if proof is None and learning_until(known.begun_at, known.now) is not None:
        return [("too_new", known.begun_at)]
    return []


def doubts(known: Known, proof: Proof | None) -> list[Reason]:
    """Everything that speaks against being sure, want of proof first.

    Gives: reasons, words with since when [UTC s]. Definition.
    """
    found: list[Reason] = []
    if known.last_made == "in_part" and known.runs:
        found.append((dangers.LEG_OUT.kind, known.runs[-1].start))
    if known.last_made == "wild" and known.runs:
        found.append((dangers.OVER_VOLTAGE.kind, known.runs[-1].start))
    if proof is None:
        found.append(_unproven(known))
    elif known.now - proof.at > known.limit_s:
        found.append(("not_proven", proof.at + known.limit_s))
    elif proof.made == "not_seen":
        found.append(("volts_not_seen", proof.at))
    if known.battery == "charger_fault":
        found.append((battery.CHARGER_FAULT.kind, _since_battery(known)))
    elif known.battery == "replace":
        found.append(("battery_replace", _since_battery(known)))
    if known.crank_low_at is not None:
        found.append(("crank_limit", known.crank_low_at))
    found += [(f.kind, f.since) for f in known.findings if _doubts(f)]
    if known.out_at_last_run:
        found.append(("out_of_band", known.runs[-1].start if known.runs else None))
    if known.adopted:
        found.append(("adopted", known.begun_at))
    return found


def _unproven(known: Known) -> Reason:
    """Never by itself, not since its last failure, or by hand only."""
    against = [*(d.at for d in known.demands if d.end == "failed"), *known.halts]
    against += [proof.at for proof in known.proofs if proof.made in BAD]
    failed = max(against, default=None)
    if failed is not None and known.proofs:
        return "not_proven_since", failed
    if known.hand_at is not None and not known.proofs:
        return "by_hand_only", known.hand_at
    return "never_proven", known.begun_at


def _doubts(finding: Finding) -> bool:
    says = row_of(finding.facts).readiness
    return finding.severity in says.doubtful and says.where(finding.facts)


def _since_battery(known: Known) -> int | None:
    """Since when something is found of the battery or its charger."""
    found = [
        f.since
        for f in known.findings
        if isinstance(f.facts, OfBattery | BatteryOld) and not isinstance(f.facts, OverCharge)
    ]
    return min(found, default=None)
