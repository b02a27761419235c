"""A device's clock, learned from its stamps and their receipts; and what is read by it.

The devices here have clocks and lines of their own (helpers/device_clocks), which know no rule of
ours: the truth is when they measured.
"""

from __future__ import annotations

import html
import random
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
import pytest
from as_viewer import as_owner
from device_clocks import (
    Line,
    Write,
    at_site,
    bare_text,
    deliver,
    drifting,
    float32,
    number,
    sent,
    standard_time,
    utc_text,
    wall_as_utc,
)
from fastapi.testclient import TestClient
from hypothesis import given, settings
from hypothesis import strategies as st
from intake_desk import Desk, msg

from dashboard.app import create_app
from dashboard.views.service import health_view
from fleet.history import History
from fleet.model import EVERYTHING
from fleet.model.device_clock import NEW_CLOCK, DeviceClock
from fleet.registry import lists
from fleet.registry.base.engine import open_registry
from fleet.settings import Settings
from fleet.store import open_store
from fleet.store.port import StoreDown
from fleet.words import device_clock as words
from ingest.cache import Cache
from ingest.clocks import learn, utc_offset_s, zone_of_digits
from ingest.collector import Collector, beat
from ingest.inbox import Inbox
from ingest.intake import take
from ingest.wire import Message, Speaker, decode
from ingest.wire.times import stamp

SUMMER = 1_783_000_800  # 2026-07-02T14:00:00Z
NEAR_S = 70
"""A time so near to the truth is right: delays are seconds, coarse stamps a minute."""
BATTERY = 11.0, 1e-5


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    settings = Settings(data=tmp_path)
    made = Desk(
        settings,
        open_registry(settings),
        open_store(settings, writing=True),
        Cache(tmp_path / "profiles"),
    )
    yield made
    made.store.close()
    made.registry.close()


def volts(moment: int) -> float:
    """A battery that tells when it was measured."""
    return 11.0 + (moment - SUMMER) * 1e-7


def errors(desk: Desk, moments: list[int]) -> list[int]:
    """Kept time less true time [s], of every value that was measured, in their order."""
    found = {round(v, 7): at for at, v in desk.kept().get("battery_v", {}).items()}
    missing = [m for m in moments if round(volts(m), 7) not in found]
    assert not missing, f"{len(missing)} of {len(moments)} readings are gone"
    return [found[round(volts(m), 7)] - m for m in moments]


SINGLE, IN_FOURS, SLOW = Line(), Line(together=4), Line(delay_s=(1.0, 90.0))
TABLE: list[tuple[str, str, Write, Line, int, str, int]] = [
    # why, zone of the site, clock, line, step [s], learned, readings before it is known
    ("UTC without a zone", "Europe/Berlin", bare_text("UTC"), SINGLE, 900, "utc", 6),
    ("the same in batches", "Europe/Berlin", bare_text("UTC"), IN_FOURS, 900, "utc", 24),
    ("the same, late at times", "Europe/Berlin", bare_text("UTC"), SLOW, 900, "utc", 8),
    ("UTC west of it: plain at once", "America/Chicago", bare_text("UTC"), SINGLE, 900, "utc", 0),
    ("a batch of it: plain at once", "America/Chicago", bare_text("UTC"), IN_FOURS, 900, "utc", 0),
    (
        "the wall clock with a Z",
        "America/Chicago",
        wall_as_utc("America/Chicago"),
        SINGLE,
        900,
        "site",
        6,
    ),
    (
        "the same ahead: 5 h 45",
        "Asia/Kathmandu",
        wall_as_utc("Asia/Kathmandu"),
        SINGLE,
        900,
        "site",
        0,
    ),
    ("no summer time", "Europe/Berlin", standard_time(3600), SINGLE, 900, "+01:00", 6),
    (
        "a summer time that was abolished",
        "America/Mexico_City",
        standard_time(-5 * 3600),
        SINGLE,
        900,
        "-05:00",
        0,
    ),
    ("a neighbour's zone", "Asia/Kathmandu", bare_text("Asia/Kolkata"), SINGLE, 900, "", 48),
    ("as agreed", "Europe/Berlin", utc_text(), SINGLE, 900, "", 0),
    ("local without a zone", "America/Chicago", bare_text("America/Chicago"), SLOW, 900, "", 0),
    ("milliseconds", "Europe/Berlin", number(10**3), SINGLE, 900, "", 0),
    ("microseconds", "Europe/Berlin", number(10**6), SINGLE, 900, "", 0),
    ("nanoseconds", "Europe/Berlin", number(10**9), SINGLE, 900, "", 0),
    ("32 bits of float", "Europe/Berlin", float32(), SINGLE, 60, "", 0),
    ("the same in milliseconds", "Europe/Berlin", float32(10**3), SINGLE, 60, "", 0),
    ("the same in microseconds", "Europe/Berlin", float32(10**6), SINGLE, 60, "", 0),
    (
        "1970 since it was switched on",
        "Europe/Berlin",
        lambda t: int(t - SUMMER),
        SINGLE,
        60,
        "",
        0,
    ),
    ("it stands still", "Europe/Berlin", lambda t: SUMMER, SINGLE, 60, "", 0),
]


