"""What ingest writes: pulses, events, quarantine, receipts, inbox marks."""

from __future__ import annotations

import msgspec
import pytest
import sqlalchemy as sa
from register_rows import NOW, TODAY, row, take

from fleet.model import (
    EVERYTHING,
    DeviceEvent,
    Habit,
    Latest,
    Pulse,
    Quarantined,
    Status,
)
from fleet.registry import lists, unscoped
from fleet.registry.base import tables
from fleet.registry.base.engine import Registry
from fleet.registry.facts.rows import InboxMark, PulseBatch

pytest_plugins = ["databases"]

PULSE = Pulse(
    device="D1", heard_at=NOW, newest_at=NOW - 5, latest={"battery_v": Latest(NOW - 5, 12.62)}
)
EVENT = DeviceEvent(
    device="D1",
    at=NOW - 60,
    event="failed_to_start",
    cause="no fuel",
    values={"crank_min_v": 9.41},
    received_at=NOW,
)


def touches(reg: Registry) -> dict[tuple[str, str, int], sa.Row[tuple[object, ...]]]:
    with reg.read() as connection:
        return {(r.whose, r.id, r.day): r for r in connection.execute(sa.select(tables.touch))}


def test_a_pulse_comes_back_as_it_was(reg: Registry) -> None:
    unscoped.pulse(reg, PulseBatch(now=NOW, pulses=[PULSE], groups={"D1": "north"}))
    facts = unscoped.device_facts(reg)["D1"]
    assert facts.pulse == PULSE
    assert (facts.group, facts.registered, facts.zone, facts.unit) == ("north", False, "UTC", None)
    newer = msgspec.structs.replace(PULSE, heard_at=NOW + 9, latest={})
    unscoped.pulse(reg, PulseBatch(now=NOW + 9, pulses=[newer], groups={"D1": "south"}))
    facts = unscoped.device_facts(reg)["D1"]
    assert (facts.pulse, facts.group) == (newer, "south")


def test_facts_of_a_registered_device(reg: Registry) -> None:
    take(reg, row(device="D1", habit="on_change 7200", group="depot"))
    facts = unscoped.device_facts(reg)["D1"]
    assert (facts.group, facts.registered, facts.zone) == ("depot", True, "Europe/Berlin")
    assert (facts.unit, facts.pulse) == ("U1", None)
    assert facts.habit == Habit(mode="on_change", heartbeat_s=7200, source="register")


def test_a_heard_device_keeps_its_group_when_it_is_registered(reg: Registry) -> None:
    unscoped.pulse(reg, PulseBatch(now=NOW, pulses=[PULSE], groups={"D1": "north"}))
    take(reg, row(device="D1"))
    facts = unscoped.device_facts(reg)["D1"]
    assert (facts.registered, facts.group) == (True, "north")


def test_the_office_s_group_goes_over_the_topic_s(reg: Registry) -> None:
    take(reg, row("U1", group="depot"), row("U2"))
    unscoped.pulse(reg, PulseBatch(now=NOW, groups={"U1": "north", "U2": "north"}))
    facts = unscoped.device_facts(reg)
    assert (facts["U1"].group, facts["U2"].group) == ("depot", "north")


def test_the_same_batch_again_doubles_nothing(reg: Registry) -> None:
    junk = Quarantined(device="D1", topic="a/b", received_at=NOW, reason="why", payload=b"\xff\x00")
    batch = PulseBatch(
        now=NOW,
        pulses=[PULSE],
        touched={"D1": {TODAY}},
        events=[EVENT, EVENT],
        quarantined=[junk, junk],
        receipts=[("k", NOW)],
        inbox=InboxMark(file="a.jsonl", offset=10, lines=1, size=99),
    )
    for _ in range(3):
        unscoped.pulse(reg, batch)
    assert unscoped.events(reg, "D1", 0, NOW + 1) == [EVENT]
    assert [q.item for q in lists.quarantine(reg, EVERYTHING, "D1")] == [junk]
    assert [(c.kept, c.over) for c in lists.quarantine_counts(reg, EVERYTHING)] == [(1, 0)]
    assert unscoped.find_receipts(reg, ["k", "other"], NOW - 1) == {"k": NOW}
    assert unscoped.inbox_marks(reg) == {"a.jsonl": batch.inbox}


