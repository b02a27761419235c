"""Messages without a time: every value is kept, in order, and what is not known is said so."""

from __future__ import annotations

import html
import json
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from as_viewer import as_owner
from brokers import RunningBroker, running_broker
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from ingest_program import start, stop, subscribe_once, wait_for_beat
from intake_desk import NOW, Desk, msg, reading
from new_registries import registry_of

from dashboard.app import create_app
from dashboard.views.register import NO_CLOCK
from dashboard.views.service import forgiving
from fleet.history import History
from fleet.model import EVERYTHING, UnitSummary
from fleet.registry import lists, unscoped
from fleet.registry.base.engine import open_registry
from fleet.registry.register import import_units
from fleet.settings import Settings
from fleet.store import open_store
from fleet.store.port import StoreDown
from ingest.bench.broker import publish
from ingest.cache import Cache
from ingest.intake import take
from ingest.sitting import Sitting
from ingest.wire import Message
from scheduler.day import decode as decode_day
from scheduler.turns import Memory, work_through

FALLING = [12.8, 12.4, 12.1, 11.7, 11.3, 11.0]


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    made = desk_of(tmp_path)
    yield made
    made.store.close()
    made.registry.close()


def desk_of(folder: Path) -> Desk:
    folder.mkdir(exist_ok=True, parents=True)
    given = Settings(data=folder)
    return Desk(
        given, registry_of(given), open_store(given, writing=True), Cache(folder / "profiles")
    )


def volts(value: float, at: int = NOW, **more: Any) -> Message:
    return msg({"values": {"battery_v": value}}, at=at, **more)


def queued(values: list[float], at: int, first: int = 1) -> list[Message]:
    return [volts(v, at, number=first + n, queued=True) for n, v in enumerate(values)]


def kept(desk: Desk, channel: str = "battery_v") -> tuple[list[int], list[float]]:
    found = desk.kept().get(channel, {})
    return list(found), list(found.values())


def unsure(desk: Desk) -> list[tuple[int, int | None, int]]:
    with desk.registry.read() as connection:
        rows = connection.exec_driver_sql("select at, after_at, before_at from unsure order by at")
        return [tuple(row) for row in rows]


# ---- what lay at the broker


@pytest.mark.parametrize("cuts", [[6], [1, 5], [3, 3], [1, 1, 1, 1, 1, 1]])
def test_what_lay_at_the_broker_is_kept_value_by_value_in_order(
    desk: Desk, cuts: list[int]
) -> None:
    """However it is cut into batches: six values of one receipt second, after the last contact."""
    desk.take(volts(12.9), now=NOW)
    later, messages = NOW + 3 * 3600, queued(FALLING, NOW + 3 * 3600)
    for cut in cuts:
        desk.take(*messages[:cut], now=later)
        messages = messages[cut:]
    ats, values = kept(desk)
    assert values == [12.9, *FALLING]
    assert ats == sorted(set(ats))
    assert ats[1] > NOW
    assert ats[-1] <= later
    assert unsure(desk) == [(at, NOW, later) for at in ats[1:]]
    assert desk.pulse().latest["battery_v"].value == 11.0, "the newest is the device's latest"
    desk.take(volts(12.7, later + 60), now=later + 60)
    assert kept(desk)[0][-1] == later + 60, "live again, its receipt is its time"
    assert len(unsure(desk)) == 6


def test_times_in_the_queue_bound_what_lies_between_them(desk: Desk) -> None:
    desk.take(volts(12.9), now=NOW)
    at = NOW + 1000
    timed = msg({"at": at, "values": {"battery_v": 12.5}}, at=NOW + 9000, queued=True)
    desk.take(
        volts(12.6, NOW + 9000, queued=True),
        timed,
        volts(12.3, NOW + 9000, queued=True),
        now=NOW + 9000,
    )
    _, values = kept(desk)
    assert values == [12.9, 12.6, 12.5, 12.3]
    assert [row[1] for row in unsure(desk)] == [NOW, at]


