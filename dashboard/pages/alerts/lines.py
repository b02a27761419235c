"""How an alert is shown in a line, wherever it is listed: whose, what was seen, its life so far."""

from __future__ import annotations

from typing import Any

from dashboard import frames, phrases
from dashboard.deps import Desk
from dashboard.viewers import staff_name
from fleet import words
from fleet.findings import MainsOutage, ServiceDue, mains
from fleet.model import Episode, Scope
from fleet.registry import pages
from fleet.registry.types import UnitInputs
from fleet.words import alarms as said_of
from scheduler import alarms
from scheduler.alarms.lifecycle import newest

HELD: dict[str, str] = {"visit": "an open visit", "o": "an outage", "e": "our own line"}


def lines(desk: Desk, scope: Scope, found: list[Episode], now: int) -> list[dict[str, Any]]:
    """One line per cause: due work of one set, one severity and one state stands together."""
    rows: dict[tuple[object, ...], dict[str, Any]] = {}
    for episode in found:
        apart = "" if isinstance(episode.finding.facts, ServiceDue) else episode.id
        state = alarms.state_of(episode)
        key = (episode.subject, episode.kind, episode.severity, state, episode.closed_at, apart)
        row = line(desk, scope, episode, now)
        if key in rows:
            rows[key]["seen"] += row["seen"]
        else:
            rows[key] = row
    return list(rows.values())


def line(desk: Desk, scope: Scope, episode: Episode, now: int) -> dict[str, Any]:
    """One episode: whose, what was seen, and what became of it."""
    named, zone, phone = subject(desk, scope, episode)
    state = alarms.state_of(episode)
    said = words.sentence(episode.finding, zone, now)
    return named | {
        "episode": episode.id,
        "page": page_of(episode),
        "severity": episode.severity,
        "title_seen": said.title,
        "seen": [said.seen],
        "do": said.do,
        "cautions": said.cautions,
        "phone": phone,
        "zone": zone,
        "since": phrases.since(episode.finding.since, zone, now),
        "closed": episode.closed_at is not None,
        "state": state,
        "state_words": state_words(episode, zone, now, scope),
        "crossed": said_of.crossings_words(alarms.crossings(episode)),
        "life": life(episode, zone, now, scope),
        "may": [
            k
            for k in ("acknowledged", "shelved", "unshelved")
            if (state, k) in alarms.TRANSITIONS and state != "normal"
        ],
    }


def page_of(episode: Episode) -> str:
    """Where a message about it leads."""
    outage = isinstance(episode.finding.facts, MainsOutage)
    return f"/outages/{episode.id}" if outage else f"/alerts/{episode.id}"


def subject(desk: Desk, scope: Scope, episode: Episode) -> tuple[dict[str, str], str, str]:
    """(how it is named, the zone its times are shown in, the phone to call)."""
    kind, _, name = episode.subject.partition(":")
    row = pages.unit(desk.registry, scope, name) if kind == "unit" else None
    if row is not None:
        unit, site, customer, _ = row
        phone = site.phone or unit.phone or customer.phone
        return frames.named(unit, site, customer), site.time_zone, phone
    place, zone = mains.where(episode.finding.facts)
    title = place or ("This service" if kind == "service" else name)
    zone = zone or "UTC"
    return {"title": title, "href": "", "id": "", "customer": "", "area": ""}, zone, ""


def state_words(episode: Episode, zone: str, now: int, scope: Scope) -> str:
    """Where it stands, with who or until when: "Ann has it", "Shelved until 18:00"."""
    state = alarms.state_of(episode)
    if state == "acknowledged":
        step = newest(episode, "acknowledged")
        who = staff_name(scope, step.by) if step else ""
        return f"{who} has it" if who else said_of.STATES[state]
    if state == "shelved":
        step = newest(episode, "shelved")
        if step is not None and step.until is not None:
            return f"Shelved until {words.moment(step.until, zone, now)}"
    if state == "suppressed":
        step = newest(episode, "suppressed")
        cause = step.cause if step else ""
        kind = cause.partition(":")[0] if ":" in cause else cause[:1]
        return f"Held back by {HELD.get(kind, 'its cause')}"
    if episode.closed_at is not None:
        return "Over"
    return said_of.STATES[state]


def life(episode: Episode, zone: str, now: int, scope: Scope) -> list[str]:
    """Its steps in words; the off-delay's own steps are counted, not listed."""
    return [
        said_of.step_words(step, staff_name(scope, step.by), zone, now)
        for step in episode.steps
        if step.kind not in ("lapsed", "resumed")
    ]


def open_visit_words(inputs: UnitInputs | None, scope: Scope, zone: str, now: int) -> str:
    """Who is at the set now, as the open visit says; '' where nobody is known to be."""
    found = alarms.open_visit(inputs, now) if inputs else None
    if found is None:
        return ""
    record, begun = found
    who = staff_name(scope, record.by)
    return (
        f"A visit is open{f' by {who}' if who else ''} {phrases.since(begun, zone, now)}: "
        "its alerts are held back until it is closed."
    )
