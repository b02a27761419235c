"""A recording followed as it was received: what it finds, passes over, survives, and never sends."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest
from brokers import RunningBroker
from mqtt_clients import Client
from posts import mail_server, web_server
from replayed import prepared, rows, settings, stormy
from service import wait_for
from simulated import World, register_rows

from fleet.bounds import LATEST
from fleet.model import EVERYTHING
from fleet.past import Past, replayed
from fleet.registry import lists, people
from fleet.registry.told import alerts, outbox
from hourhand.command_line import main
from hourhand.recorded import FollowFault, Following
from ingest.inbox import read_line
from ingest.wire import Message
from scheduler.turns import watching

PACED_BY_A_PROCESS = ("change",)
"""Which pages look different: written in groups as large as the machine is quick, and thrown away
after a week counted from the start of a process."""


def followed(data: Path, file: Path, until: int, every_look: bool, look_s: int) -> int:
    with Following(settings(data), every_look, look_s) as following:
        return following.follow([file], until).looks


def with_and_without(folder: Path, made: World, look_s: int) -> tuple[int, int]:
    """(looks made where none is passed over, looks made else); the registries are the same."""
    data, file = prepared(folder, made)
    other = folder / "other"
    shutil.copytree(data, other)
    whole = followed(data, file, made.end, True, look_s)
    few = followed(other, file, made.end, False, look_s)
    one, two = rows(data, PACED_BY_A_PROCESS), rows(other, PACED_BY_A_PROCESS)
    assert one.keys() == two.keys()
    for table in one:
        assert one[table] == two[table], table
    assert one["episode"], "a world in which nothing is told shows little"
    return whole, few


def test_looks_passed_over_change_nothing(tmp_path: Path) -> None:
    whole, few = with_and_without(tmp_path, stormy(3, 5, 0.3), 60)
    assert few < whole


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("seed", range(2))
def test_looks_passed_over_change_nothing_in_days(tmp_path: Path, seed: int) -> None:
    whole, few = with_and_without(tmp_path, stormy(seed + 10, 6, 3), 60)
    assert few < whole


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_looks_of_every_two_seconds_passed_over_change_nothing(tmp_path: Path) -> None:
    whole, few = with_and_without(tmp_path, stormy(20, 6, 0.1), 2)
    assert few < whole / 2


class Killed(BaseException):
    """Stands for a kill: nothing may catch it."""


def test_cut_off_anywhere_it_goes_on_as_if_it_had_not_been(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = stormy(5, 4, 0.25)
    data, file = prepared(tmp_path, made)
    other = tmp_path / "other"
    shutil.copytree(data, other)
    followed(data, file, made.end, False, 20)
    points = [(watching, "_write", 23), (watching, "_together", 31), (outbox, "put_down", 17)]
    for module, name, nth in points:
        count, real = iter(range(1, 10**9)), getattr(module, name)

        def cut(*args: object, nth: int = nth, count=count, real=real) -> object:  # type: ignore[no-untyped-def]
            if next(count) == nth:
                raise Killed
            return real(*args)

        with monkeypatch.context() as patched:
            patched.setattr(module, name, cut)
            with pytest.raises(Killed):
                followed(other, file, made.end, False, 20)
    followed(other, file, made.end, False, 20)
    one, two = rows(data, PACED_BY_A_PROCESS), rows(other, PACED_BY_A_PROCESS)
    for table in one:
        assert one[table] == two[table], table


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_killed_by_the_system_it_goes_on(tmp_path: Path) -> None:
    made = stormy(6, 5, 0.5)
    data, file = prepared(tmp_path, made)
    other = tmp_path / "other"
    shutil.copytree(data, other)
    command = [sys.executable, "-m", "hourhand", "replay", "--as-recorded", str(file), "--data"]
    for wait_s in (6, 7, 9, 12):
        process = subprocess.Popen([*command, str(other)], stdout=subprocess.PIPE)
        time.sleep(wait_s)
        process.send_signal(signal.SIGKILL)
        process.communicate()
    subprocess.run([*command, str(other)], check=True, capture_output=True)
    subprocess.run([*command, str(data)], check=True, capture_output=True)
    one, two = rows(data, PACED_BY_A_PROCESS), rows(other, PACED_BY_A_PROCESS)
    for table in one:
        assert one[table] == two[table], table


BEGIN = 1_700_006_400


def line(at: int, payload: object, device: str = "s1", kind: str = "readings") -> str:
    topic = f"hourhand/main/{device}/{kind}"
    return json.dumps({"received_at": at, "topic": topic, "payload": payload}) + "\n"


def reading(at: int, ac_v: float, hours: float, mains_v: float = 230.0) -> dict[str, object]:
    stamp = datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    values = {"ac_v": ac_v, "run_hours_h": hours, "mains_v": mains_v, "battery_v": 13.4}
    return {"at": stamp, "values": values}


ROW = {
    "customer": "Hill Farm",
    "site": "Barn",
    "time_zone": "Europe/Berlin",
    "nominal_v": "230",
    "nominal_hz": "50",
    "running_signal": "ac_v",
    "running_on": "200",
    "service_plan": "air_spark",
    "habit": "steady 300 300",
}


def register(folder: Path, **more: str) -> Path:
    file = folder / "sets.csv"
    row = {**ROW, "unit": "s1", **more}
    file.write_text(",".join(row) + "\n" + ",".join(row.values()) + "\n")
    return file


def late_run(folder: Path) -> tuple[Path, int, int]:
    """A set reports every five minutes; of a run of two hours is heard three hours late, in one batch.
    Returns the recording, the end of the run, and when the batch came."""
    lines, kept = [], []
    cut, came = BEGIN + 6 * 3600, BEGIN + 11 * 3600
    for n in range(12 * 14):
        at = BEGIN + 300 * n
        on = cut <= at < cut + 7200
        hours = 100.0 + min(2.0, max(0.0, (at - cut) / 3600))
        told = reading(at, 231.0 if on else 0.0, round(hours, 1))
        if cut <= at < came:
            kept.append(told)
            continue
        if kept:
            lines.append(line(came, kept))
            kept = []
        lines.append(line(at + 2, told))
    file = folder / "late.jsonl"
    file.write_text("".join(lines))
    return file, cut + 7200, came


def test_as_of_a_moment_is_what_was_known_then(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, ended, came = late_run(tmp_path)
    data = tmp_path / "past"
    command = ["replay", "--as-recorded", str(file), "--data", str(data)]
    assert main([*command, "--register", str(register(tmp_path))]) == 0
    said = capsys.readouterr().out
    assert "0.6 days of 1 units: 109 messages taken" in said
    assert "Nobody was sent anything." in said
    past = Past(data)
    before, after = past.summary("s1", ended + 1800), past.summary("s1", came + 1800)
    past.close()
    assert before is not None
    assert after is not None
    assert before.hours.hours_h == pytest.approx(100.0, abs=0.1)
    assert before.condition == "not_reporting"
    assert before.last_run is None
    assert after.hours.hours_h == pytest.approx(102.0, abs=0.1)
    assert after.last_run is not None
    assert after.last_run.start == pytest.approx(BEGIN + 6 * 3600, abs=600)
    moment = datetime.fromtimestamp(ended + 1800, UTC).isoformat()
    listing = ["units", "list", "--data", str(data), "--json", "--as-of"]
    assert main([*listing, moment]) == 0
    (then,) = json.loads(capsys.readouterr().out)
    assert (then["condition"], then["engine_hours_h"]) == ("not_reporting", 100.0)
    assert [one["kind"] for one in then["alerts"]] == ["not_reporting"]
    assert main([*listing, datetime.fromtimestamp(came + 1800, UTC).isoformat()]) == 0
    (now,) = json.loads(capsys.readouterr().out)
    assert now["condition"] == "standing_by"
    assert now["engine_hours_h"] == pytest.approx(102.0, abs=0.1)
    assert now["readiness"] is not None


def test_it_tells_nobody_though_everybody_could_be_reached(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A life site's set fails to start; a mail server and a web server of its owner stand ready."""
    off = BEGIN + 4 * 3600
    lines = [line(BEGIN + 300 * n + 1, reading(BEGIN + 300 * n, 0.0, 50.0)) for n in range(48)]
    lines += [line(off + 20, {"at": off + 19, "event": "failed_to_start"}, kind="event")]
    for n in range(48):
        lines.append(line(off + 300 * n + 30, reading(off + 300 * n + 29, 0.0, 50.0, 0.0)))
    file = tmp_path / "failed.jsonl"
    file.write_text("".join(lines))
    data = tmp_path / "past"
    with mail_server() as mail, web_server() as web:
        monkeypatch.setenv("HOURHAND_SMTP_HOST", "127.0.0.1")
        monkeypatch.setenv("HOURHAND_SMTP_PORT", str(mail.port))
        monkeypatch.setenv("HOURHAND_SMTP_FROM", "hourhand@example.org")
        sets = register(tmp_path, criticality="life")
        until = datetime.fromtimestamp(off - 60, UTC).isoformat()
        command = ["replay", "--as-recorded", str(file), "--data", str(data)]
        assert main([*command, "--register", str(sets), "--until", until]) == 0
        with Following(settings(data)) as following:
            registry = following.registry
            boss = people.Actor("test")
            ann = people.Person(id="", login="ann@example.org", name="Ann", role="owner")
            person = people.add_person(registry, ann, boss, BEGIN).id
            key = b"MDEyMzQ1Njc4OTAxMjM0NTY3ODkwMTIzNDU2Nzg5MDE="
            address = f"json://127.0.0.1:{web.port}/told"
            outbox.add_target(registry, person, "webhook", address, "shown", key, boss, BEGIN)
        assert main(command) == 0
        assert "act now" in capsys.readouterr().out
        with Following(settings(data)) as following:
            (episode,) = [
                e
                for e in alerts.history(following.registry, EVERYTHING, 0)
                if e.kind == "failed_start"
            ]
            told = alerts.notices(following.registry, EVERYTHING, episode.id)
            assert {(n.person, state) for n, state in told} == {(person, "sent")}
            tries = outbox.tries_of(following.registry, EVERYTHING, [n.id for n, _ in told])
            assert {t.outcome for t in tries} == {"not_allowed"}
        for program in ("scheduler", "ingest"):
            ran = subprocess.run(
                [sys.executable, "-m", program, "--data", str(data)],
                capture_output=True,
                text=True,
                timeout=120,
                check=False,
                env=dict(os.environ),
            )
            assert ran.returncode == 2, ran.stderr
            assert "a recording that was followed" in ran.stderr
        assert (mail.got, web.got, web.asked) == ([], [], 0)