@pytest.mark.parametrize(("why", "zone", "write", "line", "step", "learned", "late"), TABLE)
def test_no_reading_is_gone_and_the_times_become_right(
    desk: Desk, why: str, zone: str, write: Write, line: Line, step: int, learned: str, late: int
) -> None:
    at_site(desk, zone, now=SUMMER)
    moments = [SUMMER + 17 + step * k for k in range(48)]
    deliver(desk, sent(moments, write, volts, line, seed=3))
    off = errors(desk, moments)
    assert [e for e in off[late:] if abs(e) > NEAR_S + line.delay_s[1]] == [], why
    assert desk.pulse().clock.zone == learned
    assert desk.quarantine() == []


def test_a_batch_whose_clock_is_ahead_is_set_aside_until_it_is_known(desk: Desk) -> None:
    """What cannot be placed is kept with its reason, and never at a time that is not its own."""
    at_site(desk, "Asia/Kathmandu", now=SUMMER)
    moments = [SUMMER + 17 + 900 * k for k in range(48)]
    deliver(desk, sent(moments, wall_as_utc("Asia/Kathmandu"), volts, IN_FOURS))
    assert len(desk.quarantine()) == 12
    assert max(map(abs, errors(desk, moments[12:]))) <= NEAR_S


def test_no_entry_of_a_clock_that_is_ahead_stands_at_a_wrong_time(desk: Desk) -> None:
    """Ten hours in one array, by a clock 5 h 45 ahead: the older half does not look ahead."""
    at_site(desk, "Asia/Kathmandu", now=SUMMER)
    moments = [SUMMER + 900 * k for k in range(40)]
    deliver(desk, sent(moments, wall_as_utc("Asia/Kathmandu"), volts, Line(together=40)))
    assert desk.kept() == {}
    assert len(desk.quarantine()) == 40
    stray = [
        {"at": utc_text(7_200 if m == moments[-1] else 0)(m), "values": {"ac_v": 1}}
        for m in moments
    ]
    desk.take(msg(stray, at=moments[-1]), now=moments[-1])
    assert sorted(desk.kept()["ac_v"]) == moments[:-1], "one stamp ahead is wrong by itself"
    assert len(desk.quarantine()) == 41


def test_thirty_readings_with_an_exponent_are_thirty(desk: Desk) -> None:
    """Field case 36: six figures have steps of 10,000 s. No time, and the clock is flagged."""
    moments = [SUMMER + 60 * k for k in range(30)]
    for m in moments:
        payload = f'{{"at":{m / 1e9:.5f}e+09,"values":{{"battery_v":{volts(m)!r}}}}}'
        desk.take(msg(payload.encode(), at=m + 1), now=m + 1)
    assert errors(desk, moments) == [1] * 30
    assert desk.pulse().clock_wrong_since is not None