def test_a_touch_gets_a_new_seq_every_time_and_only_rises(reg: Registry) -> None:
    key = ("device", "D1", TODAY)
    unscoped.pulse(reg, PulseBatch(now=NOW, touched={"D1": {TODAY}}))
    first = touches(reg)[key]
    unscoped.pulse(reg, PulseBatch(now=NOW + 5, touched={"D1": {TODAY}}, events=[EVENT]))
    second = touches(reg)[key]
    unscoped.pulse(reg, PulseBatch(now=NOW + 9, touched={"D1": {TODAY}}))
    third = touches(reg)[key]
    assert len({first.seq, second.seq, third.seq}) == 3
    assert [x.priority for x in (first, second, third)] == [0, 1, 1]
    assert [x.since for x in (first, second, third)] == [NOW] * 3


def test_an_event_and_a_last_will_touch_their_day_first_of_all(reg: Registry) -> None:
    late = msgspec.structs.replace(EVENT, at=NOW - 9 * 86_400)
    will = Status(device="D2", state="offline", received_at=NOW)
    unscoped.pulse(reg, PulseBatch(now=NOW, events=[late], statuses=[will]))
    found = touches(reg)
    assert set(found) == {("device", "D1", TODAY - 9), ("device", "D2", TODAY)}
    assert all(touch.priority for touch in found.values())


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_two_events_with_one_key_end_alike_in_any_order(
    reg: Registry, order: tuple[int, int]
) -> None:
    """Order-independent, as Days must be: docs/engineering/runs.md#order."""
    two = [EVENT, msgspec.structs.replace(EVENT, cause="low battery", received_at=NOW + 7)]
    for i in order:
        unscoped.pulse(reg, PulseBatch(now=NOW, events=[two[i]]))
    (kept,) = unscoped.events(reg, "D1", 0, NOW)
    assert kept.cause == "no fuel"
    assert kept.received_at == NOW


def test_events_are_half_open_and_in_order(reg: Registry) -> None:
    moments = [NOW, NOW - 120, NOW - 60]
    events = [msgspec.structs.replace(EVENT, at=at) for at in moments]
    unscoped.pulse(reg, PulseBatch(now=NOW, events=events))
    assert [e.at for e in unscoped.events(reg, "D1", NOW - 120, NOW)] == [NOW - 120, NOW - 60]
    assert unscoped.events(reg, "D2", 0, NOW) == []


def test_a_trace_keeps_its_samples(reg: Registry) -> None:
    trace = DeviceEvent(
        device="D1",
        at=NOW,
        event="trace",
        channel="battery_v",
        step_s=0.05,
        samples=(12.5, 9.41, 10.2),
        received_at=NOW,
    )
    unscoped.pulse(reg, PulseBatch(now=NOW, events=[trace]))
    assert unscoped.events(reg, "D1", NOW, NOW + 1) == [trace]


def test_quarantine_keeps_1000_a_device_and_day_and_counts_the_rest(reg: Registry) -> None:
    """docs/engineering/ingest.md#limits: 1,000 a device and day (the rest counted), 16 kB of each."""

    def junk(n: int, device: str = "D1", at: int = NOW) -> Quarantined:
        return Quarantined(device=device, topic="t", received_at=at, reason="r", payload=b"%d" % n)

    unscoped.pulse(reg, PulseBatch(now=NOW, quarantined=[junk(n) for n in range(990)]))
    unscoped.pulse(reg, PulseBatch(now=NOW, quarantined=[junk(n) for n in range(980, 1015)]))
    unscoped.pulse(reg, PulseBatch(now=NOW, quarantined=[junk(1, at=NOW - 86_400), junk(1, "D2")]))
    counts = {(c.device, c.day): (c.kept, c.over) for c in lists.quarantine_counts(reg, EVERYTHING)}
    assert counts == {("D1", TODAY): (1000, 15), ("D1", TODAY - 1): (1, 0), ("D2", TODAY): (1, 0)}
    big = Quarantined(device="D3", topic="t", received_at=NOW, reason="r", payload=b"x" * 40_000)
    unscoped.pulse(reg, PulseBatch(now=NOW, quarantined=[big]))
    (kept,) = lists.quarantine(reg, EVERYTHING, "D3")
    assert (len(kept.item.payload), kept.size) == (16 * 1024, 40_000)