def test_the_folder_of_a_service_is_left_alone(tmp_path: Path) -> None:
    data = tmp_path / "service"
    assert main(["units", "import", str(register(tmp_path)), "--data", str(data)]) == 0
    assert not replayed(data)
    with pytest.raises(FollowFault, match="a folder of its own"):
        Following(settings(data))
    assert not replayed(data)


def test_lines_out_of_order_and_unreadable_ones_are_taken_and_counted(tmp_path: Path) -> None:
    file = tmp_path / "odd.jsonl"
    first = line(BEGIN + 600, reading(BEGIN + 599, 0.0, 1.0))
    earlier = line(BEGIN, reading(BEGIN - 1, 0.0, 1.0))
    last = line(BEGIN + 900, reading(BEGIN + 899, 0.0, 1.0))
    file.write_text("no line at all\n" + first + earlier + "{broken\n\n" + last)
    data = tmp_path / "past"
    with Following(settings(data)) as following:
        found = following.follow([file])
        assert (found.begun_at, found.at) == (BEGIN + 600, BEGIN + 900)
        assert (found.messages, found.refused, found.out_of_order) == (3, 2, 1)
        aside = lists.quarantine(following.registry, EVERYTHING)
        assert {row.item.received_at for row in aside} == {BEGIN + 600}
        assert found == following.follow([file])


