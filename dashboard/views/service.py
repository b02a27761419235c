"""Whether the service itself is all right: for the Health page in words, for programs in numbers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from dashboard import phrases
from dashboard.events import Condition
from dashboard.views.contract import Form, Next, View
from fleet import words
from fleet.model import Pulse, Unit
from fleet.registry.facts.rows import DeviceFacts, InboxMark, QuarantineRow, Refused
from fleet.registry.lists.rows import HealthFacts
from fleet.words import device_clock

EXPECTED = ("ingest", "scheduler", "dashboard")
LATE_S = 20
"""A program writes a sign of life every 5 s; three missed and a little is late. Common practice,
no source."""


Said = Mapping[str, object]
"""What a program says of itself: numbers and texts by name, as many as it likes."""


class Beat(msgspec.Struct, frozen=True, kw_only=True):
    """A program and when it was last heard; doc: what it says of itself."""

    program: str
    state: Literal["running", "late", "never"]
    at: int | None
    doc: Said = {}


def beats(heard: Mapping[str, tuple[int, Said]], now: int) -> list[Beat]:
    """The expected programs first, then any other that was heard."""
    found = []
    for program in (*EXPECTED, *sorted(set(heard) - set(EXPECTED))):
        at, doc = heard.get(program, (None, {}))
        state: Literal["running", "late", "never"] = "never"
        if at is not None:
            state = "running" if now - at <= LATE_S else "late"
        found.append(Beat(program=program, state=state, at=at, doc=doc))
    return found


def waiting_bytes(marks: Iterable[InboxMark]) -> int:
    """Bytes of the inbox not yet taken."""
    return sum(max(0, mark.size - mark.offset) for mark in marks if not mark.done)


PAYLOAD_SHOWN = 600
"""Bytes of a message that a page shows. A page's length."""
PROGRAM_WORDS = {
    "ingest": "takes messages from the broker",
    "scheduler": "works out days, findings and due work",
    "dashboard": "these pages",
}
STATES = {"running": "Running", "late": "Late", "never": "Not seen yet"}


class StatusView(View, frozen=True, kw_only=True):
    """ok, or attention when a program has not been heard in time."""

    status: str


class ProgramView(View, frozen=True, kw_only=True):
    """A program and its last sign of life."""

    program: str
    state: str
    beat_at: int | None
    beat_age_s: int | None


class HealthView(View, frozen=True, kw_only=True):
    """The service as who sees the whole fleet may know it."""

    form = Form(moments=frozenset({"now"}))
    status: str
    now: int
    programs: Sequence[ProgramView]
    units: int
    devices: int
    devices_unregistered: int
    newest_heard_at: int | None
    inbox_waiting_bytes: int
    touches_waiting: int
    quarantined: int
    open_alerts: int
    clocks_put_right: Annotated[
        int, Meta(description="devices whose stamps are read otherwise than they are written")
    ]
    clocks_too_coarse: Annotated[
        int, Meta(description="devices whose stamps are no times: their receipts are used")
    ]


def status_of(beats: Sequence[Beat]) -> str:
    """`ok`, or `attention` when a program has not been heard in time."""
    return "ok" if all(beat.state == "running" for beat in beats) else "attention"


def health_view(facts: HealthFacts, beats: Sequence[Beat], now: int) -> HealthView:
    """The service at `now` (UTC seconds)."""
    _, ingest = facts.heartbeats.get("ingest", (0, {}))
    return HealthView(
        status=status_of(beats),
        now=now,
        programs=[
            ProgramView(
                program=beat.program,
                state=beat.state,
                beat_at=beat.at,
                beat_age_s=None if beat.at is None else now - beat.at,
            )
            for beat in beats
        ],
        units=facts.units,
        devices=facts.devices,
        devices_unregistered=facts.unregistered,
        newest_heard_at=facts.newest_heard_at,
        inbox_waiting_bytes=waiting_bytes(facts.inbox),
        touches_waiting=facts.touches_device + facts.touches_unit,
        quarantined=facts.quarantined + facts.quarantined_over,
        open_alerts=facts.open_episodes,
        clocks_put_right=int(ingest.get("clocks_put_right", 0)),
        clocks_too_coarse=int(ingest.get("clocks_too_coarse", 0)),
    )


class QuarantineView(View, frozen=True, kw_only=True):
    """A message that could not be taken."""

    id: int
    device: str
    topic: str
    received_at: int
    reason: str
    fault_of: Annotated[str, Meta(description="device, or ours")]
    size_bytes: int
    payload: Annotated[
        str, Meta(description="at most the first 16 kB, bytes that are no UTF-8 replaced")
    ]


def quarantine_view(row: QuarantineRow) -> QuarantineView:
    """A message set aside as programs read it."""
    return QuarantineView(
        id=row.id,
        device=row.item.device,
        topic=row.item.topic,
        received_at=row.item.received_at,
        reason=row.item.reason,
        fault_of="ours" if row.item.ours else "device",
        size_bytes=row.size,
        payload=row.item.payload.decode("utf-8", "replace"),
    )


