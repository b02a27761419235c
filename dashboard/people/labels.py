"""People, roles, rights and what was done, in words. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from dashboard import phrases
from fleet import calendar
from fleet.registry.people import AuditKind, Right, Role

ROLE_WORDS: dict[Role, str] = {
    "reader": "Customer",
    "technician": "Technician",
    "office": "Office",
    "owner": "Owner",
}
ROLE_HINTS: dict[Role, str] = {
    "reader": "sees the sets of the chosen customers, and writes nothing",
    "technician": "sees every set and writes down what was done",
    "office": "the same, shares links with customers, reads the metrics",
    "owner": "everything, and who may come in",
}
RIGHT_WORDS: dict[Right, str] = {"read": "read", "record": "add records"}
AUDIT_WORDS: dict[AuditKind, str] = {
    "owner_made": "Became the first owner",
    "sign_in": "Signed in",
    "sign_in_failed": "Sign-in refused",
    "sign_out": "Signed out",
    "session_ended": "Sessions ended",
    "password_changed": "Password changed",
    "person_added": "Person added",
    "person_invited": "Link to choose a password made",
    "person_changed": "Person changed",
    "token_made": "Token made",
    "token_revoked": "Token revoked",
    "share_made": "Share link made",
    "share_opened": "Share link opened",
    "share_revoked": "Share link revoked",
    "record_added": "Record added",
    "job_changed": "Job changed",
    "contract_changed": "Contract changed",
    "technician_changed": "Technician changed",
    "site_card_changed": "Site card changed",
    "codes_seen": "Key and codes looked at",
    "round_published": "Rounds published",
    "feed_made": "Calendar address made",
    "feed_revoked": "Calendar address revoked",
    "setting_changed": "Setting changed",
    "channel_changed": "How somebody is reached changed",
    "alert_answered": "Alert answered",
    "alert_marked": "Alert marked",
    "call_made": "Call made",
    "restored": "Restored from a backup",
}
BROWSERS: Mapping[str, str] = {
    "Firefox/": "Firefox",
    "Edg/": "Edge",
    "OPR/": "Opera",
    "Chrome/": "Chrome",
    "Safari/": "Safari",
}
SYSTEMS: Mapping[str, str] = {
    "iPhone": "iPhone",
    "iPad": "iPad",
    "Android": "Android",
    "Windows": "Windows",
    "Mac OS": "Mac",
    "CrOS": "Chromebook",
    "Linux": "Linux",
}


def browser(agent: str) -> str:
    """A browser as its owner would name it; what it says of itself may be anything."""
    what = next((name for mark, name in BROWSERS.items() if mark in agent), "")
    where = next((name for mark, name in SYSTEMS.items() if mark in agent), "")
    return " on ".join(filter(None, (what, where))) or "a browser"


def when(at: int, now: int) -> str:
    """A moment of our own (no site's): relative while fresh, else by the UTC clock, said so."""
    text = phrases.fresh(at, "UTC", now)
    return text if abs(now - at) < phrases.FRESH_S else f"{text} UTC"


def day(at: int, now: int) -> str:
    """A UTC day as a person says it."""
    today = calendar.local_date(now, "UTC")
    return phrases.day_words(calendar.local_date(at, "UTC"), today)