@pytest.mark.parametrize(
    ("written", "kept"),
    [
        ("1.783000811e+09", SUMMER + 11),
        ("1.78300081e9", SUMMER + 10),
        ("1.78300081E12", SUMMER + 10),
        ('"1.783000811e+09"', SUMMER + 11),
        ("1.7830008e+09", None),
        ('"1.78300e+09"', None),
        ("1783000811000000", SUMMER + 11),
        ("1783000811000000000", SUMMER + 11),
        ('"1783000811000000000"', SUMMER + 11),
    ],
)
def test_a_number_is_as_fine_as_it_is_written(written: str, kept: int | None) -> None:
    payload = f'{{"at":{written},"values":{{"battery_v":12.5}}}}'.encode()
    said = decode(Message("hourhand/main/g1/readings", payload, SUMMER + 30))
    (reading,) = said.readings
    assert (reading.at, reading.clock) == (
        (SUMMER + 30, "receipt") if kept is None else (kept, "device")
    )


def test_float32_the_lowest_value_survives_and_the_clock_is_flagged(desk: Desk) -> None:
    """Field case 35."""
    moments = [SUMMER + 17 + 60 * k for k in range(40)]
    falling = {m: round(12.0 - 0.05 * k, 2) for k, m in enumerate(moments)}
    deliver(desk, sent(moments, float32(), falling.__getitem__))
    kept = desk.kept()["battery_v"]
    assert sorted(kept.values()) == sorted(falling.values())
    assert desk.pulse().latest["battery_v"].value == 10.05
    clock = desk.pulse().clock
    assert (clock.grain_s, clock.coarse) == (128, True)
    assert desk.pulse().clock_wrong_since is not None


def test_whole_minutes_are_no_fault_and_lose_nothing(desk: Desk) -> None:
    moments = [SUMMER + 5 + 23 * k for k in range(60)]

    def minute(t: float) -> str:
        return datetime.fromtimestamp(int(t), UTC).strftime("%Y-%m-%dT%H:%MZ")

    deliver(desk, sent(moments, minute, volts))
    assert max(map(abs, errors(desk, moments))) <= 60
    assert desk.pulse().clock.grain_s == 60
    assert desk.pulse().clock_wrong_since is None


# ---- what is learned, and what is not


def test_a_queue_of_two_hours_moves_no_clock_that_was_right(desk: Desk) -> None:
    """A line that was down and drains as slowly as it fills looks like a zone: not before a day."""
    at_site(desk, "Europe/Berlin", now=SUMMER)
    write = bare_text("Europe/Berlin")
    before = [SUMMER + 900 * k for k in range(40)]
    after = [SUMMER + 900 * k for k in range(48, 120)]
    deliver(desk, sent(before, write, volts))
    deliver(desk, sent(after, write, volts, Line(delay_s=(7_190, 7_210))))
    assert desk.pulse().clock.zone == ""
    assert set(errors(desk, before + after)) == {0}


def test_what_lay_at_the_broker_or_came_again_teaches_nothing(desk: Desk) -> None:
    at_site(desk, "Europe/Berlin", now=SUMMER)
    for k in range(40):
        at = SUMMER + 900 * k
        payload = {"at": utc_text(-7200)(at), "values": {"battery_v": 12.0}}
        again: dict[str, Any] = {"queued": True} if k % 2 else {"dup": True}
        desk.take(msg(payload, at=at, **again), now=at)
    assert desk.pulse().clock == NEW_CLOCK


def test_a_bare_utc_clock_stays_right_when_the_clocks_change(desk: Desk) -> None:
    """2026-10-25, from +2 h to +1 h: UTC was learned, not an offset."""
    at_site(desk, "Europe/Berlin", now=SUMMER)
    start = int(datetime(2026, 10, 24, 12, tzinfo=UTC).timestamp())
    moments = [start + 900 * k for k in range(96)]
    deliver(desk, sent(moments, bare_text("UTC"), volts))
    assert max(map(abs, errors(desk, moments)[8:])) <= NEAR_S


