"""Messages as devices write them, and what they mean. Contract: docs/wire.md."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.channels import GLOSSARY, NAMES
from ingest import wire
from ingest.cache import load_profiles
from ingest.profiles import ProfileFault, profile_from
from ingest.wire import Decoded, Message, Speaker, decode, decode_carefully
from ingest.wire.quick import quick

NOW = 1_795_590_120  # 2026-11-25T07:02:00Z
TOPIC = "hourhand/main/g1/readings"
ANYBODY = Speaker()


def say(payload: object, *, topic: str = TOPIC, speaker: Speaker = ANYBODY, **more: Any) -> Decoded:
    """Decode; a text or bytes payload goes as it is, anything else as JSON."""
    if isinstance(payload, str):
        payload = payload.encode()
    if not isinstance(payload, bytes):
        payload = json.dumps(payload).encode()
    received_at = more.pop("received_at", NOW)
    earlier = more.pop("earlier", {})
    return decode(Message(topic, payload, received_at, **more), speaker, earlier)


def values(said: Decoded) -> dict[str, float]:
    assert len(said.readings) == 1
    return said.readings[0].values


def utc(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp())


# ---- the plain shape


def test_the_example_of_the_contract() -> None:
    said = say(
        '{"at": "2026-11-25T07:01:00Z", "seq": 1041, "next_s": 900,'
        ' "values": {"battery_v": 12.62, "ac_v": 0.0, "start_attempts": 57, "in_auto": 1}}'
    )
    (reading,) = said.readings
    assert (reading.device, reading.at, reading.clock) == ("g1", NOW - 60, "device")
    assert reading.values == {
        "battery_v": 12.62,
        "ac_v": 0.0,
        "start_attempts": 57.0,
        "in_auto": 1.0,
    }
    assert list(said.sequence) == [(NOW - 60, 1041)]
    assert said.next_report == (NOW - 60, 900)
    assert not said.rejects
    assert said.group == "main"


def test_values_may_stand_beside_the_time() -> None:
    assert values(say({"at": NOW, "battery_v": 12.6, "ac_v": 0})) == {
        "battery_v": 12.6,
        "ac_v": 0.0,
    }


def test_values_inside_and_beside_are_joined_and_must_agree() -> None:
    said = say(
        {"at": NOW, "battery_v": 12.6, "ac_v": 230, "values": {"battery_v": 12.6, "ac_v": 231}}
    )
    assert values(said) == {"battery_v": 12.6}
    assert "ac_v is given twice" in said.rejects[0].reason


def test_a_message_without_values_is_heard_and_stores_nothing() -> None:
    said = say({"at": NOW, "values": {}})
    assert not said.readings
    assert not said.rejects
    assert said.clock_right


def test_a_batch_in_any_order() -> None:
    said = say(
        [
            {"at": NOW - 60, "values": {"ac_v": 1}},
            {"at": NOW - 120, "values": {"ac_v": 2}, "next_s": 9},
            {"at": NOW - 90, "values": {"ac_v": 3}, "next_s": 7},
        ]
    )
    assert [(r.at - NOW, r.values["ac_v"]) for r in said.readings] == [
        (-60, 1),
        (-120, 2),
        (-90, 3),
    ]
    assert said.next_report == (NOW - 90, 7)


# ---- times


@pytest.mark.parametrize(
    ("told", "at"),
    [
        ("2026-11-25T07:01:00Z", "2026-11-25T07:01:00Z"),
        ("2026-11-25T08:01:00+01:00", "2026-11-25T07:01:00Z"),
        ("2026-11-25T07:01:00.999999Z", "2026-11-25T07:01:00Z"),  # parts of a second are cut off
        ("2026-11-25T07:01:59.9999999Z", "2026-11-25T07:01:59Z"),
        ("2016-12-31T23:59:60Z", "2016-12-31T23:59:59Z"),  # a leap second, written by a GPS clock
        (1764030000, "2025-11-25T00:20:00Z"),  # field case 17: seconds
        (1764030000000, "2025-11-25T00:20:00Z"),  # field case 17: the same in milliseconds
        (1764030000.9, "2025-11-25T00:20:00Z"),
        ("1764030000", "2025-11-25T00:20:00Z"),
    ],
)
def test_a_time_is_read(told: object, at: str) -> None:
    (reading,) = say({"at": told, "values": {"ac_v": 1}}).readings
    assert reading.at == utc(at)
    assert reading.clock == "device"


@pytest.mark.parametrize(
    "told",
    [
        1764030,  # field case 17: 1970
        "1970-01-01T00:00:36",  # field case 19: until the time service answered
        "1970-01-01T00:00:36Z",
        "2014-12-31T23:59:59Z",
        NOW + 601,
        (NOW + 601) * 1000,
        1e300,
        -5,
        "tomorrow",
        "2026-13-45T00:00:00Z",
        "",
        True,
        {"s": 1},
        [1],
        None,
    ],
)
def test_no_usable_time_is_the_receipt_time_live_and_quarantine_in_a_batch(told: object) -> None:
    entry = {"at": told, "values": {"ac_v": 1}}
    said = say(entry)
    (reading,) = said.readings
    assert (reading.at, reading.clock) == (NOW, "receipt")
    absent = told in ("", None)
    assert (said.clock_wrong, said.clock_absent) == (not absent, absent)
    batch = say([entry, {"at": NOW, "values": {"ac_v": 2}}])
    assert [r.values for r in batch.readings] == [{"ac_v": 2.0}]
    (reject,) = batch.rejects
    assert "time" in reject.reason
    assert json.loads(reject.payload) == entry
    assert (batch.clock_wrong, batch.clock_absent) == (not absent, absent)


def test_a_time_that_is_absent_is_the_receipt_time() -> None:
    (reading,) = say({"values": {"ac_v": 1}}).readings
    assert (reading.at, reading.clock) == (NOW, "receipt")


def test_ten_minutes_ahead_is_still_a_time() -> None:
    (reading,) = say({"at": NOW + 600, "values": {"ac_v": 1}}).readings
    assert reading.at == NOW + 600


@pytest.mark.parametrize(
    ("zone", "told", "received", "at"),
    [
        ("Europe/Berlin", "2026-07-01T12:00:00", "2026-07-01T10:00:05Z", "2026-07-01T10:00:00Z"),
        # the hour that comes twice (field case 10's night): live in its first and second pass
        ("Europe/Berlin", "2020-10-25T02:30:00", "2020-10-25T00:30:05Z", "2020-10-25T00:30:00Z"),
        ("Europe/Berlin", "2020-10-25T02:30:00", "2020-10-25T01:30:05Z", "2020-10-25T01:30:00Z"),
        # a wall time that never was: the offset before the gap (RFC 5545 3.3.5; 02:30 is 03:30)
        ("America/Chicago", "2026-03-08T02:30:00", "2026-03-08T09:00:00Z", "2026-03-08T08:30:00Z"),
    ],
)
def test_a_time_without_zone_is_the_sites(zone: str, told: object, received: str, at: str) -> None:
    speaker = Speaker(zone=ZoneInfo(zone))
    said = say({"at": told, "values": {"ac_v": 1}}, speaker=speaker, received_at=utc(received))
    (reading,) = said.readings
    assert reading.at == utc(at)
    assert reading.clock == "local"


def test_a_redelivery_without_a_time_keeps_the_time_it_got_first() -> None:
    payload = {"values": {"ac_v": 1}}
    first = say(payload)
    assert first.timeless_key
    earlier = {first.timeless_key: NOW - 30}
    assert say(payload, dup=True, earlier=earlier).readings[0].at == NOW - 30
    assert say(payload, dup=False, earlier=earlier).readings[0].at == NOW
    other = {"values": {"ac_v": 2}}
    assert say(other, dup=True, earlier=earlier).readings[0].at == NOW
    timed = {"at": NOW - 5, "values": {"ac_v": 1}}
    assert say(timed, dup=True, earlier=earlier).timeless_key == ""


# ---- numbers


@pytest.mark.parametrize(
    ("channel", "told", "value"),
    [
        ("battery_v", "12.6", 12.6),
        ("battery_v", "12,6 V", 12.6),  # field case 16
        ("battery_v", "12.6V", 12.6),
        ("battery_v", "12.6 volts", 12.6),
        ("battery_v", " 12.6 ", 12.6),
        ("battery_v", "+12.6", 12.6),
        ("battery_v", "1.26e1", 12.6),
        ("battery_v", "0,126", 0.126),  # a thousand never begins with 0
        ("run_hours_h", "1234,567", 1234.567),  # a group of four is no thousands either
        ("run_hours_h", "812,4 h", 812.4),
        ("engine_temp_c", "-4,5 °C", -4.5),
        ("fuel_pct", "80%", 80.0),
        ("speed_rpm", "1500 rpm", 1500.0),
        ("in_auto", True, 1.0),
        ("in_auto", "Yes", 1.0),
        ("running", "off", 0.0),
        ("running", "FALSE", 0.0),
    ],
)
def test_a_spelling_is_forgiven_and_counted(channel: str, told: object, value: float) -> None:
    said = say({"at": NOW, "values": {channel: told}})
    assert values(said) == {channel: value}
    assert sum(said.forgiven.values()) == 1
    assert not said.rejects


@pytest.mark.parametrize(
    ("channel", "told", "reason"),
    [
        ("load_kw", "1.016,5", "ambiguous separator"),  # field case 16
        ("load_kw", "1,016", "ambiguous separator"),
        ("load_kw", "1 016", "ambiguous separator"),
        ("load_kw", "1'016", "ambiguous separator"),
        ("load_kw", "12,6,3", "ambiguous separator"),
        ("load_kw", "1.2 MW", "unit"),
        ("battery_v", "12600 mV", "unit"),
        ("battery_v", "12.6 V V", "text"),
        ("battery_v", "low", "text"),
        ("battery_v", "yes", "text"),
        ("battery_v", "0x7e", "text"),
        ("battery_v", "१२", "not a number"),
        ("battery_v", True, "truth value"),
        ("battery_v", [12.6], "not a number"),
        ("battery_v", {"v": 12.6}, "not a number"),
        ("battery_v", 10**400, "too large"),
        ("battery_v", "9" * 50, "long text"),
        ("battery_v", 6553.5, "outside what is possible"),  # field case 14, unmapped
        ("engine_temp_c", -3276.8, "outside what is possible"),
        ("frequency_hz", 655.35, "outside what is possible"),
        ("in_auto", 2, "outside what is possible"),
    ],
)
def test_a_value_is_refused_and_the_rest_is_kept(channel: str, told: object, reason: str) -> None:
    said = say({"at": NOW, "values": {channel: told, "charge_v": 13.5}})
    assert values(said) == {"charge_v": 13.5}
    (reject,) = said.rejects
    assert reject.reason.startswith(channel)
    assert reason in reject.reason
    assert not reject.ours


@pytest.mark.parametrize("word", ["NaN", "nan", "Infinity", "-Infinity", "inf", "-inf", "INF"])
def test_a_bare_word_for_no_number_leaves_that_value_out(word: str | None) -> None:
    said = say(f'{{"at": {NOW}, "cause": "nan", "values": {{"ac_v": {word}, "battery_v": 12.6}}}}')
    assert values(said) == {"battery_v": 12.6}
    assert said.forgiven["not_a_number"] == 1
    assert not said.rejects


@pytest.mark.parametrize("word", ["NaN", "nan", "Infinity", "", "null", None])
def test_a_text_for_no_number_leaves_that_value_out(word: str | None) -> None:
    said = say({"at": NOW, "values": {"ac_v": word, "battery_v": 12.6}})
    assert values(said) == {"battery_v": 12.6}
    assert not said.rejects


def test_unknown_names_are_listed_and_their_numbers_kept() -> None:
    said = say(
        {
            "at": NOW,
            "values": {
                "battery_v": 12.6,
                "egt": 410.5,
                "mode": "auto",
                "x": {"y": 1},
                "l": [1],
                "t": True,
                "odd name!": 3,
            },
        }
    )
    assert values(said) == {"battery_v": 12.6, "egt": 410.5}
    assert said.unknown == {
        "egt": "410.5",
        "mode": "auto",
        "x": '{"y": 1}',
        "l": "[1]",
        "t": "true",
        "odd name!": "3",
    }
    assert not said.rejects


def test_unknown_names_are_bounded_and_cleaned() -> None:
    said = say({"at": NOW, "values": {f"n{i}": i for i in range(500)} | {"ac_v": 1}})
    assert len(said.unknown) == 64
    assert values(said)["ac_v"] == 1.0
    assert len(values(said)) == 65
    dirty = say({"at": NOW, "values": {"a\u0000\n\u001b[31m" + "x" * 200: "<b>\ud800"}})
    ((name, example),) = dirty.unknown.items()
    assert name.isprintable()
    assert len(name) == 64
    assert example.isprintable()
    (name + example).encode("utf-8")


# ---- what is not a message


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "empty"),
        (b"  \n", "empty"),
        (b"\xff\xfe{}", "not UTF-8"),
        (b"{", "not JSON"),
        (b'{"at": 1', "not JSON"),
        (b"battery 12.6", "not JSON"),
        (b"12.6", "neither an object nor an array"),
        (b'"online"', "neither an object nor an array"),
        (b"null", "neither an object nor an array"),
        (b"[" * 100_000, "nested too deep"),
        (b'{"at":' + b"9" * 6000 + b"}", "not JSON"),
        (b" " * 262_145, "more than 262144"),
        (b"[" + b"1," * 10_000 + b"1]", "10001 entries"),
    ],
)
def test_a_payload_that_is_none_is_kept_with_its_reason(payload: Any, reason: str) -> None:
    said = say(payload)
    (reject,) = said.rejects
    assert reason in reject.reason
    assert reject.payload == payload
    assert reject.device == "g1"
    assert not said.readings


def test_entries_that_are_no_objects_are_set_aside_one_by_one() -> None:
    said = say([{"at": NOW, "values": {"ac_v": 1}}, 7, None, "x"])
    assert len(said.readings) == 1
    assert [json.loads(r.payload) for r in said.rejects] == [7, None, "x"]


@pytest.mark.parametrize(
    ("topic", "device"),
    [
        ("hourhand/main/g1", ""),
        ("hourhand/main/g1/readings/more", ""),
        ("hourhand/main/g 1/readings", ""),
        ("hourhand/main/-g/readings", ""),
        ("hourhand/main/" + "g" * 65 + "/readings", ""),
        ("hourhand//g1/readings", ""),
        ("hourhand/main/g1/reading", "g1"),
    ],
)
def test_a_topic_that_is_none_is_kept_with_its_reason(topic: str, device: str) -> None:
    said = say({"at": NOW, "values": {"ac_v": 1}}, topic=topic)
    assert not said.readings
    assert not said.group
    (reject,) = said.rejects
    assert "topic" in reject.reason
    assert (reject.device, reject.topic) == (device, topic)


def test_the_device_of_the_topic_counts_and_another_in_the_payload_is_refused() -> None:
    assert values(say({"at": NOW, "device": "g1", "ac_v": 1})) == {"ac_v": 1.0}
    said = say({"at": NOW, "device": "g2", "ac_v": 1})
    assert not said.readings
    assert "names device 'g2'" in said.rejects[0].reason


def test_a_name_given_twice() -> None:
    same = say(f'{{"at": {NOW}, "values": {{"ac_v": 1, "ac_v": 1, "mains_v": 5}}}}')
    assert values(same) == {"ac_v": 1.0, "mains_v": 5.0}
    differing = say(f'{{"at": {NOW}, "values": {{"ac_v": 1, "ac_v": 2, "mains_v": 5}}}}')
    assert values(differing) == {"mains_v": 5.0}
    assert "ac_v is given twice" in differing.rejects[0].reason
    times = say(f'{{"at": {NOW}, "at": {NOW - 9}, "values": {{"ac_v": 1}}}}')
    assert not times.readings
    assert "time is given twice" in times.rejects[0].reason


def test_a_byte_order_mark_and_a_trailing_nul_are_forgiven() -> None:
    body = b'{"at": %d, "values": {"ac_v": 1}}' % NOW
    assert values(say(b"\xef\xbb\xbf" + body)) == {"ac_v": 1.0}
    assert values(say(body + b"\x00")) == {"ac_v": 1.0}


def test_fixed_fields_that_are_odd_are_overlooked_and_counted() -> None:
    said = say({"at": NOW, "seq": "x", "next_s": -1, "values": {"ac_v": 1}})
    assert values(said) == {"ac_v": 1.0}
    assert not said.sequence
    assert said.next_report is None
    assert said.forgiven == {"bad_seq": 1, "bad_next_s": 1}


# ---- events and statuses


def event(payload: object, **more: Any) -> Decoded:
    return say(payload, topic="hourhand/main/g1/event", **more)


def test_an_event_and_its_values_as_readings() -> None:
    said = event(
        {
            "at": NOW - 5,
            "event": "failed_to_start",
            "cause": "overcrank\n<b>",
            "values": {"crank_min_v": 9.41, "crank_s": 2.1},
        }
    )
    (happened,) = said.events
    assert (happened.event, happened.at, happened.received_at) == ("failed_to_start", NOW - 5, NOW)
    assert happened.cause.isprintable()
    assert happened.values == {"crank_min_v": 9.41, "crank_s": 2.1}
    (reading,) = said.readings
    assert (reading.at, reading.values) == (NOW - 5, happened.values)


def test_an_event_without_a_usable_time_gets_the_receipt_time() -> None:
    (happened,) = event({"event": "crank"}).events
    assert (happened.at, happened.clock) == (NOW, "receipt")


def test_a_trace() -> None:
    said = event(
        {
            "at": NOW,
            "event": "trace",
            "channel": "battery_v",
            "step_s": 0.05,
            "samples": [12.6, 9.4, 12.1],
        }
    )
    (trace,) = said.events
    assert (trace.channel, trace.step_s, trace.samples) == ("battery_v", 0.05, (12.6, 9.4, 12.1))
    assert not said.readings


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"event": "exploded"}, "the event is none of"),
        ({"event": None}, "the event is none of"),
        ({"channel": "egt"}, "names a channel"),
        ({"step_s": 0}, "step_s"),
        ({"step_s": "fast"}, "step_s"),
        ({"samples": []}, "samples"),
        ({"samples": "12.6"}, "samples"),
        ({"samples": [12.6, None]}, "sample"),
        ({"samples": [12.6, 6553.5]}, "sample"),
        ({"samples": [1] * 10_001}, "samples"),
    ],
)
def test_an_event_that_is_none_is_kept_with_its_reason(change: dict[str, Any], reason: str) -> None:
    whole = {"at": NOW, "event": "trace", "channel": "battery_v", "step_s": 0.05, "samples": [12.6]}
    said = event(whole | change)
    assert not said.events
    assert reason in said.rejects[0].reason


def status(payload: object, **more: Any) -> Decoded:
    return say(payload, topic="hourhand/main/g1/status", **more)


def test_a_birth_with_its_habit() -> None:
    said = status(
        {
            "state": "online",
            "firmware": "1.4.2",
            "at": NOW,
            "habit": {"mode": "on_change", "heartbeat_s": 3600},
        },
        retain=True,
    )
    birth = said.status
    assert birth is not None
    assert (birth.state, birth.firmware, birth.at, birth.retained) == ("online", "1.4.2", NOW, True)
    assert birth.habit is not None
    assert (birth.habit.mode, birth.habit.heartbeat_s, birth.habit.source) == (
        "on_change",
        3600,
        "declared",
    )


def test_a_birth_with_a_bad_habit_or_clock_is_still_a_birth() -> None:
    said = status({"state": "Online", "at": 5, "habit": {"mode": "sometimes"}})
    assert said.status is not None
    assert (said.status.at, said.status.habit) == (None, None)
    assert said.clock_wrong
    assert "habit" in said.rejects[0].reason
    assert "standing_s" in status({"state": "online", "habit": {"standing_s": 0}}).rejects[0].reason


@pytest.mark.parametrize("payload", [{"state": "asleep"}, {}, [], "offline", {"state": 1}])
def test_a_status_that_is_none(payload: Any) -> None:
    said = status(payload)
    assert said.status is None
    assert said.rejects


def test_a_cleared_retained_status_is_passed_over() -> None:
    said = status(b"")
    assert said.status is None
    assert not said.rejects


def test_a_retained_reading_or_event_is_never_one() -> None:
    said = say({"at": NOW - 9, "values": {"ac_v": 1}}, retain=True)
    assert not said.readings
    assert [r.values for r in said.seeds] == [{"ac_v": 1.0}]
    assert not say({"values": {"ac_v": 1}}, retain=True).seeds  # no time: nothing to seed with
    assert not say(b"{", retain=True).rejects  # judged when it was live
    assert not event({"at": NOW, "event": "crank"}, retain=True).events


# ---- profiles

PROFILE = {
    "at": "ts",
    "values": "data",
    "channels": {
        "vbat": {"to": "battery_v", "scale": 0.1, "sentinels": [65535]},
        "temp": {"to": "engine_temp_c", "scale": 0.1, "sentinels": [-32768]},
        "hz": {"to": "frequency_hz", "scale": 0.01, "sentinels": [65535]},
        "gauge": {"to": "fuel_pct", "scale": -1, "offset": 100},
    },
}


def test_a_profile_renames_scales_and_knows_the_codes_for_nothing() -> None:
    """Field case 14: 65535 and -32768 mean "not available" and are dropped with a reason."""
    speaker = Speaker(profile=profile_from("panel", PROFILE))
    good = say({"ts": NOW, "data": {"vbat": 126, "hz": "5003", "gauge": 20}}, speaker=speaker)
    assert values(good) == {"battery_v": 12.6, "frequency_hz": 50.03, "fuel_pct": 80.0}
    codes = say(
        {"ts": NOW, "data": {"vbat": 65535, "temp": -32768, "hz": 65535, "gauge": 20}},
        speaker=speaker,
    )
    assert values(codes) == {"fuel_pct": 80.0}
    assert codes.rejects[0].reason.count("not available") == 3


def test_no_code_is_assumed_without_a_profile() -> None:
    assert values(say({"at": NOW, "run_hours_h": 65535})) == {"run_hours_h": 65535.0}


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        ({"channels": {"v": {"to": "volts"}}}, "no channel 'volts'"),
        ({"channels": {"v": {"to": "ac_v", "scale": 0}}}, "scale"),
        ({"channels": {"v": {"to": "ac_v", "offset": float("nan")}}}, "offset"),
        ({"channels": {"v": {"to": "ac_v", "sentinel": [1]}}}, "unknown field"),
        ({"channels": {"v": {}}}, "to"),
        ({"channels": {"at": {"to": "ac_v"}}}, "fixed field"),
        ({"at": "seq"}, "share a name"),
        ({"zone": "UTC"}, "unknown field"),
    ],
)
def test_a_profile_that_cannot_be_used_says_why(data: dict[str, Any], reason: str) -> None:
    with pytest.raises(ProfileFault, match="profile panel") as caught:
        profile_from("panel", data)
    assert reason in str(caught.value)


def test_profiles_are_read_from_files_and_bad_ones_named(tmp_path: Path) -> None:
    (tmp_path / "good.toml").write_text(
        'at = "ts"\n[channels.v]\nto = "ac_v"\nsentinels = [65535]\n'
    )
    (tmp_path / "torn.toml").write_text("[channels")
    (tmp_path / "wrong.toml").write_text('[channels.v]\nto = "volts"\n')
    profiles, faults = load_profiles(tmp_path)
    assert list(profiles) == ["good"]
    assert profiles["good"].channels["v"].sentinels == (65535.0,)
    assert [fault.split(":")[0] for fault in faults] == ["profile torn", "profile wrong"]
    assert load_profiles(tmp_path / "none") == ({}, [])


# ---- both ways say the same, and nothing raises

_plain_times = st.one_of(
    st.integers(NOW - 90 * 86_400, NOW + 700),
    st.integers(NOW - 9_000, NOW + 700).map(lambda s: s * 1000 + 7),
    st.integers(NOW - 9_000, NOW + 700).map(
        lambda s: datetime.fromtimestamp(s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    ),
    st.sampled_from(
        ["2026-11-25T07:01:60Z", "2026-11-25 07:01:00Z", "2026-11-25T07:01:00", "x" * 20, 5]
    ),
)
_plain_values = st.dictionaries(
    st.sampled_from([*NAMES, "egt"]),
    st.one_of(
        st.floats(-200, 1200, allow_nan=False),
        st.integers(-(10**20), 10**20),
        st.just("12,6 V"),
        st.none(),
    ),
    max_size=6,
)
_plain = st.fixed_dictionaries(
    {"at": _plain_times, "values": _plain_values},
    optional={
        "seq": st.one_of(st.integers(-1, 2**54), st.none()),
        "next_s": st.integers(-1, 40 * 86_400),
        "battery_v": st.floats(0, 20),
    },
)


def told(said: Decoded) -> dict[str, object]:
    """A Decoded with lists and tuples alike."""
    whole: dict[str, object] = msgspec.json.decode(msgspec.json.encode(said))
    return whole


@settings(max_examples=400)
@given(st.one_of(_plain, st.lists(_plain, max_size=4)))
def test_the_fast_way_and_the_careful_way_say_the_same(payload: Any) -> None:
    message = Message(TOPIC, json.dumps(payload).encode(), NOW)
    assert told(decode(message)) == told(decode_carefully(message))


def test_the_fast_way_is_taken_for_the_plain_shape() -> None:
    place = wire.address(TOPIC)
    one = {
        "at": "2026-11-25T07:01:00Z",
        "seq": 1,
        "values": {c.name: c.possible[0] for c in GLOSSARY},
    }
    assert quick(Message(TOPIC, json.dumps(one).encode(), NOW), place) is not None
    assert quick(Message(TOPIC, json.dumps([one, one]).encode(), NOW), place) is not None


_KEYS = st.sampled_from(
    [
        "at",
        "seq",
        "next_s",
        "values",
        "event",
        "state",
        "habit",
        "samples",
        "channel",
        "step_s",
        "battery_v",
        "in_auto",
        "x",
        "device",
    ]
)


def _deeper(inner: Any) -> Any:
    return st.lists(inner, max_size=4) | st.dictionaries(
        _KEYS | st.text(max_size=4), inner, max_size=5
    )


_any_json = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=8)
    | st.sampled_from(["at", "values", *NAMES[:3]]),
    _deeper,
    max_leaves=12,
)


@settings(max_examples=400)
@given(_any_json, st.sampled_from(["readings", "event", "status"]), st.booleans(), st.booleans())
def test_nothing_a_device_says_raises_or_stores_nonsense(
    payload: Any, kind: str, dup: bool, retain: bool
) -> None:
    message = Message(f"hourhand/main/g1/{kind}", json.dumps(payload).encode(), NOW, 1, retain, dup)
    said = decode(message)
    for reading in said.readings:
        assert 1_420_070_400 <= reading.at <= NOW + 600
        assert all(value == value and abs(value) < 1e308 for value in reading.values.values())
    msgspec.json.encode([said.readings, said.events, said.status, said.rejects, said.unknown])


@settings(max_examples=200)
@given(st.binary(max_size=60))
def test_no_bytes_raise(payload: Any) -> None:
    for kind in ("readings", "event", "status", "other"):
        decode(Message(f"hourhand/main/g1/{kind}", payload, NOW))