def test_quarantine_is_forgotten_after_90_days(reg: Registry) -> None:
    junk = Quarantined(device="D1", topic="t", received_at=NOW, reason="r", payload=b"")
    unscoped.pulse(reg, PulseBatch(now=NOW, quarantined=[junk], receipts=[("k", NOW)]))
    unscoped.pulse(reg, PulseBatch(now=NOW + 89 * 86_400))
    assert len(lists.quarantine(reg, EVERYTHING)) == 1
    unscoped.pulse(reg, PulseBatch(now=NOW + 91 * 86_400))
    assert lists.quarantine(reg, EVERYTHING) == []
    assert unscoped.find_receipts(reg, ["k"], 0) == {}


def test_text_from_outside_never_breaks_a_write(reg: Registry) -> None:
    nasty = Quarantined(
        device="\x00\ud800", topic="a/\ud800/b", received_at=NOW, reason="has \x00", payload=b"\x00"
    )
    unscoped.pulse(reg, PulseBatch(now=NOW, quarantined=[nasty]))
    (kept,) = lists.quarantine(reg, EVERYTHING)
    assert kept.item.payload == b"\x00"
    assert kept.item.reason == "has \ufffd"


def test_unregistered_devices_stop_at_1000_and_are_counted(reg: Registry) -> None:
    """docs/engineering/ingest.md#limits: 1,000 unregistered devices."""
    take(reg, row(device="KNOWN"))

    def batch(*names: str) -> PulseBatch:
        pulses = [Pulse(device=name, heard_at=NOW) for name in names]
        touched = {name: {TODAY} for name in names}
        return PulseBatch(now=NOW, pulses=pulses, touched=touched)

    unscoped.pulse(reg, batch(*(f"X{n:04}" for n in range(998))))
    unscoped.pulse(reg, batch("KNOWN", "Y1", "Y2", "Y3", "Y4"))
    facts = unscoped.device_facts(reg)
    assert {"KNOWN", "Y1", "Y2"} <= set(facts)
    assert not {"Y3", "Y4"} & set(facts)
    health = lists.health(reg, EVERYTHING)
    assert (health.unregistered, health.devices, health.devices_ignored) == (1000, 1001, 2)
    with reg.read() as connection:
        kept = set(connection.execute(sa.select(tables.pulse.c.device)).scalars())
    assert len(kept) == 1001
    assert not {("device", "Y3", TODAY)} & set(touches(reg))
    take(reg, row("U2", device="Y3"))
    unscoped.pulse(reg, batch("Y3"))
    assert unscoped.device_facts(reg)["Y3"].pulse is not None


def test_the_newest_receipt_of_a_key_counts(reg: Registry) -> None:
    unscoped.note_receipts(reg, [("k", NOW), ("k", NOW - 9)])
    unscoped.note_receipts(reg, [("k", NOW - 5)])
    assert unscoped.find_receipts(reg, ["k"], NOW) == {"k": NOW}
    assert unscoped.find_receipts(reg, ["k"], NOW + 1) == {}
    assert unscoped.find_receipts(reg, [], 0) == {}


def test_a_batch_that_fails_leaves_nothing_and_is_taken_later(reg: Registry) -> None:
    broken = msgspec.structs.replace(PULSE, heard_at="soon")
    batch = PulseBatch(now=NOW, pulses=[PULSE], touched={"D1": {TODAY}}, groups={"D1": "north"})
    if reg.dialect == "sqlite":
        with reg.write() as connection:
            connection.exec_driver_sql(
                "CREATE TRIGGER stop BEFORE INSERT ON touch BEGIN SELECT RAISE(ABORT, 'no'); END"
            )
        with pytest.raises(sa.exc.IntegrityError):
            unscoped.pulse(reg, batch)
        with reg.write() as connection:
            connection.exec_driver_sql("DROP TRIGGER stop")
    else:
        with pytest.raises(sa.exc.DBAPIError):
            unscoped.pulse(reg, msgspec.structs.replace(batch, pulses=[broken]))
    assert unscoped.device_facts(reg) == {}
    unscoped.pulse(reg, batch)
    assert unscoped.device_facts(reg)["D1"].group == "north"
