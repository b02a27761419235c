"""The demo's history: whole, well formed, newest first, nothing twice and nothing lost."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import orjson
import pytest
from places import ROOT

from demo_fleet import __main__ as demo
from demo_fleet.assembly import Fleet, build_fleet
from demo_fleet.live import Device, remember, remembered_until
from demo_fleet.machine import events, readings
from demo_fleet.planted.faults import DAY_S
from demo_fleet.writing import (
    file_name,
    fleet_of,
    read_manifest,
    spans,
    write_history,
    write_papers,
)
from fleet import channels

NOW = 1_795_197_000
DAYS = 45
EVENTS = {
    "crank",
    "started",
    "failed_to_start",
    "stopped",
    "not_in_auto",
    "in_auto",
    "mains_lost",
    "mains_back",
}

Line = dict[str, Any]


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return build_fleet(1, NOW, units=22, days=DAYS)


@pytest.fixture(scope="module")
def data(fleet: Fleet, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    write_papers(fleet, folder)
    write_history(fleet, folder, fleet.first, NOW)
    return folder


@pytest.fixture(scope="module")
def lines(data: Path) -> list[Line]:
    found = []
    for path in sorted((data / "inbox").iterdir()):
        found += [orjson.loads(row) for row in path.read_bytes().splitlines()]
    return found


def entries(line: Line) -> list[Line]:
    return line["payload"] if isinstance(line["payload"], list) else [line["payload"]]


def of(lines: list[Line], device: str, kind: str) -> list[Line]:
    return [line for line in lines if line["topic"].endswith(f"/{device}/{kind}")]


def playing(fleet: Fleet, part: str) -> Any:
    return next(s for s in fleet.sets if s.plays == part)


def test_files_are_taken_newest_first(data: Path) -> None:
    manifest = read_manifest(data)
    assert manifest is not None
    names = [file["name"] for file in manifest["files"]]
    assert names == sorted(names) == sorted(p.name for p in (data / "inbox").iterdir())
    ends = [file["to"] for file in manifest["files"]]
    assert ends == sorted(ends, reverse=True)


def test_the_manifest_counts_what_lies_there(data: Path) -> None:
    manifest = read_manifest(data)
    assert manifest is not None
    files = list((data / "inbox").iterdir())
    assert manifest["count"] == len(files) == len(manifest["planned"])
    assert manifest["bytes"] == sum(p.stat().st_size for p in files) == manifest["expected_bytes"]
    assert manifest["complete"] is True


def test_spans_join_without_gap() -> None:
    found = spans(NOW - 365 * DAY_S, NOW)
    assert found[0][1] == NOW
    assert found[-1][0] == NOW - 365 * DAY_S
    assert all(a[0] == b[1] for a, b in pairwise(found))
    assert NOW - found[0][0] < 2 * DAY_S
    month = next(i for i, s in enumerate(found) if s[0] <= NOW - 30 * DAY_S)
    assert month <= 8
    assert all(b - a <= 7 * DAY_S for a, b in found)


def test_every_line_has_the_five_fields(lines: list[Line]) -> None:
    for line in lines:
        assert set(line) == {"received_at", "topic", "payload", "qos", "retain"}
        assert line["topic"].split("/")[0] == "hourhand"
        assert line["topic"].split("/")[3] in ("readings", "event", "status")
        assert line["qos"] == 1


def test_payloads_keep_the_contract(lines: list[Line]) -> None:
    """docs/wire.md: known channels, possible values (but for the planted sentinel), 256 kB, 10,000."""
    for line in lines:
        assert len(orjson.dumps(line["payload"])) < 256_000
        kind = line["topic"].rsplit("/", 1)[1]
        if kind == "event":
            assert line["payload"]["event"] in EVENTS
        elif kind == "status":
            assert line["payload"]["state"] in ("online", "offline")
        else:
            assert 1 <= len(entries(line)) <= 10_000
            for entry in entries(line)[:: max(1, len(entries(line)) // 20)]:
                check_values(entry["values"])


def check_values(entry: Line) -> None:
    for name, value in entry.items():
        if isinstance(value, str):
            continue
        assert name in channels.CHANNELS
        assert channels.CHANNELS[name].is_possible(value) or value == 6553.5


def test_lines_agree_with_the_published_schema(fleet: Fleet, lines: list[Line]) -> None:
    folder = ROOT / "ingest" / "schema"
    schemas = {kind: folder / f"{kind}.json" for kind in ("readings", "event", "status")}
    checks = {
        kind: jsonschema.Draft202012Validator(json.loads(path.read_text()))
        for kind, path in schemas.items()
    }
    odd = {playing(fleet, part).place.device for part in ("numbers_as_text", "sentinel")}
    for line in lines[::7]:
        if line["topic"].split("/")[2] in odd:
            continue
        kind = line["topic"].rsplit("/", 1)[1]
        payload = line["payload"][:20] if isinstance(line["payload"], list) else line["payload"]
        checks[kind].validate(payload)


def test_nothing_comes_from_the_future(lines: list[Line]) -> None:
    for line in lines:
        assert line["received_at"] <= NOW + 2
        for entry in entries(line):
            if isinstance(entry.get("at"), int):
                assert entry["at"] < NOW
                assert entry["at"] <= line["received_at"]


def test_every_reading_is_there_once(fleet: Fleet, lines: list[Line]) -> None:
    """What is in the files is what the machines report in one forward pass."""
    for part in ("failed_start", "silent", "coarse_habit", "meter_spike", "sentinel"):
        s = playing(fleet, part)
        found = [e for line in of(lines, s.place.device, "readings") for e in entries(line)]
        t, seen = readings(s.machine, fleet.first, NOW)
        found.sort(key=lambda e: e["at"])
        assert [e["at"] for e in found] == t.tolist()
        assert [e["values"]["battery_v"] for e in found] == seen["battery_v"].tolist()


def test_every_event_is_there_once(fleet: Fleet, lines: list[Line]) -> None:
    for part in ("failed_start", "hand_runs", "left_out_of_auto"):
        s = playing(fleet, part)
        found = of(lines, s.place.device, "event")
        told = events(s.machine, fleet.first, NOW)
        assert len(found) == len(told)
        assert all(line["received_at"] >= 1 for line in found)


def test_late_readings_come_late_shuffled_and_some_twice(fleet: Fleet, lines: list[Line]) -> None:
    s = playing(fleet, "late_batches")
    all_of = [e["at"] for line in of(lines, s.place.device, "readings") for e in entries(line)]
    t, _ = readings(s.machine, fleet.first, NOW)
    assert sorted(set(all_of)) == t.tolist()
    assert len(all_of) > len(t)
    late = [
        line
        for line in of(lines, s.place.device, "readings")
        if line["received_at"] - min(e["at"] for e in entries(line)) > 6 * 3600
        and [e["at"] for e in entries(line)] != sorted(e["at"] for e in entries(line))
    ]
    assert len(late) == sum(1 for a, _ in s.machine.script.offline if a > fleet.first)


def test_the_lost_clock_counts_from_1970_in_single_messages(
    fleet: Fleet, lines: list[Line]
) -> None:
    s = playing(fleet, "clock_lost")
    lost = s.machine.script.clock_lost
    after = [line for line in of(lines, s.place.device, "readings") if line["received_at"] > lost]
    assert len(after) > 100
    for line in after:
        assert isinstance(line["payload"], dict)
        assert line["payload"]["at"].startswith("1970-01-0")


def test_one_blink_of_1970_and_good_readings_around_it() -> None:
    fleet = build_fleet(1, NOW, units=22)
    s = playing(fleet, "clock_blink")
    from demo_fleet.lines import lines as lines_of

    at = s.machine.script.clock_blink
    found = [orjson.loads(row) for row in lines_of(s, at - 3600, at + 3600)]
    odd = [
        line for line in found if isinstance(line["payload"], dict) and "values" in line["payload"]
    ]
    odd = [line for line in odd if line["topic"].endswith("readings")]
    assert [line["payload"]["at"] for line in odd] == ["1970-01-01T00:00:36Z"]
    assert at < odd[0]["received_at"] < at + 700


def test_text_numbers_have_comma_and_unit(fleet: Fleet, lines: list[Line]) -> None:
    s = playing(fleet, "numbers_as_text")
    entry = entries(of(lines, s.place.device, "readings")[0])[0]["values"]
    assert entry["battery_v"].endswith(" V")
    assert float(entry["battery_v"][:-2].replace(",", ".")) == pytest.approx(13.4, abs=1.2)


def test_the_swapped_board_speaks_under_its_own_name() -> None:
    fleet = build_fleet(1, NOW, units=22)
    s = playing(fleet, "board_swapped")
    from demo_fleet.lines import lines as lines_of

    swap = s.machine.script.board_swap
    found = [orjson.loads(row) for row in lines_of(s, swap - DAY_S, swap + DAY_S)]
    for line in (line for line in found if line["topic"].endswith("readings")):
        expected = s.old_device if max(e["at"] for e in entries(line)) < swap else s.place.device
        assert line["topic"].split("/")[2] == expected


def test_statuses_are_retained_and_the_silent_one_is_offline(
    fleet: Fleet, lines: list[Line]
) -> None:
    states = [line for line in lines if line["topic"].endswith("/status")]
    assert all(line["retain"] for line in states)
    silent = playing(fleet, "silent")
    mine = of(lines, silent.place.device, "status")
    assert [line["payload"]["state"] for line in mine] == ["online", "offline"]
    assert len({line["topic"] for line in states}) == 23  # 22 sets and one board taken out


def test_the_silent_set_was_last_heard_three_days_ago(fleet: Fleet, lines: list[Line]) -> None:
    silent = playing(fleet, "silent")
    heard = max(
        line["received_at"]
        for line in lines
        if silent.place.device in line["topic"] and not line["retain"]
    )
    assert 2.5 * DAY_S < NOW - heard < 4 * DAY_S


def test_writing_goes_on_where_it_was_cut_off(fleet: Fleet, data: Path, tmp_path: Path) -> None:
    class Cut(Exception):
        pass

    def stop(manifest: dict[str, Any]) -> None:
        if manifest["count"] == 3:
            raise Cut

    with pytest.raises(Cut):
        write_history(fleet, tmp_path, fleet.first, NOW, stop)
    half = read_manifest(tmp_path)
    assert half is not None
    assert not half["complete"]
    assert half["expected_bytes"] > half["bytes"]
    write_history(fleet_of(half, NOW), tmp_path, fleet.first, NOW)
    for path in (data / "inbox").iterdir():
        assert (tmp_path / "inbox" / path.name).read_bytes() == path.read_bytes()


def test_live_goes_on_where_history_ends(fleet: Fleet, lines: list[Line]) -> None:
    """History to NOW and what live publishes after it are one forward pass, no gap, no double."""
    for part in ("failed_start", "numbers_as_text", "coarse_habit", "left_out_of_auto"):
        s = playing(fleet, part)
        device = Device(s, NOW)
        device._plan(NOW + 3600)
        said = [at for at, where, _ in device.waiting if where.endswith("readings")]
        before = [e["at"] for line in of(lines, s.place.device, "readings") for e in entries(line)]
        t, _ = readings(s.machine, fleet.first, NOW + 3600)
        assert sorted(before) + said == t.tolist()


def test_live_messages_are_single_and_like_the_contract(fleet: Fleet) -> None:
    device = Device(playing(fleet, "meter_spike"), NOW)
    device._plan(NOW + 1800)
    for at, _, payload in device.waiting:
        message = orjson.loads(payload)
        assert message["at"].endswith("Z")
        assert NOW <= at < NOW + 1800
        assert ("values" in message) or ("event" in message)


def test_what_was_said_live_is_remembered(tmp_path: Path) -> None:
    assert remembered_until(tmp_path / "live.json") is None
    remember(tmp_path / "live.json", NOW)
    assert remembered_until(tmp_path / "live.json") == NOW + 1


def test_write_twice_adds_only_what_is_new(tmp_path: Path) -> None:
    arguments = ["write", "--data", str(tmp_path), "--units", "4", "--days", "3"]
    assert demo.main([*arguments, "--now", str(NOW)]) == 0
    first = {p.name for p in (tmp_path / "inbox").iterdir()}
    assert demo.main([*arguments, "--now", str(NOW + 7200)]) == 0
    added = {p.name for p in (tmp_path / "inbox").iterdir()} - first
    assert added == {file_name((NOW, NOW + 7200))}
    seen: list[int] = []
    for path in (tmp_path / "inbox").iterdir():
        for row in path.read_bytes().splitlines():
            line = orjson.loads(row)
            if line["topic"].endswith("board-1022/readings"):
                seen += [e["at"] for e in entries(line)]
    assert len(seen) == len(set(seen)) == len(np.unique(seen))
    assert max(seen) > NOW


def test_an_impossible_fleet_is_refused_with_a_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert demo.main(["write", "--data", str(tmp_path), "--units", "99"]) == 2
    assert "1 to 60 sets" in capsys.readouterr().err