class RefusedView(View, frozen=True, kw_only=True):
    """Messages of a device set aside for one reason; example: the newest of them."""

    reason: str
    messages: int
    example: QuarantineView


class DeviceWireView(View, frozen=True, kw_only=True):
    """What of a device's messages was forgiven and refused."""

    form = Form(
        name="DeviceWire",
        about={
            "unit": "the set it speaks for now",
            "forgiven": "reason to how often, since the device was first heard",
            "unknown": "names outside the table of channels, each with a value it came with",
            "refused": "by reason, of the messages that are still kept (90 days, 1,000 a day)",
            "refused_not_kept": "more than a day's thousand: counted only",
        },
        moments=frozenset({"clock_wrong_since"}),
    )
    device: str
    unit: str | None
    heard_at: int | None
    forgiven: dict[str, int]
    unknown: dict[str, str]
    sequence_gaps: int
    clock_wrong_since: int | None
    refused: tuple[RefusedView, ...]
    refused_not_kept: int


def device_wire(
    facts: DeviceFacts, unit: Unit | None, refused: Sequence[Refused], over: int
) -> DeviceWireView:
    """A device as it is on the wire. over: messages set aside that were counted and not kept."""
    pulse = facts.pulse or Pulse(device=facts.device)
    return DeviceWireView(
        device=facts.device,
        unit=unit.id if unit else None,
        heard_at=pulse.heard_at,
        forgiven=pulse.forgiven,
        unknown=pulse.unknown,
        sequence_gaps=pulse.sequence_gaps,
        clock_wrong_since=pulse.clock_wrong_since,
        refused=tuple(
            RefusedView(
                reason=one.reason, messages=one.messages, example=quarantine_view(one.newest)
            )
            for one in refused
        ),
        refused_not_kept=over,
    )


class QuarantinePage(View, frozen=True, kw_only=True):
    """A page of messages set aside."""

    items: Sequence[QuarantineView]
    next: Next


@dataclass(frozen=True, slots=True, kw_only=True)
class Program:
    """A program in words. says: (name, words) of what it says of itself."""

    name: str
    does: str
    state: str
    word: str
    heard: str
    says: list[tuple[str, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class InboxFile:
    """A file of the inbox still being read."""

    file: str
    state: str
    lines: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Inbox:
    """Files still being read, and how many were read before, in words."""

    files: list[InboxFile]
    done: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OddDevice:
    """A device whose messages needed forgiving, and the set it speaks for ("": none)."""

    device: str
    unit: str
    odd: list[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAside:
    """A message set aside, in words; text: its beginning."""

    device: str
    topic: str
    when: str
    reason: str
    whose: str
    text: str
    size: str


def ago(at: int | None, now: int) -> str:
    """A moment on our own line: relative, or with the UTC clock when older."""
    return "" if at is None else phrases.fresh(at, "UTC", now)


def program(entry: Beat, now: int) -> Program:
    """A program in words; what it says of itself in plain pairs."""
    return Program(
        name=entry.program,
        does=PROGRAM_WORDS.get(entry.program, ""),
        state=entry.state,
        word=STATES[entry.state],
        heard=ago(entry.at, now),
        says=[
            (name.replace("_", " "), said(name, value, now))
            for name, value in sorted(entry.doc.items())
            if value not in ("", None)
        ],
    )


def said(name: str, value: object, now: int) -> str:
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


def inbox(facts: HealthFacts) -> Inbox:
    """Files of the inbox still being read, and how many were read before."""
    done = [mark for mark in facts.inbox if mark.done]
    return Inbox(
        files=[
            InboxFile(
                file=mark.file,
                state=f"{phrases.size(mark.offset)} of {phrases.size(mark.size)}",
                lines=phrases.count(mark.lines, "line"),
            )
            for mark in facts.inbox
            if not mark.done
        ],
        done=f"{phrases.count(len(done), 'file')} read to the end, "
        f"{phrases.count(sum(mark.lines for mark in done), 'line')}."
        if done
        else "",
    )


def forgiving(devices: list[tuple[DeviceFacts, Unit | None]]) -> list[OddDevice]:
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
        if pulse.two_devices:
            odd.append(f"two devices seem to speak as {facts.device}")
        if pulse.clock_wrong_since is not None:
            odd.append("clock wrong")
        if pulse.clock.zone:
            odd.append(f"its stamps are read as {device_clock.read_as(pulse.clock)}")
        if pulse.clock.coarse:
            odd.append(f"stamps in steps of {pulse.clock.grain_s} s")
        if odd:
            found.append(OddDevice(device=facts.device, unit=unit.id if unit else "", odd=odd))
    return found


def aside(row: QuarantineRow, now: int) -> SetAside:
    """A message set aside, its beginning shown as text."""
    text = row.item.payload[:PAYLOAD_SHOWN].decode("utf-8", "replace")
    return SetAside(
        device=row.item.device,
        topic=row.item.topic,
        when=words.moment(row.item.received_at, "UTC", now) + " UTC",
        reason=row.item.reason,
        whose="a fault of ours" if row.item.ours else "sent so by the device",
        text=text + ("…" if row.size > PAYLOAD_SHOWN else ""),
        size=phrases.size(row.size),
    )