@pytest.mark.parametrize(
    "night", [datetime(2026, 3, 29, tzinfo=UTC), datetime(2026, 10, 25, tzinfo=UTC)]
)
@pytest.mark.parametrize("line", [SINGLE, IN_FOURS, Line(together=16)])
def test_the_nights_of_the_change_lose_nothing(desk: Desk, night: datetime, line: Line) -> None:
    at_site(desk, "Europe/Berlin", now=SUMMER)
    start = int(night.timestamp()) - 4 * 3600
    moments = [start + 900 * k for k in range(48)]
    deliver(desk, sent(moments, bare_text("Europe/Berlin"), volts, line))
    assert set(errors(desk, moments)) == {0}


def batch_of_the_night(step: int, order: str) -> tuple[list[int], list[dict[str, object]]]:
    """True moments around the hour that comes twice in Berlin, and the entries of one array."""
    berlin, change = ZoneInfo("Europe/Berlin"), 1_792_890_000  # 2026-10-25T01:00:00Z
    moments = list(range(change - 7_200, change + 7_200, step))
    entries: list[dict[str, object]] = [
        {
            "at": bare_text("Europe/Berlin")(m),
            "values": {"battery_v": volts(m), "run_hours_h": float(k)},
        }
        for k, m in enumerate(moments)
    ]
    assert datetime.fromtimestamp(change, berlin).hour == 2
    if order == "numbered":
        entries = [entry | {"seq": k} for k, entry in enumerate(entries)]
    if order == "newest first":
        entries.reverse()
    elif order in ("numbered", "in none"):
        random.Random(step).shuffle(entries)
    return moments, entries


@pytest.mark.parametrize("order", ["oldest first", "newest first", "numbered", "in none"])
@pytest.mark.parametrize("step", [300, 900, 3_600])
@pytest.mark.parametrize("later", [5, 90_000])
def test_the_hour_that_comes_twice_in_one_batch(order: str, step: int, later: int) -> None:
    """Field case 10: every reading stands at its own moment, however the array is ordered."""
    moments, entries = batch_of_the_night(step, order)
    message = msg(entries, at=moments[-1] + later)
    said = decode(message, Speaker(ZoneInfo("Europe/Berlin")))
    found = {round(r.values["battery_v"], 7): r.at for r in said.readings}
    assert [found[round(volts(m), 7)] for m in moments] == moments
    assert said.rejects == []


def test_readings_of_one_stamp_in_a_batch_are_told_apart_in_its_order() -> None:
    """A clock in steps of 128 s, two or three readings a step."""
    moments = [SUMMER + 60 * k for k in range(30)]
    entries = [{"at": float32()(m), "values": {"battery_v": volts(m)}} for m in moments]
    for batch in (entries, entries[::-1]):
        said = decode(msg(batch, at=moments[-1] + 70))
        kept = sorted((r.at, r.values["battery_v"]) for r in said.readings)
        assert [v for _, v in kept] == [volts(m) for m in moments]
        assert len({at for at, _ in kept}) == 30
        assert max(abs(at - m) for (at, _), m in zip(kept, moments, strict=True)) <= NEAR_S
        moved = [r for r in said.readings if r.clock == "corrected"]
        assert said.forgiven == {"stamp_shared": len(moved)}


