"""The mains at a site."""

from __future__ import annotations

from fleet.findings.mains import lost_since
from fleet.findings.saying import moment
from fleet.model import MainsNow


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