def test_several_recordings_are_one(tmp_path: Path) -> None:
    one, two = tmp_path / "a.jsonl", tmp_path / "b.jsonl"
    evens = [line(BEGIN + 300 * n, reading(BEGIN + 300 * n, 0.0, 1.0)) for n in range(0, 20, 2)]
    odds = [line(BEGIN + 300 * n, reading(BEGIN + 300 * n, 0.0, 1.0)) for n in range(1, 20, 2)]
    one.write_text("".join(evens))
    two.write_text("".join(odds))
    with Following(settings(tmp_path / "past")) as following:
        found = following.follow([one, two])
    assert (found.messages, found.out_of_order) == (20, 0)


def test_the_worlds_sets_are_a_register(tmp_path: Path) -> None:
    data, _ = prepared(tmp_path, stormy(1, 6, 0.2))
    with Following(settings(data)) as following:
        assert len(lists.units(following.registry, EVERYTHING)) == len(
            register_rows(stormy(1, 6, 0.2))
        )


def test_what_is_recorded_is_what_was_sent(tmp_path: Path, broker: RunningBroker) -> None:
    data, file = tmp_path / "data", tmp_path / "week.jsonl"
    environment = {
        **os.environ,
        "HOURHAND_MQTT_HOST": broker.host,
        "HOURHAND_MQTT_PORT": str(broker.port),
    }
    command = [sys.executable, "-m", "hourhand", "record", str(file), "--data", str(data)]
    sent = [
        ("hourhand/main/s1/status", b'{"state":"online"}', True),
        ("hourhand/main/s1/readings", b'{"values":{"ac_v": 0.0}}', False),
        ("hourhand/main/s1/readings", b'"not JSON but\xff', False),
        ("hourhand/main/s1/readings", b'"a text"', False),
        ("hourhand/main/s1/readings", b"", False),
    ]
    client = Client(broker.port, "sends")
    for topic, payload, retain in sent[:1]:
        client.mqtt.publish(topic, payload, qos=1, retain=retain).wait_for_publish(30)
    process = subprocess.Popen(command, env=environment, stdout=subprocess.PIPE)
    wait_for("the retained birth", lambda: file.exists() and file.read_bytes())
    for topic, payload, retain in sent[1:]:
        client.mqtt.publish(topic, payload, qos=1, retain=retain).wait_for_publish(30)
    wait_for("every message", lambda: file.read_bytes().count(b"\n") == len(sent))
    process.send_signal(signal.SIGTERM)
    said, _ = process.communicate(timeout=60)
    client.mqtt.publish(sent[0][0], b"", qos=1, retain=True).wait_for_publish(30)
    client.close()
    assert (process.returncode, said) == (0, b"5 messages recorded.\n")
    found = [read_line(raw, "x:1", LATEST, 0) for raw in file.read_bytes().splitlines(True)]
    held = [(m.topic, m.payload, m.retain) for m in found if isinstance(m, Message)]
    assert held == sent
