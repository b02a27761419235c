"""Readiness: would it start now? One sentence with its proof, or with its doubt."""

from __future__ import annotations

from fleet.model import Finding, Readiness, ReadinessNow
from fleet.words.saying import CAUTIONS, Sentence, Speaker, began, moment

READINESS: dict[Readiness, str] = {
    "ready": "Ready",
    "doubtful": "Doubtful",
    "not_ready": "Not ready",
    "unknown": "Unknown",
    "set_aside": "Set aside",
}

REASONS: dict[str, str] = {
    "failed_start": "did not start {when}, and no start was seen since",
    "shut_down": "stopped itself or was stopped for emergency {when}, and no run was seen since",
    "not_in_auto": "the panel switch is not in automatic",
    "no_output": "it ran and gave no voltage",
    "volts_standing": "volts stand on its output while it stands still",
    "never_heard": "nothing was ever heard from it",
    "no_device": "no device speaks for it now",
    "not_reporting": "nothing heard since {when}",
    "too_new": "new here, and it has not yet started by itself",
    "not_proven": "not proven for {age}: it last started by itself {ago}",
    "not_proven_since": "not proven since it failed {when}",
    "never_proven": "it has not been seen to start by itself",
    "by_hand_only": "only run by hand, {ago}: that proves the engine, not the automatic",
    "volts_not_seen": "it started by itself {ago}, but nobody saw whether it gave voltage",
    "battery_replace": "the battery should be replaced",
    "crank_limit": "the battery fell below its limit while cranking",
    "charger_fault": "the battery charger does not charge as it should",
    "fuel_low": "fuel is low",
    "exercise_missed": "it missed its exercise twice",
    "voltage_out": "its volts are out of their band",
    "frequency_out": "its hertz are out of their band",
    "over_voltage": "its volts are far too high",
    "open_neutral": "its phases or legs stand apart as with an open neutral",
    "leg_out": "a phase or leg of its output was dead or far from its volts while it ran",
    "out_of_band": "volts or hertz were out of their band at the last run",
    "harder_starting": "it has come to start harder",
    "starts_unreliable": "its starts fail often",
    "service_due": "service is late beyond its tolerance",
    "adopted": "taken over, and its readings are not yet checked with a meter",
    "laid_up": "laid up since {when}",
    "out_of_service": "out of service for work since {when}",
}
"""What decided, in words: {when} a moment, {ago} how long ago, {age} the same as a length."""


def readiness(now_: ReadinessNow | None, zone: str, now: int) -> str:
    """One sentence: the state and its proof, e.g. `Ready: started by itself 6 days ago and made
    231 V.` now: UTC seconds; zone: IANA name."""
    if now_ is None:
        return "Unknown: it has not been looked at yet."
    word = READINESS[now_.state]
    if now_.state == "ready":
        return f"{word}: {proof(now_, now)}."
    said = f"{word}: {reason(now_.why, now_, zone, now)}."
    if now_.state in ("doubtful", "unknown") and now_.why not in SPEAKS_OF_PROOF:
        held = proof(now_, now)
        said += f" It {held}." if held else ""
    return said


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
    words = REASONS.get(why)
    if words is None:
        return why.replace("_", " ")
    decided = why == now_.why
    at = {
        "not_proven": now_.proof_at,
        "volts_not_seen": now_.proof_at,
        "by_hand_only": now_.hand_at,
    }.get(why, now_.since if decided else None)
    if at is None:
        return words.partition(" {")[0].removesuffix(" since").rstrip(" ,:")
    when = moment(at, zone, now)
    when = when if why in ("not_reporting", "laid_up", "out_of_service") else f"at {when}"
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


def _shut_down(f: Finding, zone: str, now: int) -> Sentence:
    pushed = f.facts.get("event") == "emergency_stop"
    seen = "Its emergency stop was pushed" if pushed else "Shut itself down"
    seen += f" at {began(f, zone, now)}, and it was not seen running since."
    if f.facts.get("cause"):
        seen += f" The controller says: {f.facts['cause']}."
    return Sentence(
        title="Emergency stop" if pushed else "Shut down on a fault",
        seen=seen,
        do="Call the site, send the nearest van: it stays down until somebody has found out why.",
        cautions=CAUTIONS,
    )


SPEAKERS: dict[str, Speaker] = {"shut_down": _shut_down}
SENDS_A_PERSON = frozenset({"shut_down"})