@pytest.mark.parametrize("point", ["before_store", "after_store", "after_pulse"])
def test_a_crash_on_the_way_doubles_none(desk: Desk, point: str) -> None:
    desk.take(volts(12.9), now=NOW)
    later = NOW + 3 * 3600
    messages = queued(FALLING, later)

    def crash(reached: str) -> None:
        if reached == point:
            raise StoreDown("the power went")

    with pytest.raises(StoreDown):
        take(messages[:4], desk.into(later, crash))
    desk.forget()
    again = [
        volts(v, later + 40, number=1 + n, dup=n < 4, queued=True) for n, v in enumerate(FALLING)
    ]
    desk.take(*again, now=later + 40)
    assert kept(desk)[1] == [12.9, *FALLING]
    assert len(unsure(desk)) == 6


def test_a_session_of_days_delivered_again_is_found_again(desk: Desk) -> None:
    """What stands days back is recognised by when it came, not by where it stands."""
    desk.take(volts(12.9), now=NOW)
    later = NOW + 5 * 86_400
    desk.take(*queued(FALLING, later), now=later)
    desk.forget()
    desk.take(
        *(volts(v, later + 60, number=1 + n, dup=True, queued=True) for n, v in enumerate(FALLING)),
        now=later + 60,
    )
    assert kept(desk)[1] == [12.9, *FALLING]


def test_the_same_text_under_another_packet_is_another_message(desk: Desk) -> None:
    """Six equal reports, killed before they were acknowledged: those taken are found, one by one."""
    desk.take(*(volts(12.8, NOW + n * 900, number=n + 1) for n in range(3)), now=NOW + 1800)
    desk.forget()
    desk.take(
        volts(12.8, NOW + 1860, number=3, dup=True),
        volts(12.8, NOW + 1860, number=4, dup=True),
        now=NOW + 1860,
    )
    assert kept(desk)[0] == [NOW, NOW + 900, NOW + 1800, NOW + 1860]


def test_a_device_never_heard_before(desk: Desk) -> None:
    desk.take(*queued(FALLING, NOW), now=NOW)
    ats, values = kept(desk)
    assert values == FALLING
    assert ats[-1] <= NOW
    assert {row[1:] for row in unsure(desk)} == {(None, NOW)}


# ---- bursts


def test_a_burst_stands_before_its_receipt_with_the_newest_at_it(desk: Desk) -> None:
    desk.take(volts(12.9), now=NOW)
    later = NOW + 3600
    desk.take(*(volts(v, later) for v in FALLING), now=later)
    assert kept(desk)[0][1:] == list(range(later - 5, later + 1))
    assert kept(desk)[1] == [12.9, *FALLING]
    assert [row[0] for row in unsure(desk)] == list(range(later - 5, later)), "but the newest"


def test_a_report_in_two_messages_is_one_second(desk: Desk) -> None:
    desk.take(volts(12.6), msg({"values": {"ac_v": 231}}, at=NOW), now=NOW)
    desk.take(msg({"values": {"frequency_hz": 50}}, at=NOW), now=NOW)
    assert desk.kept() == {
        "battery_v": {NOW: 12.6},
        "ac_v": {NOW: 231.0},
        "frequency_hz": {NOW: 50.0},
    }
    assert unsure(desk) == []


def test_a_burst_cut_into_batches_waits_for_seconds_of_its_own(desk: Desk) -> None:
    """One a batch, all in one second: none is lost, none stands later than it is taken."""
    left, now = [volts(v) for v in FALLING], NOW
    desk.take(left.pop(0), now=now)
    for _ in range(20):
        sitting = Sitting(when_full="wait")
        take(left, desk.into(now), sitting=sitting)
        left = [left[index] for index in sitting.later]
        assert max(kept(desk)[0]) <= now
        now += 1
    assert not left
    assert kept(desk)[1] == FALLING


def test_events_of_one_second_are_each_kept(desk: Desk) -> None:
    cranks = [msg({"event": "crank", "values": {"crank_min_v": v}}, "event") for v in (9.9, 9.4)]
    desk.take(*cranks, now=NOW)
    assert [e.at for e in unscoped.events(desk.registry, "g1", 0, 2**33)] == [NOW - 1, NOW]
    assert kept(desk, "crank_min_v")[1] == [9.9, 9.4]


