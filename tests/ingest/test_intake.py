"""From messages to store and registry: what is kept, once, whatever order and however often."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any, cast

import pytest
from intake_desk import NOW, Desk, msg, reading
from new_registries import registry_of

from fleet.model import Latest, Reading
from fleet.registry import unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.base.faults import RegistryDown
from fleet.settings import Settings
from fleet.store import open_store
from fleet.store.port import ReadingsRefused, Store, StoreDown, StoreFault, WriteResult
from ingest import intake
from ingest.cache import Cache
from ingest.collector import Collector
from ingest.inbox import Inbox
from ingest.intake import Intake, Taken, take
from ingest.pulses import MESSAGE_OVERHEAD_B
from ingest.sequence import Numbering, heard
from ingest.wire import Decoded, Message

DAY = NOW // 86_400


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    settings = Settings(data=tmp_path)
    registry = registry_of(settings)
    store = open_store(settings, writing=True)
    yield Desk(settings, registry, store, Cache(tmp_path / "profiles"))
    store.close()
    registry.close()


def test_a_message_goes_to_store_and_pulse(desk: Desk) -> None:
    taken = desk.take(reading(NOW - 60, NOW, battery_v=12.6, ac_v=0))
    assert (taken.messages, taken.readings, taken.quarantined) == (1, 1, 0)
    assert desk.kept() == {"battery_v": {NOW - 60: 12.6}, "ac_v": {NOW - 60: 0.0}}
    pulse = desk.pulse()
    assert (pulse.heard_at, pulse.newest_at) == (NOW, NOW - 60)
    assert pulse.latest == {"battery_v": Latest(NOW - 60, 12.6), "ac_v": Latest(NOW - 60, 0.0)}
    assert desk.touched() == {("g1", DAY)}


def test_late_repeated_and_shuffled_messages_end_in_the_same_state(
    desk: Desk, tmp_path: Path
) -> None:
    """Field case 22: 10:05, 09:58, 09:59, 10:06, 09:58 (twice), 10:00: as in time order once."""
    ten = 1_795_600_800  # 10:00 of that morning
    ats = [ten + 300, ten - 120, ten - 60, ten + 360, ten - 120, ten]
    messages = [
        reading(at, ten + 400, battery_v=12 + at % 7 / 10, ac_v=float(at % 5)) for at in ats
    ]
    messages.append(msg({"at": ten - 120, "event": "failed_to_start"}, "event", at=ten + 400))
    for message in messages:
        desk.take(message, now=ten + 400)
    ordered = Desk(*_second(tmp_path / "two"))
    ordered.take(*sorted(set(messages), key=lambda m: m.payload), now=ten + 400)
    assert desk.kept() == ordered.kept()
    assert desk.pulse().latest == ordered.pulse().latest
    assert desk.pulse().newest_at == ten + 360
    assert desk.pulse().latest["battery_v"].at == ten + 360
    events = unscoped.events(desk.registry, "g1", 0, 2**33)
    assert [(e.event, e.at) for e in events] == [("failed_to_start", ten - 120)]
    ordered.store.close()
    ordered.registry.close()


def _second(folder: Path) -> tuple[Settings, Registry, Store, Cache]:
    settings = Settings(data=folder)
    folder.mkdir()
    return (
        settings,
        registry_of(settings),
        open_store(settings, writing=True),
        Cache(folder / "p"),
    )


@pytest.mark.parametrize("seed", range(3))
def test_any_order_and_any_cuts_give_the_same_state(desk: Desk, tmp_path: Path, seed: int) -> None:
    rng = random.Random(seed)
    messages = [
        reading(
            NOW - 60 * n,
            NOW,
            device=f"g{n % 3}",
            battery_v=12 + n % 4 / 10,
            **({"ac_v": n} if n % 2 else {}),
        )
        for n in range(60)
    ]
    messages += [reading(NOW - 60, NOW, device="g1", battery_v=11.5)]  # clashes with another value
    desk.take(*messages)
    other = Desk(*_second(tmp_path / "two"))
    shuffled = rng.sample(messages + messages[:20], len(messages) + 20)
    while shuffled:
        cut = rng.randint(1, 15)
        other.take(*shuffled[:cut])
        shuffled = shuffled[cut:]
        if rng.random() < 0.3:
            other.forget()
    for device in ("g0", "g1", "g2"):
        assert desk.kept(device) == other.kept(device)
        assert desk.pulse(device).latest == other.pulse(device).latest
        assert desk.pulse(device).newest_at == other.pulse(device).newest_at
    assert desk.touched() == other.touched()
    other.store.close()
    other.registry.close()


def test_of_two_values_for_one_second_both_are_kept_and_the_clash_counted(desk: Desk) -> None:
    taken = desk.take(reading(NOW, battery_v=12.4), reading(NOW, battery_v=12.6))
    assert taken.clashes == 1
    assert desk.kept() == {"battery_v": {NOW - 1: 12.4, NOW: 12.6}}
    assert desk.pulse().latest["battery_v"] == Latest(NOW, 12.6)
    assert desk.pulse().forgiven == {"values_sharing_a_second": 1}
    desk.take(reading(NOW, battery_v=12.4))
    assert desk.pulse().forgiven == {"values_sharing_a_second": 1}, "what is known is not counted"


def test_a_bad_clock_leaves_no_gap_of_56_years(desk: Desk) -> None:
    """Field case 19: 1970 between two good ones is stored at its receipt time, with a flag."""
    desk.take(reading(NOW - 120, battery_v=12.5), reading(NOW, battery_v=12.5))
    desk.take(msg({"at": "1970-01-01T00:00:36", "values": {"battery_v": 12.6}}, at=NOW - 60))
    assert desk.kept() == {"battery_v": {NOW - 120: 12.5, NOW - 60: 12.6, NOW: 12.5}}
    pulse = desk.pulse()
    assert (pulse.clock_wrong_since, pulse.clock_wrong_at) == (NOW - 60, NOW - 60)
    assert pulse.newest_at == NOW
    desk.take(reading(NOW + 60, battery_v=12.5), now=NOW + 60)
    assert desk.pulse().clock_wrong_since is None
    assert desk.pulse().clock_wrong_at == NOW - 60


def test_nothing_is_stored_in_the_future(desk: Desk) -> None:
    """Field case 17: a time read as another unit lands in 2049."""
    desk.take(reading(2_500_000_000, NOW, battery_v=12.6))
    assert desk.kept() == {"battery_v": {NOW: 12.6}}


def test_a_retained_message_is_never_a_reading_and_never_fresh(desk: Desk) -> None:
    """Field case 20: the 09:00 payload is sent again with the retain flag at 14:00."""
    nine, fourteen = NOW, NOW + 5 * 3600
    desk.take(reading(nine, ac_v=231))
    again = msg({"at": nine, "values": {"ac_v": 231, "battery_v": 12.6}}, at=fourteen, retain=True)
    taken = desk.take(again, now=fourteen)
    assert taken.readings == 0
    pulse = desk.pulse()
    assert (pulse.heard_at, pulse.newest_at) == (nine, nine)
    assert pulse.latest == {"ac_v": Latest(nine, 231.0), "battery_v": Latest(nine, 12.6)}  # a seed
    assert desk.kept() == {"ac_v": {nine: 231.0}}


def test_a_last_will_is_not_a_sign_of_life(desk: Desk) -> None:
    online = {
        "state": "online",
        "firmware": "1.4.2",
        "habit": {"mode": "sleeping", "standing_s": 21600},
    }
    desk.take(msg(online, "status"))
    assert (desk.pulse().online, desk.pulse().heard_at, desk.pulse().firmware) == (
        True,
        NOW,
        "1.4.2",
    )
    habit = desk.pulse().habit
    assert habit is not None
    assert habit.mode == "sleeping"
    desk.take(msg({"state": "offline"}, "status", at=NOW + 60), now=NOW + 60)
    assert (desk.pulse().online, desk.pulse().heard_at) == (False, NOW)
    desk.take(reading(NOW + 90, ac_v=0), now=NOW + 90)
    assert (desk.pulse().online, desk.pulse().heard_at) == (True, NOW + 90)
    desk.take(
        msg({"state": "offline"}, "status", at=NOW + 80), now=NOW + 95
    )  # older than a reading
    assert desk.pulse().online is True
    desk.take(msg({"state": "offline"}, "status", at=NOW + 99, retain=True), now=NOW + 99)
    assert (desk.pulse().online, desk.pulse().heard_at) == (True, NOW + 90)


def test_a_retained_status_seeds_what_is_unknown(desk: Desk) -> None:
    desk.take(msg({"state": "offline"}, "status", retain=True))
    pulse = desk.pulse()
    assert (pulse.online, pulse.heard_at) == (False, None)


def test_the_next_report_is_remembered(desk: Desk) -> None:
    desk.take(msg({"at": NOW, "next_s": 21600, "values": {"battery_v": 12.6}}))
    assert desk.pulse().next_due_at == NOW + 21600
    desk.take(reading(NOW - 60, NOW, battery_v=12.6))  # late: promises nothing
    assert desk.pulse().next_due_at == NOW + 21600


def test_skipped_numbers_are_counted_and_taken_back_when_they_come(desk: Desk) -> None:
    desk.take(*(reading(NOW + n, seq=n, ac_v=0) for n in (1, 2, 5)), now=NOW + 9)
    assert (desk.pulse().sequence_gaps, desk.pulse().last_seq) == (2, 5)
    desk.take(reading(NOW + 3, seq=3, ac_v=0), now=NOW + 9)
    assert desk.pulse().sequence_gaps == 1
    desk.take(reading(NOW + 3, seq=3, ac_v=0), now=NOW + 9)  # again
    assert desk.pulse().sequence_gaps == 1


def test_a_device_that_counts_again_from_nought_has_no_gap() -> None:
    numbering = heard(Numbering(), [(100, 7), (160, 8)], None)
    assert heard(numbering, [(220, 0), (280, 1)], 160) == Numbering(1, 0, ())
    assert heard(numbering, [(90, 3)], 160).last == 8  # late, not new


def test_what_a_device_sends_is_counted_by_month(desk: Desk) -> None:
    """Topic, payload and what carries them; a new month begins at nought."""
    message = reading(NOW, battery_v=12.6)
    size = len(message.topic) + len(message.payload) + MESSAGE_OVERHEAD_B
    desk.take(message, message)
    desk.forget()
    desk.take(message)
    assert (desk.pulse().month, desk.pulse().month_b) == (12 * 2026 + 10, 3 * size)
    later = NOW + 30 * 86_400
    desk.take(reading(later, battery_v=12.6), now=later)
    assert (desk.pulse().month, desk.pulse().month_b) == (12 * 2026 + 11, size)


def test_the_first_example_costs_what_was_measured() -> None:
    """0.38 kB a message on the wire: the estimate is within 5 % of it."""
    payload = {
        "at": "2026-11-25T07:01:00Z",
        "seq": 1041,
        "values": {
            "battery_v": 12.62,
            "ac_v": 0.0,
            "frequency_hz": 0.0,
            "charge_v": 0.0,
            "mains_v": 231.4,
            "run_hours_h": 812.4,
            "start_attempts": 57,
            "in_auto": 1,
        },
    }
    made = msg(payload)
    assert abs(len(made.topic) + len(made.payload) + MESSAGE_OVERHEAD_B - 380) <= 19


def test_a_redelivered_timeless_message_is_stored_once(desk: Desk) -> None:
    """Stored at its receipt time; delivered again (DUP) after a crash, it keeps that time."""
    message = {"values": {"battery_v": 12.6}}
    desk.take(msg(message, at=NOW))
    desk.forget()
    desk.take(msg(message, at=NOW + 40, dup=True), now=NOW + 40)
    assert desk.kept() == {"battery_v": {NOW: 12.6}}
    desk.take(msg(message, at=NOW + 80), now=NOW + 80)  # a new delivery, however alike
    assert desk.kept() == {"battery_v": {NOW: 12.6, NOW + 80: 12.6}}


def test_a_crash_before_the_store_does_not_double_a_timeless_message(desk: Desk) -> None:
    message = {"event": "crank", "values": {"crank_min_v": 9.4}}

    def crash(point: str) -> None:
        if point == "after_store":
            raise StoreDown("the power went")

    with pytest.raises(StoreDown):
        take([msg(message, "event", at=NOW)], desk.into(NOW, crash))
    desk.forget()
    desk.take(msg(message, "event", at=NOW + 40, dup=True), now=NOW + 40)
    assert desk.kept() == {"crank_min_v": {NOW: 9.4}}
    assert [e.at for e in unscoped.events(desk.registry, "g1", 0, 2**33)] == [NOW]


def test_a_redelivery_after_48_hours_is_a_new_one(desk: Desk) -> None:
    message, later = {"values": {"battery_v": 12.6}}, NOW + 48 * 3600 + 5
    desk.take(msg(message, at=NOW))
    desk.take(msg(message, at=later, dup=True), now=later)
    assert sorted(desk.kept()["battery_v"]) == [NOW, later]


def test_a_time_without_zone_is_read_in_the_zone_of_the_site(desk: Desk) -> None:
    from fleet.registry.register import import_units

    row = {
        "customer": "C",
        "site": "S",
        "unit": "g1",
        "nominal_v": 230,
        "nominal_hz": 50,
        "running_signal": "ac_v",
        "running_on": 200,
        "service_plan": "air_spark",
        "time_zone": "Europe/Berlin",
    }
    report = import_units(desk.registry, [row], NOW, "test")
    assert report.ok, report.problems
    desk.take(msg({"at": "2026-11-25T08:01:00", "values": {"ac_v": 1}}))
    assert desk.kept() == {"ac_v": {NOW - 60: 1.0}}


def test_bad_messages_are_kept_with_their_reason_and_the_rest_goes_on(desk: Desk) -> None:
    taken = desk.take(
        msg(b"{"),
        reading(NOW, ac_v=1),
        Message("hourhand/main/g 1/readings", b"{}", NOW),
        msg({"at": NOW, "values": {"ac_v": 6553.5, "battery_v": 12.6}}, device="g2"),
    )
    assert (taken.quarantined, taken.ours) == (3, 0)
    assert [device for device, _, _ in desk.quarantine()] == ["g1", "", "g2"]
    assert desk.kept("g2") == {"battery_v": {NOW: 12.6}}
    desk.take(msg(b"{"))  # delivered again: not doubled
    assert len(desk.quarantine()) == 3


def test_what_our_own_code_fails_on_is_set_aside_as_ours(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = intake.decode

    def fails(message: Message, *rest: Any) -> Decoded:
        if b"poison" in message.payload:
            raise ZeroDivisionError
        return real(message, *rest)

    monkeypatch.setattr(intake, "decode", fails)
    taken = desk.take(reading(NOW, ac_v=1), msg(b'{"poison": 1}'), reading(NOW + 1, ac_v=2))
    assert (taken.readings, taken.ours) == (2, 1)
    assert [ours for _, _, ours in desk.quarantine()] == [True]


class _Choosy:
    """A store that fails on one value in a way nobody foresaw, and hands on the rest."""

    def __init__(self, store: Store, refused: float | None) -> None:
        self._store, self._refused = store, refused

    def write(self, readings: list[Reading]) -> WriteResult:
        if self._refused is None or any(self._refused in r.values.values() for r in readings):
            raise RuntimeError("nobody foresaw this")
        return self._store.write(readings)


class _Refusing:
    """A store that can never keep one value and says which, as InfluxDB does of a field of
    another type."""

    def __init__(self, store: Store, refused: float) -> None:
        self._store, self._refused = store, refused

    def write(self, readings: list[Reading]) -> WriteResult:
        poison = [r for r in readings if self._refused in r.values.values()]
        if poison:
            raise ReadingsRefused("its field has another type there", poison)
        return self._store.write(readings)


def test_readings_the_store_can_never_keep_are_set_aside_and_the_rest_kept(desk: Desk) -> None:
    messages = [reading(NOW + n, ac_v=float(n)) for n in range(5)]
    store = _Refusing(desk.store, 3.0)
    take(messages, Intake(cast(Store, store), desk.registry, desk.cache, NOW + 60))
    assert sorted(desk.kept()["ac_v"].values()) == [0, 1, 2, 4]
    assert [(device, ours) for device, _, ours in desk.quarantine()] == [("g1", False)]
    assert "another type" in desk.quarantine()[0][1]


def test_a_refusal_that_names_nothing_of_the_batch_holds_it(desk: Desk) -> None:
    class Odd:
        def write(self, readings: list[Reading]) -> WriteResult:
            raise ReadingsRefused("another batch's", [Reading("elsewhere", NOW, {"ac_v": 1.0})])

    with pytest.raises(ReadingsRefused):
        take([reading(NOW, ac_v=1.0)], Intake(cast(Store, Odd()), desk.registry, desk.cache, NOW))


def test_a_message_the_store_chokes_on_is_found_and_set_aside(desk: Desk) -> None:
    messages = [reading(NOW + n, ac_v=float(n)) for n in range(40)]
    store = _Choosy(desk.store, 17.0)
    taken = take(messages, Intake(cast(Store, store), desk.registry, desk.cache, NOW + 60))
    assert (taken.readings, taken.ours) == (39, 1)
    assert len(desk.kept()["ac_v"]) == 39
    assert [ours for _, _, ours in desk.quarantine()] == [True]


@pytest.mark.parametrize("count", [1, 40])
def test_where_no_message_gets_through_none_is_blamed(desk: Desk, count: int) -> None:
    messages = [reading(NOW + n, ac_v=float(n)) for n in range(count)]
    with pytest.raises(StoreFault, match="nothing is acknowledged"):
        take(
            messages,
            Intake(cast(Store, _Choosy(desk.store, None)), desk.registry, desk.cache, NOW + 60),
        )
    assert not desk.quarantine()


def test_while_the_registry_is_down_nothing_counts_as_taken(desk: Desk) -> None:
    desk.take(reading(NOW, ac_v=1))
    with desk.registry.write() as connection:
        connection.exec_driver_sql("alter table pulse rename to away")
    with pytest.raises((RegistryDown, StoreFault)):
        desk.take(reading(NOW + 60, ac_v=2), now=NOW + 60)
    with desk.registry.write() as connection:
        connection.exec_driver_sql("alter table away rename to pulse")
    desk.take(reading(NOW + 60, ac_v=2), now=NOW + 60)
    assert desk.pulse().newest_at == NOW + 60
    assert desk.kept() == {"ac_v": {NOW: 1.0, NOW + 60: 2.0}}


def test_more_than_a_thousand_unregistered_devices_are_ignored_and_counted(desk: Desk) -> None:
    desk.take(*(reading(NOW, device=f"d{n}", ac_v=1) for n in range(1_000)))
    taken = desk.take(
        reading(NOW + 60, device="d5", ac_v=1), reading(NOW + 60, device="new", ac_v=1)
    )
    assert (taken.ignored, taken.readings) == (1, 1)
    assert len(desk.store.devices()) == 1_000


def test_an_array_full_of_faults_is_taken_in_one_go(desk: Desk) -> None:
    taken = desk.take(msg([{"at": 5, "values": {"ac_v": n}} for n in range(5_000)]))
    assert taken.quarantined == 5_000
    assert len(desk.quarantine()) == 1_000  # a device and day; the rest counted


# ---- the inbox


def drain(desk: Desk) -> Taken:
    inbox = Inbox(desk.settings.inbox, unscoped.inbox_marks(desk.registry))
    return Collector(desk.store, desk.registry, desk.cache, inbox, None, now=lambda: NOW).drain()


def line(payload: object, at: object = NOW, kind: str = "readings", **more: object) -> str:
    return json.dumps(
        {"received_at": at, "topic": f"hourhand/main/g1/{kind}", "payload": payload, **more}
    )


def test_files_of_the_inbox_are_taken_in_name_order_and_deleted(desk: Desk) -> None:
    desk.settings.inbox.mkdir()
    b = [
        line({"at": NOW - 60, "values": {"ac_v": 1}}),
        line(f'{{"at": {NOW - 30}, "ac_v": 2}}', NOW),
    ]
    a = [
        line([{"at": NOW - 600 + n, "values": {"battery_v": 12.5}} for n in range(300)], NOW - 300)
    ]
    (desk.settings.inbox / "b.jsonl").write_text("\n".join(b))  # no line feed at the end
    (desk.settings.inbox / "a.jsonl").write_text("\n".join(a) + "\n\n")
    (desk.settings.inbox / "c.jsonl.part").write_text("{")
    taken = drain(desk)
    assert (taken.messages, taken.readings, taken.quarantined) == (3, 302, 0)
    assert desk.kept()["ac_v"] == {NOW - 60: 1.0, NOW - 30: 2.0}
    assert desk.pulse().heard_at == NOW
    assert [path.name for path in desk.settings.inbox.iterdir()] == ["c.jsonl.part"]
    assert all(mark.done for mark in unscoped.inbox_marks(desk.registry).values())


def test_a_bad_line_of_the_inbox_is_named_and_the_rest_goes_on(desk: Desk) -> None:
    desk.settings.inbox.mkdir()
    good = line({"at": NOW, "values": {"ac_v": 1}})
    lines = [
        good,
        "{",
        '{"topic": "x"}',
        line({}, NOW + 9_999),
        line({}, "yesterday"),
        '{"received_at": 1795590120, "topic": "hourhand/main/g1/readings", "payload_b64": "%%"}',
        good,
    ]
    (desk.settings.inbox / "a.jsonl").write_text("\n".join(lines) + "\n")
    taken = drain(desk)
    assert (taken.readings, taken.quarantined) == (2, 5)
    places = [reason.split(": ")[0] for _, reason, _ in desk.quarantine()]
    assert places == [f"inbox a.jsonl:{n}" for n in (2, 3, 4, 5, 6)]


def test_a_line_may_hold_any_bytes_and_larger_arrays_than_a_message(desk: Desk) -> None:
    desk.settings.inbox.mkdir()
    entries = [
        {"at": NOW - n, "values": {"battery_v": 12.5, "mains_v": 231.4}} for n in range(10_000)
    ]
    lines = [
        json.dumps(
            {"received_at": NOW, "topic": "hourhand/main/g1/readings", "payload_b64": "/w=="}
        ),
        line(entries),
    ]
    (desk.settings.inbox / "a.jsonl").write_text("\n".join(lines))
    taken = drain(desk)
    assert (taken.readings, taken.quarantined) == (10_000, 1)
    assert "UTF-8" in desk.quarantine()[0][1]


def test_an_interrupted_inbox_goes_on_where_it_was(desk: Desk) -> None:
    desk.settings.inbox.mkdir()
    path = desk.settings.inbox / "a.jsonl"
    many = [
        line([{"at": NOW - 86_400 + 60 * n + k, "values": {"ac_v": k}} for k in range(60)])
        for n in range(900)
    ]
    path.write_text("\n".join(many) + "\n")
    inbox = Inbox(desk.settings.inbox, {})
    first = inbox.next(NOW)
    assert first is not None
    assert not first.mark.done
    take(first.messages, desk.into(NOW), inbox=first.mark)
    desk.forget()  # and the process is gone before `took`
    taken = drain(desk)
    assert taken.messages == 900 - len(first.messages)
    assert len(desk.kept()["ac_v"]) == 54_000
    assert not path.exists()


def test_a_finished_file_that_was_not_deleted_is_not_taken_again(desk: Desk) -> None:
    desk.settings.inbox.mkdir()
    path = desk.settings.inbox / "a.jsonl"
    path.write_text(line({"at": NOW, "values": {"ac_v": 1}}))
    taken = Inbox(desk.settings.inbox, {}).next(NOW)
    assert taken is not None
    take(taken.messages, desk.into(NOW), inbox=taken.mark)
    assert drain(desk).messages == 0
    assert not path.exists()
    path.write_text(line({"at": NOW + 1, "values": {"ac_v": 2}}) + "\n")  # a new file of that name
    assert drain(desk).messages == 1


def test_history_does_not_move_the_last_sign_of_life(desk: Desk) -> None:
    desk.take(reading(NOW, ac_v=1))
    desk.settings.inbox.mkdir()
    (desk.settings.inbox / "a.jsonl").write_text(
        line([{"at": NOW - 9_000, "values": {"ac_v": 7}}], NOW - 8_000)
        + "\n"
        + line({"at": NOW + 300, "values": {"ac_v": 7}}, NOW + 300)
        + "\n"
    )
    drain(desk)
    pulse = desk.pulse()
    assert pulse.heard_at == NOW
    assert desk.touched() == {("g1", DAY)}