@pytest.mark.parametrize("point", ["before_store", "after_store", "after_pulse"])
def test_a_crash_doubles_no_reading_of_a_repeated_stamp(desk: Desk, point: str) -> None:
    def minute(t: float) -> str:
        return datetime.fromtimestamp(int(t), UTC).strftime("%Y-%m-%dT%H:%MZ")

    moments = [SUMMER + 5 + 23 * k for k in range(12)]
    messages = [
        msgspec.structs.replace(m, number=k + 1)
        for k, (_, m) in enumerate(sent(moments, minute, volts))
    ]

    def crash(reached: str) -> None:
        if reached == point:
            raise StoreDown("the power went")

    with pytest.raises(StoreDown):
        take(messages, desk.into(moments[-1] + 5, crash))
    desk.forget()
    again = [
        msgspec.structs.replace(m, dup=True, received_at=moments[-1] + 30 + k // 4)
        for k, m in enumerate(messages)
    ]
    desk.take(*again, now=moments[-1] + 40)
    assert sorted(desk.kept()["battery_v"].values()) == [volts(m) for m in moments]


def test_a_device_without_summer_time_is_known_soon_after_the_change(desk: Desk) -> None:
    """Its digits went on as they did while the site's moved: no queue does that."""
    at_site(desk, "Europe/Berlin", now=SUMMER)
    start = int(datetime(2026, 3, 28, 20, tzinfo=UTC).timestamp())
    moments = [start + 900 * k for k in range(48)]
    deliver(desk, sent(moments, standard_time(3600), volts))
    off = [abs(e) for e in errors(desk, moments)]
    assert desk.pulse().clock.zone == "+01:00"
    assert sum(e > NEAR_S for e in off) <= 3


def test_a_clock_that_was_put_right_is_read_as_given_again(desk: Desk) -> None:
    at_site(desk, "America/Mexico_City", now=SUMMER)
    wrong = [SUMMER + 900 * k for k in range(20)]
    right = [SUMMER + 900 * k for k in range(20, 60)]
    deliver(desk, sent(wrong, standard_time(-5 * 3600), volts))
    assert desk.pulse().clock.zone == "-05:00"
    deliver(desk, sent(right, bare_text("America/Mexico_City"), volts))
    assert desk.pulse().clock.zone == ""
    assert max(map(abs, errors(desk, right)[6:])) <= NEAR_S


def test_another_set_is_another_clock(desk: Desk) -> None:
    """What was learned at one site says nothing at the next."""
    at_site(desk, "Europe/Berlin", now=SUMMER)
    clock = DeviceClock(unit="elsewhere", stamps="bare", zone="utc", looks=((SUMMER, 0),))
    desk.take(msg({"at": utc_text()(SUMMER), "values": {"battery_v": 1}}, at=SUMMER), now=SUMMER)
    learned = learn(
        clock, (SUMMER + 7200, "bare"), SUMMER, Speaker(ZoneInfo("Europe/Berlin"), unit="g1")
    )
    assert (learned.unit, learned.zone, learned.messages) == ("g1", "", 1)


def test_drift_is_measured_over_weeks_and_a_step_of_the_network_is_seen() -> None:
    speaker, clock = Speaker(), NEW_CLOCK
    rng = random.Random(5)
    for k in range(6 * 40):
        at = SUMMER + 4 * 3600 * k
        t = stamp(drifting(120, SUMMER)(at - rng.uniform(0.2, 3))).digits_s
        assert t is not None
        clock = learn(clock, (t, "zoned"), at, speaker)
    assert clock.drift_s_month == pytest.approx(120, abs=10)
    assert clock.offset_s == pytest.approx(160, abs=8)
    for k in range(8):
        at = SUMMER + 41 * 86_400 + 3600 * k
        clock = learn(clock, (at - 1 - k % 2, "zoned"), at, speaker)
    assert clock.stepped_s == pytest.approx(-160, abs=10)
    assert abs(clock.offset_s) <= 5
    assert clock.drift_s_month is None, "it is measured anew"


# ---- what is said of it


def test_the_set_s_page_the_api_and_health_say_what_was_learned(desk: Desk) -> None:
    at_site(desk, "Europe/Berlin", now=SUMMER)
    moments = [SUMMER + 900 * k for k in range(12)]
    deliver(desk, sent(moments, bare_text("UTC", ahead_s=180), volts))
    now = moments[-1] + 60
    collector = Collector(
        desk.store, desk.registry, desk.cache, Inbox(desk.settings.inbox, {}), None
    )
    beat(desk.registry, now, collector.report())
    history = History(desk.registry, desk.store)
    app = create_app(desk.settings, desk.registry, history, lambda: now)
    as_owner(app)
    with TestClient(app, base_url="http://127.0.0.1:8080") as client:
        page = html.unescape(client.get("/units/g1").text)
        (clock,) = client.get("/api/units/g1").json()["clocks"]
        health = health_view(lists.health(desk.registry, EVERYTHING), [], now)
        odd = html.unescape(client.get("/health-page").text)
    assert (
        "Its stamps carry no zone and are UTC, learned from 12 messages: what came after "
        "17:15 is put right. Its clock is 3 min ahead." in page
    )
    assert clock["device"] == "g1"
    assert (clock["read_as"], clock["stamps"], clock["count"]) == ("UTC", "bare", 12)
    assert clock["read_as_since_at"] == "2026-07-02T15:15:01Z"
    assert clock["ahead_s"] == pytest.approx(180, abs=5)
    assert clock["sentences"][1] == "Its clock is 3 min ahead."
    assert (health.clocks_put_right, health.clocks_too_coarse) == (1, 0)
    assert "its stamps are read as UTC" in odd


@pytest.mark.parametrize(
    ("clock", "said"),
    [
        (DeviceClock(messages=2), []),
        (DeviceClock(messages=9), ["Its clock is right to a minute."]),
        (
            DeviceClock(messages=9, stamps="bare", offset_s=-1400),
            [
                "Its stamps carry no zone and are read in the site's time zone.",
                "Its clock is 23 min behind, or its messages take so long.",
            ],
        ),
        (
            DeviceClock(messages=9, zone="site", zone_since=SUMMER, drift_s_month=-130.0),
            [
                "Its stamps say UTC and mean the site's wall clock, learned from 9 messages: what "
                "came after 14:00 is put right.",
                "Its clock is right to a minute.",
                "It loses 2 min in 30 days.",
            ],
        ),
        (
            DeviceClock(messages=9, grain_s=128),
            [
                "Its stamps come in steps of 128 s, too coarse to tell its messages apart: the time "
                "of receipt is used."
            ],
        ),
        (
            DeviceClock(messages=9, grain_s=60, stepped_at=SUMMER, stepped_s=-300),
            [
                "Its clock is right to a minute.",
                "Its stamps are whole minutes.",
                "It was set back by 5 min, seen 14:00.",
            ],
        ),
        (
            DeviceClock(messages=9, off_since=SUMMER),
            [
                "Since 14:00 its stamps do not fit that: its clock was changed, or its messages "
                "wait somewhere."
            ],
        ),
    ],
)
def test_what_is_said_of_a_clock(clock: DeviceClock, said: list[str]) -> None:
    assert words.sentences(clock, "UTC", SUMMER + 60) == said


ZONES = ["Europe/Berlin", "America/Chicago", "Asia/Kathmandu", "Australia/Lord_Howe", "UTC"]
KEPT = ["utc", "site", "standard"]


@given(
    site=st.sampled_from(ZONES),
    keeps=st.sampled_from(KEPT),
    bare=st.booleans(),
    skew=st.integers(-60, 60),
    start=st.integers(1_767_225_600, 1_798_761_600),
    step=st.integers(31, 7_200),
    delays=st.lists(st.floats(0, 1) | st.floats(0, 90_000), min_size=40, max_size=60),
)
@settings(max_examples=150, deadline=None)
def test_no_delay_ever_teaches_a_wrong_zone(
    site: str, keeps: str, bare: bool, skew: int, start: int, step: int, delays: list[float]
) -> None:
    """Whatever is late and by how much: the digits are read as the device means them, or as they
    were given."""
    there = ZoneInfo(site)
    speaker, clock = Speaker(there, unit="g1"), NEW_CLOCK
    received = 0
    for k, delay in enumerate(delays):
        true = start + step * k
        received = max(received, true + int(delay))
        zone = {"utc": 0, "site": utc_offset_s(there, true), "standard": 0}[keeps]
        if keeps == "standard":
            summer = datetime.fromtimestamp(true, there).dst()
            zone = utc_offset_s(there, true) - int(summer.total_seconds() if summer else 0)
        clock = learn(clock, (true + zone + skew, "bare" if bare else "zoned"), received, speaker)
        if clock.zone:
            read = utc_offset_s(zone_of_digits(clock.zone, clock.stamps, there), true)
            assert abs(read - zone) < 900
