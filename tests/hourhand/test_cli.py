"""The `hourhand` command: what it prints, what it refuses, its exit codes."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest
from brokers import RunningBroker
from service import PLAIN_UNIT, Service, free_port, wait_for

from hourhand.command_line import main
from hourhand.supervisor import Child, Supervisor, listens


@pytest.fixture
def house(tmp_path: Path) -> Service:
    return Service(tmp_path / "data", free_port())


def test_a_register_is_imported_and_listed(house: Service) -> None:
    house.register(
        {}, {"unit": "set-2", "device": "set-2", "customer": "Ms O'Hara", "site": "Shore Road 5"}
    )
    listed = house.hourhand("units", "list")
    assert listed.returncode == 0
    assert "set-1" in listed.stdout
    assert "Ms O'Hara" in listed.stdout
    found = json.loads(house.hourhand("units", "list", "--search", "o'hara", "--json").stdout)
    assert [row["unit"] for row in found] == ["set-2"]
    assert house.hourhand("units", "list", "--search", "nobody").stdout == "No set matches.\n"


def test_an_empty_register_says_how_to_fill_it(house: Service) -> None:
    assert "hourhand units import" in house.hourhand("units", "list").stdout
    assert house.hourhand("due").stdout == "Nothing is due.\n"


@pytest.mark.parametrize("ending", ["csv", "json"])
def test_an_exported_register_comes_back_as_it_was(house: Service, ending: str) -> None:
    house.register({}, {"unit": "set-2", "device": "set-2", "site": "=Shore Road", "area": "North"})
    file, again = house.data.parent / f"told.{ending}", house.data.parent / f"again.{ending}"
    done = house.hourhand("units", "export", str(file))
    assert done.stdout == f"{file}: {file.stat().st_size} bytes.\n"
    other = Service(house.data.parent / "other", free_port())
    taken = other.hourhand("units", "import", str(file))
    assert taken.returncode == 0, taken.stderr
    assert json.loads(other.hourhand("units", "export", str(again), "--json").stdout) == {
        "file": str(again),
        "bytes": again.stat().st_size,
    }
    assert again.read_bytes() == file.read_bytes()


def test_an_export_that_cannot_be_written_says_why(house: Service) -> None:
    for file, why in (("sets.xls", "ends in .csv, .json or .parquet"), ("none/a.csv", "No such")):
        refused = house.hourhand("units", "export", str(house.data.parent / file))
        assert refused.returncode == 2
        assert why in refused.stderr


WRONG_ROW = {"nominal_v": "x", "nominal_hz": "y", "running_on": "z", "fuel": "coal"}


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        ([WRONG_ROW], "1 of 1 rows is wrong (4 faults). Mend it and import again."),
        (
            [WRONG_ROW, WRONG_ROW | {"unit": "b"}, {"unit": "c"}],
            "2 of 3 rows are wrong (8 faults). Mend them, or take the others with --partial.",
        ),
        (
            [{"fuel": "coal"}, {"unit": "b", "fuel": "coal"}],
            "2 of 2 rows are wrong. Mend them and import again.",
        ),
    ],
)
def test_rows_are_counted_and_then_what_is_wrong_in_them(
    house: Service, tmp_path: Path, rows: list[dict[str, str]], says: str
) -> None:
    table = tmp_path / "units.json"
    table.write_text(json.dumps([{**PLAIN_UNIT, **row} for row in rows]))
    refused = house.hourhand("units", "import", str(table))
    assert f"Nothing was written: {says}\n" in refused.stderr
    told = json.loads(house.hourhand("units", "import", str(table), "--json").stdout)
    wrong = len({problem["row"] for problem in told["problems"]})
    assert (told["refused"], told["written"]) == (wrong, False)


def test_a_wrong_row_writes_nothing_unless_asked(house: Service, tmp_path: Path) -> None:
    good, bad = dict(PLAIN_UNIT), {**PLAIN_UNIT, "unit": "set-2", "nominal_v": "plenty"}
    table = tmp_path / "units.csv"
    lines = [
        ",".join(good),
        *(",".join(f'"{cell}"' for cell in row.values()) for row in (good, bad)),
    ]
    table.write_text("\n".join(lines) + "\n")
    refused = house.hourhand("units", "import", str(table))
    assert refused.returncode == 3
    assert "row 2, nominal_v" in refused.stderr
    assert (
        "Nothing was written: 1 of 2 rows is wrong. Mend it, or take the others with --partial.\n"
        in refused.stderr
    )
    assert "empty" in house.hourhand("units", "list").stdout
    partial = house.hourhand("units", "import", str(table), "--partial", "--json")
    assert partial.returncode == 3
    assert json.loads(partial.stdout)["added"] == 1


def test_a_file_that_is_not_there(house: Service) -> None:
    for command in (("units", "import"), ("records", "import"), ("plans", "import"), ("replay",)):
        done = house.hourhand(*command, "nowhere.csv")
        assert done.returncode == 2
        assert done.stderr.startswith("There is no file nowhere.csv")


def test_settings_that_cannot_be_are_said_in_a_sentence(house: Service) -> None:
    house.data.mkdir(parents=True)
    (house.data / "hourhand.toml").write_text("mqtt_prot = 1883\n")
    done = house.hourhand("units", "list")
    assert done.returncode == 2
    assert "Did you mean mqtt_port?" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_replay_without_a_running_service_is_taken_and_thought_about(
    house: Service, tmp_path: Path
) -> None:
    house.register()
    lines = [
        {
            "received_at": f"2026-11-2{day}T10:00:00Z",
            "topic": "hourhand/main/set-1/readings",
            "qos": 1,
            "retain": False,
            "payload": {
                "at": f"2026-11-2{day}T10:00:00Z",
                "values": {"run_hours_h": 1300, "ac_v": 0},
            },
        }
        for day in (1, 2)
    ]
    recorded = tmp_path / "week.jsonl"
    recorded.write_text("".join(json.dumps(line) + "\n" for line in lines))
    done = house.hourhand("replay", str(recorded))
    assert done.returncode == 0, done.stderr
    assert "2 messages of 1 of 1 files taken." in done.stdout
    listed = json.loads(house.hourhand("units", "list", "--json").stdout)
    assert listed[0]["engine_hours_h"] == 1300.0
    due = json.loads(house.hourhand("due", "--unit", "set-1", "--json").stdout)
    assert {item["task"] for item in due} >= {"oil_filter", "air_filter"}
    text = house.hourhand("due").stdout
    assert "Oil and filter" in text
    assert "Hollow Farm yard" in text


def test_check_says_what_is_wrong(house: Service) -> None:
    nothing = house.hourhand("check")
    assert nothing.returncode == 1
    assert "does not exist" in nothing.stdout
    house.register()
    told = json.loads(house.hourhand("check", "--json").stdout)
    assert told["ok"] is False
    assert any("No broker answers" in line for line in told["wrong"])
    assert any("scheduler has never run" in line for line in told["wrong"])


def test_check_is_content_with_a_running_service(tmp_path: Path, broker: RunningBroker) -> None:
    service = Service(tmp_path / "data", broker.port)
    service.register()
    up = subprocess.Popen(
        [sys.executable, "-m", "hourhand", "up", "--data", str(service.data)],
        env=service.env,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        wait_for("all is well", lambda: service.hourhand("check").stdout == "All is well.\n")
        taken = service.hourhand("up")
        assert taken.returncode == 2
        assert "is taken" in taken.stderr
    finally:
        up.send_signal(signal.SIGTERM)
        assert up.wait(120) == 0
    assert not listens("127.0.0.1", service.http_port)


def ends_with(code: int, folder: Path) -> Supervisor:
    """One program that ends at once with this code."""
    (folder / "falls.py").write_text(f"raise SystemExit({code})\n")
    return Supervisor(
        [Child("falls", [sys.executable, "-m", "falls"])], {"PYTHONPATH": str(folder)}
    )


def looked(supervisor: Supervisor) -> bool:
    """After a look at its programs."""
    supervisor.look()
    return True


def test_a_fallen_program_is_started_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    supervisor = ends_with(5, tmp_path)
    child = supervisor.children[0]
    supervisor.start_all()
    wait_for("its fall", lambda: looked(supervisor) and child.process is None)
    assert "falls ended with code 5" in capsys.readouterr().err
    child.again_at = 0
    supervisor.look()
    assert child.process is not None
    supervisor.stop_all()


def test_wrong_settings_stop_everything_instead_of_trying_for_ever(tmp_path: Path) -> None:
    supervisor = ends_with(2, tmp_path)
    supervisor.start_all()
    wait_for("the end", lambda: looked(supervisor) and supervisor.stopping.is_set())
    assert "falls will not start with these settings" in supervisor.fault


def test_a_child_that_does_not_stop_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("hourhand.supervisor.STOP_GRACE_S", 0.3)
    deaf = "import signal,time; signal.signal(15, signal.SIG_IGN); print('up', flush=True); time.sleep(60)"
    child = Child("deaf", [sys.executable, "-m", "timeit"])
    child.process = subprocess.Popen([sys.executable, "-c", deaf], stdout=subprocess.PIPE)
    assert child.process.stdout is not None
    child.process.stdout.readline()
    Supervisor([child]).stop_all()
    child.process.stdout.close()
    assert child.process.returncode == -signal.SIGKILL


def test_a_taken_port_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        held.listen()
        assert main(["demo", "--port", str(held.getsockname()[1])]) == 2
    assert "is taken: give another with --port" in capsys.readouterr().err


def test_without_a_command_the_usage_is_shown(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main([])
    assert ended.value.code == 2
    assert "usage: hourhand" in capsys.readouterr().err


@pytest.mark.long
def test_a_small_demo_loads_its_history_and_goes_live(tmp_path: Path) -> None:
    service = Service(tmp_path / "data", free_port())
    demo = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "hourhand",
            "demo",
            "--units",
            "6",
            "--days",
            "10",
            "--port",
            str(service.http_port),
            "--data",
            str(service.data),
        ],
        env=service.env,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert demo.stdout is not None
        said = ""
        deadline = time.monotonic() + 180
        while "live now" not in said and time.monotonic() < deadline:
            said += demo.stdout.readline()
        assert "live now" in said
        units = wait_for("the sets", lambda: service.get("/api/units"))["items"]
        assert len(units) == 6
        assert all(unit["condition"] for unit in units), units
    finally:
        demo.send_signal(signal.SIGINT)
        rest = demo.communicate(timeout=60)[0]
    assert demo.returncode == 0, rest
