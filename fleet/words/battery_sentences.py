"""The starter battery and its charger: what may keep a set from cranking."""

from __future__ import annotations

from collections.abc import Sequence

from fleet.findings.battery import cranked_low, days_left, on, volts

__all__ = [
    "CHARGERS",
    "CHEMISTRIES",
    "VERDICTS",
    "cranked_low",
    "days_left",
    "on",
    "stands",
    "volts",
]

CHARGERS = {
    "none": "no charger",
    "float": "a float charger",
    "on_off": "a charger that switches on and off",
    "boost": "a charger with a weekly boost",
    "solar": "a solar panel",
    "unknown": "not known yet",
}
CHEMISTRIES = {"flooded": "flooded", "agm": "AGM", "gel": "gel", "lfp": "lithium iron phosphate"}
VERDICTS = {
    "good": "Good",
    "watch": "Watch",
    "replace": "Replace",
    "charger_fault": "Charger fault",
    "not_enough_data": "Not enough seen to say",
}

STANDS: dict[str, str] = {
    "cranking": "It cranks the engine as a healthy battery does.",
    "rest": "It holds its charge.",
    "start": "It is charged as usual and cranked the engine at the last start; how strongly is not "
    "measured.",
    "failed_cell": "A cell looks failed: it may not start the engine.",
    "charger": "It is not being charged: it may not start the engine once it has run down.",
    "over_charge": "It is charged too high, which dries it out.",
    "fallen": "It cranks lower than it did: it may not start the engine in the cold.",
    "trend": "It cranks lower month by month: it may not start the engine in the cold.",
    "runs_down": "Nothing charges it between runs, and it runs down.",
}
AGAINST = {
    ("replace", "cranking"): "It cranks below its limit: it may not start the engine.",
    ("watch", "rest"): "It rests less than half charged: it may not start the engine in the cold.",
}


def stands(verdict: str, why: str, by: Sequence[str] = (), low: str = "") -> str:
    """The verdict on a battery in one sentence a customer understands. by: the looks there were; low:
    `cranked_low`, where that is why."""
    if verdict == "not_enough_data":
        charged = (
            "It is charged as usual, which says nothing of its strength: " if "charge" in by else ""
        )
        return f"{charged}{'a' if charged else 'A'} start or a long rest would show it."
    if why == "low":
        return f"{low}: its cables, its size or the measuring deserve a look."
    return AGAINST.get((verdict, why)) or STANDS.get(why, "")
