"""Health: is the service itself all right? Programs, devices, what was set aside, the inbox."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import HTMLResponse

from dashboard import frames, phrases, programs
from dashboard.deps import LIVE, AtDesk, Reader, require
from dashboard.events import Condition
from fleet import words
from fleet.model import Unit
from fleet.registry import pages
from fleet.registry.types import DeviceFacts, HealthFacts, QuarantineRow

router = APIRouter(include_in_schema=False, dependencies=[require("reader", whole=True), *LIVE])

QUARANTINE_SHOWN = 50
DEVICES_SHOWN = 200
PAYLOAD_SHOWN = 600
PROGRAM_WORDS = {
    "ingest": "takes messages from the broker",
    "scheduler": "works out days, findings and due work",
    "dashboard": "these pages",
}
STATES = {"running": "Running", "late": "Late", "never": "Not seen yet"}


@router.get("/health-page", response_class=HTMLResponse)
def service(request: Request, desk: AtDesk, scope: Reader) -> HTMLResponse:
    now = desk.clock()
    facts = pages.health(desk.registry, scope)
    counts = pages.counts(desk.registry, scope)
    devices = pages.devices(desk.registry, scope)
    silent = counts.by_condition.get("not_reporting", 0)
    return frames.page(
        request,
        scope,
        "service.html",
        "health",
        now=now,
        facts=facts,
        units=counts.units,
        reporting=max(0, counts.units - silent - counts.not_assessed),
        silent=silent,
        unheard=counts.not_assessed,
        programs=[beat(entry, now) for entry in programs.beats(facts.heartbeats, now)],
        newest=ago(facts.newest_heard_at, now),
        waiting=facts.touches_device + facts.touches_unit,
        waiting_since=ago(facts.oldest_touch_at, now),
        inbox=inbox(facts),
        live=live(desk.feed.condition(), now),
        unregistered=[d.device for d, _ in devices if not d.registered][:DEVICES_SHOWN],
        forgiven=forgiving(devices)[:DEVICES_SHOWN],
        set_aside=[
            aside(row, now)
            for row in pages.quarantine(desk.registry, scope, None, QUARANTINE_SHOWN)
        ],
    )


def ago(at: int | None, now: int) -> str:
    """A moment on our own line: relative, or with the UTC clock when older."""
    return "" if at is None else phrases.fresh(at, "UTC", now)


def beat(entry: programs.Beat, now: int) -> dict[str, Any]:
    """A program in words; what it says of itself in plain pairs."""
    return {
        "name": entry.program,
        "does": PROGRAM_WORDS.get(entry.program, ""),
        "state": entry.state,
        "word": STATES[entry.state],
        "heard": ago(entry.at, now),
        "says": [
            (name.replace("_", " "), said(name, value, now))
            for name, value in sorted(entry.doc.items())
            if value not in ("", None)
        ],
    }


def said(name: str, value: Any, now: int) -> str:
    """One thing a program says of itself."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if name.endswith("_at") and isinstance(value, int):
        return ago(value, now)
    return phrases.quantity(value, 0) if isinstance(value, int) else str(value)


def live(condition: Condition, now: int) -> list[tuple[str, str]]:
    """How the pages that keep themselves fresh fare."""
    rows = [("Open pages that stay fresh", phrases.quantity(condition.listening))]
    if condition.unread_since is not None:
        since = ago(condition.unread_since, now)
        rows.append(("Changes cannot be read", f"since {since}, tried again: {condition.why}"))
    if condition.ended:
        rows.append(("Ended by a fault of their own", phrases.quantity(condition.ended)))
    return rows


def inbox(facts: HealthFacts) -> dict[str, Any]:
    """Files of the inbox still being read, and how many were read before."""
    done = [mark for mark in facts.inbox if mark.done]
    return {
        "files": [
            {
                "file": mark.file,
                "state": f"{phrases.size(mark.offset)} of {phrases.size(mark.size)}",
                "lines": phrases.count(mark.lines, "line"),
            }
            for mark in facts.inbox
            if not mark.done
        ],
        "done": f"{phrases.count(len(done), 'file')} read to the end, "
        f"{phrases.count(sum(mark.lines for mark in done), 'line')}."
        if done
        else "",
    }


def forgiving(devices: list[tuple[DeviceFacts, Unit | None]]) -> list[dict[str, Any]]:
    """Devices whose messages needed forgiving, miss numbers, or have a wrong clock."""
    found = []
    for facts, unit in devices:
        pulse = facts.pulse
        if pulse is None:
            continue
        odd = [f"{reason.replace('_', ' ')}: {n}" for reason, n in sorted(pulse.forgiven.items())]
        if pulse.unknown:
            odd.append(f"unknown names: {', '.join(sorted(pulse.unknown)[:6])}")
        if pulse.sequence_gaps:
            odd.append(f"messages missing: {pulse.sequence_gaps}")
        if pulse.clock_wrong_since is not None:
            odd.append("clock wrong")
        if odd:
            found.append({"device": facts.device, "unit": unit.id if unit else "", "odd": odd})
    return found


def aside(row: QuarantineRow, now: int) -> dict[str, str]:
    """A message set aside, its beginning shown as text."""
    text = row.item.payload[:PAYLOAD_SHOWN].decode("utf-8", "replace")
    return {
        "device": row.item.device,
        "topic": row.item.topic,
        "when": words.moment(row.item.received_at, "UTC", now) + " UTC",
        "reason": row.item.reason,
        "whose": "a fault of ours" if row.item.ours else "sent so by the device",
        "text": text + ("…" if row.size > PAYLOAD_SHOWN else ""),
        "size": phrases.size(row.size),
    }
