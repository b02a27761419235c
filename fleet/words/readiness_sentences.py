"""Readiness: would it start now? One sentence with its proof, or with its doubt."""

from __future__ import annotations

from fleet.findings import row_named
from fleet.findings.mains import lost_since
from fleet.findings.reporting import NOT_REPORTING
from fleet.findings.saying import condition, moment
from fleet.model import MainsNow, Readiness, ReadinessNow, UnitSummary

READINESS: dict[Readiness, str] = {
    "ready": "Ready",
    "doubtful": "Doubtful",
    "not_ready": "Not ready",
    "unknown": "Unknown",
    "set_aside": "Set aside",
}

REASONS: dict[str, str] = {
    "never_heard": "nothing was ever heard from it",
    "no_device": "no device speaks for it now",
    "too_new": "new here, and it has not yet started by itself",
    "not_proven": "not proven for {age}: it last started by itself {ago}",
    "not_proven_since": "not proven since it failed {when}",
    "never_proven": "it has not been seen to start by itself",
    "by_hand_only": "only run by hand, {ago}: that proves the engine, not the automatic",
    "volts_not_seen": "it started by itself {ago}, but nobody saw whether it gave voltage",
    "battery_replace": "the battery should be replaced",
    "crank_limit": "the battery fell below its limit while cranking",
    "out_of_band": "volts or hertz were out of their band at the last run",
    "adopted": "taken over, and its readings are not yet checked with a meter",
    "laid_up": "laid up since {when}",
    "out_of_service": "out of service for work since {when}",
}
"""What decided, where no finding does, whose row has the words: {when} a moment, {ago} how long ago,
{age} the same as a length."""


def readiness(now_: ReadinessNow | None, zone: str, now: int) -> str:
    """One sentence: the state and its proof, e.g. `Ready: started by itself 6 days ago and made
    231 V.` now: UTC seconds; zone: IANA name."""
    if now_ is None:
        return "Unknown: it has not been looked at yet."
    word = READINESS[now_.state]
    was = last_running(now_, zone, now)
    if now_.state == "ready":
        return f"{word}: {proof(now_, now)}.{was}"
    said = f"{word}: {reason(now_.why, now_, zone, now)}.{was}"
    if now_.state in ("doubtful", "unknown") and now_.why not in SPEAKS_OF_PROOF:
        held = proof(now_, now)
        said += f" It {held}." if held else ""
    return said


def condition_now(summary: UnitSummary, zone: str, now: int) -> str:
    """Its condition with what else is known where it is not known what it does now: `Last heard
    running, 02:14`, `Not reporting; last heard running, 02:14`, `Speaks, not understood since 02:14`.

    now: UTC seconds; zone: IANA name.
    """
    held = summary.readiness
    said = condition(summary.condition)
    if held is None:
        return said
    if held.two_devices:
        said = f"Two devices seem to speak as {held.two_devices}"
        if held.puzzling_since is not None:
            said += f" since {moment(held.puzzling_since, zone, now)}"
    elif held.puzzling_since is not None:
        said = f"Speaks, not understood since {moment(held.puzzling_since, zone, now)}"
    if held.ran_at is None:
        return said
    was = f"{condition('last_heard_running')}, {moment(held.ran_at, zone, now)}"
    return was if said == condition("last_heard_running") else f"{said}; {was[0].lower()}{was[1:]}"


def last_running(now_: ReadinessNow, zone: str, now: int) -> str:
    """` Last heard running, 02:14: whether it still runs is not known.`; empty of any other."""
    if now_.ran_at is None:
        return ""
    at = moment(now_.ran_at, zone, now)
    return f" Last heard running, {at}: whether it still runs is not known."


NOTHING_HEARD = frozenset({NOT_REPORTING.kind, "never_heard"})
SPEAKS_OF_PROOF = frozenset(
    {"not_proven", "never_proven", "by_hand_only", "volts_not_seen", "too_new", "never_heard"}
)


def proof(now_: ReadinessNow, now: int) -> str:
    """ "started by itself 6 days ago and made 231 V"; empty where it never did."""
    if now_.proof_at is None:
        return ""
    seems = "" if now_.proof_sure else ", as it seems,"
    made = "" if now_.proof_v is None else f" and made {now_.proof_v:.0f} V"
    return f"started by itself{seems} {ago(now - now_.proof_at)}{made}"


def reason(why: str, now_: ReadinessNow, zone: str, now: int) -> str:
    """One reason in words, without a full stop."""
    words = REASONS.get(why) or row_named(why).readiness.reason
    if not words:
        return why.replace("_", " ")
    decided = why == now_.why
    if decided and why in NOTHING_HEARD and now_.puzzling_since is not None:
        since = moment(now_.puzzling_since, zone, now)
        if now_.two_devices:
            return f"two devices seem to speak as {now_.two_devices} since {since}"
        return f"its device speaks, and is not understood since {since}"
    at = {
        "not_proven": now_.proof_at,
        "volts_not_seen": now_.proof_at,
        "by_hand_only": now_.hand_at,
    }.get(why, now_.since if decided else None)
    if at is None:
        return words.partition(" {")[0].removesuffix(" since").rstrip(" ,:")
    when = moment(at, zone, now)
    when = when if "since {when}" in words else f"at {when}"
    return words.format(when=when, ago=ago(now - at), age=length(now - at))


def others(now_: ReadinessNow, zone: str, now: int) -> list[str]:
    """The further reasons of its state, each a sentence."""
    return [f"Also {reason(why, now_, zone, now)}." for why in now_.others]


def length(seconds: float) -> str:
    """`40 min`, `7 hours`, `6 days`: whole and in words."""
    if seconds < 5400:
        return f"{max(1, round(seconds / 60))} min"
    if seconds < 36 * 3600:
        return f"{round(seconds / 3600)} hours"
    return f"{round(seconds / 86_400)} days"


def ago(seconds: float) -> str:
    """`6 days ago`."""
    return f"{length(max(0, seconds))} ago"


def mains_now(mains: MainsNow, zone: str, now: int) -> str:
    """Whether the mains is on at a site now, and since when, in words."""
    if mains.last == "unknown" or mains.since is None:
        return "Not seen: the mains is not wired."
    if mains.state == "unknown" and mains.at is not None:
        was = "on" if mains.last == "present" else "off"
        return f"Not known now; it was {was} at {moment(mains.at, zone, now)}."
    if mains.state == "absent":
        return f"Off {lost_since(mains.since, mains.since_earliest, zone, now)}."
    if mains.since_earliest is None:
        return f"On; no loss seen since {moment(mains.since, zone, now)}."
    return f"On {lost_since(mains.since, mains.since_earliest, zone, now)}."