def test_what_cannot_have_a_second_of_its_own_is_counted(desk: Desk) -> None:
    """Ten a second for a minute: the larger of a second is kept, and the device says how many."""
    for second in range(60):
        messages = [volts(12 + n / 100, NOW + second) for n in range(10)]
        take(
            messages,
            desk.into(NOW + second),
            sitting=Sitting(when_full="merge"),
        )
    lost = 600 - len(kept(desk)[0])
    assert desk.pulse().forgiven["several_in_one_second"] >= lost
    assert max(kept(desk)[0]) <= NOW + 59


def test_a_batch_tried_again_stays_where_it_was_put(desk: Desk) -> None:
    """The store was written, the registry was not: the second try must not put it elsewhere."""
    desk.take(volts(12.9), now=NOW)
    later, sitting = NOW + 3600, Sitting(when_full="wait")
    messages = [volts(v, later) for v in FALLING[:3]]

    def crash(reached: str) -> None:
        if reached == "after_store":
            raise StoreDown("full")

    with pytest.raises(StoreDown):
        take(messages, desk.into(later, crash), sitting=sitting)
    messages += [volts(v, later + 4) for v in FALLING[3:]]
    take(messages, desk.into(later + 4), sitting=sitting)
    assert kept(desk)[1] == [12.9, *FALLING]


# ---- what is made of it

ROW = {
    "customer": "Mill Farm",
    "site": "Mill",
    "time_zone": "UTC",
    "unit": "g1",
    "nominal_v": 230,
    "nominal_hz": 50,
    "running_signal": "ac_v",
    "running_on": 200,
    "service_plan": "air_spark",
    "habit": "steady 900 60",
}


def house(desk: Desk) -> Callable[[int], UnitSummary]:
    """A set in the register, and a turn of the clockwork that tells what it makes of it."""
    assert import_units(desk.registry, [ROW], NOW - 86_400, "office").ok
    history, memory = History(desk.registry, desk.store), Memory()

    def turn(now: int) -> UnitSummary:
        work_through(desk.registry, history, now, memory)
        row = lists.unit(desk.registry, EVERYTHING, "g1")
        assert row is not None
        assert row.summary is not None
        return row.summary

    return turn


