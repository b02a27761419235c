"""The mains at a site."""

from __future__ import annotations

from fleet.model import Finding, MainsNow
from fleet.words.saying import Sentence, Speaker, moment


def _mains_lost(f: Finding, zone: str, now: int) -> Sentence:
    seen = f"No mains at the site {_since(f.since, f.facts.get('earliest_at'), zone, now)}."
    if isinstance(volts := f.facts.get("mains_v"), int | float):
        seen += f" It last read {volts:.0f} V of {f.facts['nominal_v']:.0f} V."
    do = ""
    if f.facts.get("alone") == "alone":
        seen += " Sets nearby have mains: it is this site's own, its main switch or a fuse."
        do = "Call the site and ask what they see."
    return Sentence(title="No mains", seen=seen, do=do)


def _since(since: int, earliest: object, zone: str, now: int) -> str:
    """ "since 14:05", or "since between 13:50 and 14:05" where it was seen only between reports."""
    latest = moment(since, zone, now)
    if not isinstance(earliest, int) or since - earliest < 120:
        return f"since {latest}" if earliest is not None else f"since {latest} at the latest"
    return f"since between {moment(earliest, zone, now)} and {latest}"


def mains_now(mains: MainsNow, zone: str, now: int) -> str:
    """Whether the mains is on at a site now, and since when, in words."""
    if mains.last == "unknown" or mains.since is None:
        return "Not seen: the mains is not wired."
    if mains.state == "unknown" and mains.at is not None:
        was = "on" if mains.last == "present" else "off"
        return f"Not known now; it was {was} at {moment(mains.at, zone, now)}."
    if mains.state == "absent":
        return f"Off {_since(mains.since, mains.since_earliest, zone, now)}."
    if mains.since_earliest is None:
        return f"On; no loss seen since {moment(mains.since, zone, now)}."
    return f"On {_since(mains.since, mains.since_earliest, zone, now)}."


SPEAKERS: dict[str, Speaker] = {"mains_lost": _mains_lost}
SENDS_A_PERSON: frozenset[str] = frozenset()