def runs(desk: Desk) -> list[tuple[int, int | None]]:
    rows = lists.days(desk.registry, EVERYTHING, "g1", NOW // 86_400 - 2, NOW // 86_400 + 3)
    return [(run.start, run.end) for row in rows for run in decode_day(row.doc).runs]


def test_what_lay_at_the_broker_is_no_run_and_no_alert(desk: Desk) -> None:
    """Volts come and go, and the battery falls, at moments nobody knows: nothing is made of it,
    and the set is heard. The same said live is a run."""
    turn = house(desk)
    desk.take(msg({"values": {"ac_v": 0, "battery_v": 12.9}}, at=NOW), now=NOW)
    before = turn(NOW + 5)
    later = NOW + 3 * 3600
    desk.take(
        *(
            msg({"values": {"ac_v": ac, "battery_v": v}}, at=later, number=n, queued=True)
            for n, (ac, v) in enumerate(((0, 12.8), (231, 13.9), (230, 13.8), (0, 9.0)), 1)
        ),
        now=later,
    )
    after = turn(later + 5)
    assert runs(desk) == []
    assert {f.kind for f in after.findings} <= {f.kind for f in before.findings}
    assert after.heard_at == later
    assert kept(desk, "ac_v")[1] == [0, 0, 231, 230, 0], "but it is all there to be read"
    for minute, volts_ac in enumerate((231, 230, 0), 1):
        at = later + 60 * minute
        desk.take(msg({"values": {"ac_v": volts_ac, "battery_v": 12.8}}, at=at), now=at)
    turn(later + 300)
    assert runs(desk) == [(later + 60, later + 180)]


def test_the_set_s_page_and_the_api_say_what_is_not_known(desk: Desk) -> None:
    turn = house(desk)
    desk.take(volts(12.9), now=NOW)
    later = NOW + 3 * 3600 + 21 * 60
    desk.take(*queued(FALLING, later), now=later)
    turn(later + 5)
    history = History(desk.registry, desk.store)
    app = create_app(desk.settings, desk.registry, history, lambda: later + 9)
    as_owner(app)
    with TestClient(app, base_url="http://127.0.0.1:8080") as client:
        page = html.unescape(client.get("/units/g1").text)
        answer = client.get("/api/units/g1/readings?channel=battery_v").json()
    assert "6 readings of unknown time between 07:02 and 10:23" in page
    assert "time unknown" in page
    assert NO_CLOCK in page
    assert [item["value"] for item in answer["items"]] == [[12.9, *FALLING]]
    (spell,) = answer["time_unknown"]
    assert (spell["readings"], spell["after_at"], spell["before_at"]) == (
        6,
        "2026-11-25T07:02:00Z",
        "2026-11-25T10:23:00Z",
    )


# ---- a device without a clock

FIRST = {"values": {"battery_v": 12.6, "ac_v": 0.0}}
"""As the README's first message: no time in it."""


def kinds(summary: UnitSummary) -> set[str]:
    return {finding.kind for finding in summary.findings}


def test_a_device_that_sends_no_time_has_no_wrong_clock(desk: Desk) -> None:
    """The first message and every one after it, for a month, on every road that could tell."""
    turn = house(desk)
    for day in range(30):
        at = NOW + day * 86_400
        desk.take(msg(FIRST, at=at), now=at)
        assert "clock_wrong" not in kinds(turn(at + 5))
    pulse = desk.pulse()
    assert pulse.clockless
    assert (pulse.clock_wrong_since, pulse.clock_wrong_at, pulse.clock_told_at) == (None,) * 3
    assert forgiving(lists.devices(desk.registry, EVERYTHING)) == []
    assert not desk.quarantine()


def test_a_time_that_is_wrong_is_a_wrong_clock(desk: Desk) -> None:
    for told in ("1970-01-01T00:00:36", 36, NOW + 3600, "soon"):
        desk.forget()
        device = f"d{abs(hash(told))}"
        desk.take(msg({"at": told, **FIRST}, device=device), now=NOW)
        assert desk.pulse(device).clock_wrong_since == NOW
        assert not desk.pulse(device).clockless


def test_a_device_that_gives_a_time_at_times_is_wrong_when_it_does_not(desk: Desk) -> None:
    turn = house(desk)
    desk.take(reading(NOW, battery_v=12.6), now=NOW)
    desk.take(msg(FIRST, at=NOW + 60), now=NOW + 60)
    assert desk.pulse().clock_wrong_since == NOW + 60
    assert "clock_wrong" in kinds(turn(NOW + 65))
    desk.take(reading(NOW + 120, battery_v=12.6), now=NOW + 120)
    assert desk.pulse().clock_wrong_since is None
    assert "clock_wrong" not in kinds(turn(NOW + 125))


def test_a_firmware_that_begins_or_ceases_to_give_times(desk: Desk) -> None:
    """Begins: no word of a wrong clock, before or after. Ceases: wrong for 14 days, then a device
    without a clock."""
    for hour in range(3):
        desk.take(msg(FIRST, at=NOW + hour * 3600), now=NOW + hour * 3600)
    begun = NOW + 4 * 3600
    desk.take(reading(begun, battery_v=12.6), now=begun)
    assert desk.pulse().clock_wrong_at is None
    assert not desk.pulse().clockless
    ceased = begun + 3600
    for day in range(16):
        at = ceased + day * 86_400
        desk.take(msg(FIRST, at=at), now=at)
        pulse = desk.pulse()
        assert (pulse.clock_wrong_since is None) == (day >= 14) == pulse.clockless


# ---- any interleaving

steps = st.lists(
    st.tuples(
        st.sampled_from(["timeless", "timed", "reconnect", "crash", "cut"]),
        st.integers(min_value=1, max_value=900),
    ),
    min_size=1,
    max_size=40,
)


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(script=steps)
def test_any_interleaving_keeps_every_value_in_order(
    tmp_path_factory: pytest.TempPathFactory, script: list[tuple[str, int]]
) -> None:
    interleaved(tmp_path_factory, script)


@pytest.mark.long
@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(script=steps)
def test_no_interleaving_loses_a_value(
    tmp_path_factory: pytest.TempPathFactory, script: list[tuple[str, int]]
) -> None:
    interleaved(tmp_path_factory, script)


def interleaved(tmp_path_factory: pytest.TempPathFactory, script: list[tuple[str, int]]) -> None:
    """A device that sends at most once a second, sometimes without a time; ingest is away at
    times, crashes at times between store and registry, and takes its batches as they come."""
    desk = desk_of(tmp_path_factory.mktemp("desk"))
    sent = 0
    at_broker: list[Message] = []
    timeless: list[float] = []
    away, now, number = False, NOW, 0

    def deliver(crash: bool, dup: bool = False) -> None:
        batch = [
            Message(m.topic, m.payload, now, dup=dup, number=m.number, queued=away)
            for m in at_broker
        ]
        if not batch:
            return

        def fault(reached: str) -> None:
            if crash and reached == "after_store":
                raise StoreDown("the power went")

        try:
            take(batch, desk.into(now, fault))
        except StoreDown:
            desk.forget()
            deliver(False, dup=True)
        at_broker.clear()

    for what, seconds in script:
        now += seconds
        if what in ("timeless", "timed"):
            sent += 1
            number += 1
            value = float(sent)
            body: dict[str, object] = {"values": {"battery_v": value}}
            if what == "timed":
                body["at"] = now
            else:
                timeless.append(value)
            at_broker.append(msg(body, at=now, number=number))
            if not away:
                deliver(False)
        elif what == "reconnect":
            deliver(False)
            away = not away
        elif what == "crash":
            deliver(True)
            away = False
        else:
            deliver(False)
    now += 1
    deliver(False)
    series = desk.kept().get("battery_v", {})
    found = [value for value in series.values() if value in set(timeless)]
    desk.store.close()
    desk.registry.close()
    assert sorted(series.values()) == [float(n) for n in range(1, sent + 1)]
    assert found == timeless
    assert all(at <= now for at in series)


# ---- real parts


@pytest.fixture
def running(tmp_path: Path) -> Iterator[RunningBroker]:
    with running_broker(tmp_path / "broker") as broker:
        yield broker


def battery(data: Path) -> list[float]:
    store = open_store(Settings(data=data), writing=False)
    try:
        found: list[float] = store.read("g1", ["battery_v"], 0, 2**33)["battery_v"].v.tolist()
        return found
    finally:
        store.close()


def wait_for(data: Path, process: subprocess.Popen[bytes], wanted: list[float]) -> None:
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline and battery(data) != wanted:
        assert process.poll() is None
        time.sleep(0.2)
    assert battery(data) == wanted


@pytest.mark.parametrize(
    "killed",
    [
        "",
        "after_store",
        pytest.param("after_pulse", marks=pytest.mark.long),
        pytest.param("before_ack", marks=pytest.mark.long),
    ],
)
def test_six_messages_while_ingest_is_away_are_six_values(
    tmp_path: Path, running: RunningBroker, killed: str
) -> None:
    """Heard a moment before, away for a moment, killed on the way: six, in order, none twice."""
    data = tmp_path / "data"
    subscribe_once(data, running)
    texts = [
        ("hourhand/main/g1/readings", json.dumps({"values": {"battery_v": v}}).encode())
        for v in (12.9, *FALLING)
    ]
    process = start(data, running)
    wait_for_beat(data, lambda doc: doc["connected"] and not doc["catching_up"], process)
    publish(running.port, 1, texts.__getitem__)
    wait_for(data, process, [12.9])
    stop(process)
    publish(running.port, 6, texts[1:].__getitem__)
    if killed:
        process = start(data, running, f"{killed}:1")
        assert process.wait(60) != 0
    process = start(data, running)
    wait_for(data, process, [12.9, *FALLING])
    stop(process)
    store = open_store(Settings(data=data), writing=False)
    ats = store.read("g1", ["battery_v"], 0, 2**33)["battery_v"].t.tolist()
    store.close()
    assert ats[-1] <= time.time()
    registry = open_registry(Settings(data=data))
    with registry.read() as connection:
        marked = connection.exec_driver_sql("select at from unsure order by at").scalars().all()
    registry.close()
    assert marked == ats[1:]
