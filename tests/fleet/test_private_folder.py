"""The data folder and all in it are its owner's alone, whoever makes them, whatever the umask."""

from __future__ import annotations

import ast
import logging
import os
import signal
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from brokers import RunningBroker
from places import ROOT
from service import Device, Service, free_port, wait_for

from fleet.registry.base.engine import open_registry
from fleet.settings import Settings, SettingsFault, own
from fleet.settings.folder import UNFINISHED, kind_of
from fleet.store import open_store

ROOMS = ("fleet/", "ingest/", "scheduler/", "dashboard/", "demo_fleet/", "hourhand/")
pytestmark = pytest.mark.sqlite_only


@pytest.fixture(autouse=True)
def wide_open() -> Iterator[None]:
    """The widest umask there is; processes of the test start with it."""
    before = os.umask(0)
    yield
    os.umask(before)


def open_to_others(data: Path) -> list[str]:
    """What others could read, write or enter, with its mode."""
    return [
        f"{oct(stat.S_IMODE(path.lstat().st_mode))} {path.relative_to(data)}"
        for path in (data, *data.rglob("*"))
        if path.lstat().st_mode & 0o077
    ]


def plain(data: Path) -> list[Path]:
    return [path for path in data.rglob("*") if path.is_file()]


def test_nothing_is_open_while_the_whole_service_runs(
    tmp_path: Path, broker: RunningBroker
) -> None:
    service = Service(tmp_path / "data", broker.port)
    service.register()
    line = tmp_path / "week.jsonl"
    line.write_text(
        '{"received_at": 1764030000, "topic": "hourhand/main/set-1/readings", "payload": {"values": {"ac_v": 0}}}\n'
    )
    up = subprocess.Popen(
        [sys.executable, "-m", "hourhand", "up", "--data", str(service.data)],
        env=service.env,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        service.wait_until_served()
        assert service.hourhand("replay", str(line)).returncode == 0
        device = Device(service.mqtt_port, "set-1")
        device.publish("readings", {"values": {"battery_v": 12.6, "ac_v": 0}})
        device.close()
        wait_for(
            "the reading",
            lambda: (service.get("/api/units/set-1/readings?channel=battery_v") or {}).get("items"),
        )
        found = {path.name for path in plain(service.data)}
        assert {"registry.db", "registry.db-wal", "store.db", "store.db-wal", "codes.key"} <= found
        assert {"ingest.lock", "scheduler.lock", "store.lock"} <= found
        assert open_to_others(service.data) == []
        strange = [
            p
            for p in plain(service.data)
            if kind_of(p.relative_to(service.data).as_posix()) is None
        ]
        assert strange == [], (
            "files that no backup knows: give them a kind in fleet/settings/folder.py"
        )
    finally:
        up.send_signal(signal.SIGTERM)
        assert up.wait(120) == 0
    assert open_to_others(service.data) == []


def test_the_demonstrations_folder_too(tmp_path: Path) -> None:
    data = tmp_path / "data"
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "hourhand",
            "demo",
            "--units",
            "2",
            "--days",
            "2",
            "--data",
            str(data),
            "--port",
            str(free_port()),
            "--until-loaded",
        ],
        capture_output=True,
        text=True,
        check=False,
        timeout=200,
        env={k: v for k, v in os.environ.items() if not k.startswith("HOURHAND_")},
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert (data / "demo" / "manifest.json").is_file()
    assert open_to_others(data) == []
    assert all(kind_of(p.relative_to(data).as_posix()) for p in plain(data)), plain(data)


@pytest.mark.parametrize(
    "arguments",
    [
        ("ingest", "--drain"),
        ("scheduler", "--once"),
        ("hourhand", "units", "list"),
        ("hourhand", "rounds", "show"),
        ("hourhand", "people", "token", "x"),
        ("demo_fleet", "write", "--units", "2", "--days", "1"),
    ],
    ids=lambda a: " ".join(a[:2]),
)
def test_whoever_comes_first_makes_it_private(tmp_path: Path, arguments: tuple[str, ...]) -> None:
    service = Service(tmp_path / "deeper" / "data", free_port())
    service.run(*arguments, "--data", str(service.data))
    assert plain(service.data)
    assert open_to_others(service.data) == []


def old_folder(tmp_path: Path) -> Path:
    """As an earlier version left it: everybody reads along."""
    data = tmp_path / "data"
    data.mkdir()
    open_registry(Settings(data=data)).close()
    open_store(Settings(data=data), writing=True).close()
    for folder in ("inbox", "profiles", "locks"):
        (data / folder).mkdir(exist_ok=True)
    (data / "hourhand.toml").write_text('mqtt_host = "127.0.0.1"\n')
    (data / "inbox" / "a.jsonl").write_text("")
    (data / "note of ours.txt").write_text("")
    for path in (data, *data.rglob("*")):
        path.chmod(0o755 if path.is_dir() else 0o664)
    return data


def test_a_folder_from_before_is_closed_with_a_word_in_the_log(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    data = old_folder(tmp_path)
    with caplog.at_level(logging.WARNING):
        own(data)
    assert open_to_others(data) == []
    assert [record.message for record in caplog.records] == [
        f"{data} was open to others: 10 files and folders are its owner's alone now"
    ]
    caplog.clear()
    own(data)
    assert caplog.records == []
    assert stat.S_IMODE(data.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in plain(data)} == {0o600}


def test_a_program_closes_it_at_its_start(tmp_path: Path) -> None:
    service = Service(old_folder(tmp_path), free_port())
    done = service.run("scheduler", "--once", "--data", str(service.data))
    assert done.returncode == 0, done.stderr
    assert "was open to others" in done.stderr
    assert open_to_others(service.data) == []


def test_links_out_of_the_folder_are_not_followed(tmp_path: Path) -> None:
    data = old_folder(tmp_path)
    outside = tmp_path / "outside.txt"
    outside.write_text("")
    outside.chmod(0o644)
    (data / "profiles" / "mine.toml").symlink_to(outside)
    own(data)
    assert stat.S_IMODE(outside.stat().st_mode) == 0o644


def test_a_folder_that_is_not_ours_is_left_alone(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Somebody's home, named by mistake, twice."""
    home = tmp_path / "home"
    home.mkdir(mode=0o755)
    for name in ("letters.txt", "photos", "bin", "work.doc", "song.mp3"):
        (home / name).write_text("")
        (home / name).chmod(0o644)
    for _ in range(2):
        own(home)
        open_registry(Settings(data=home)).close()
    assert stat.S_IMODE(home.stat().st_mode) == 0o755
    assert stat.S_IMODE((home / "letters.txt").stat().st_mode) == 0o644
    assert stat.S_IMODE((home / "registry.db").stat().st_mode) == 0o600
    assert "give Hourhand a folder of its own" in caplog.text


def test_a_registry_elsewhere_is_private_too(tmp_path: Path) -> None:
    open_registry(f"sqlite:///{tmp_path}/elsewhere/registry.db").close()
    assert open_to_others(tmp_path / "elsewhere") == []


def test_a_folder_that_cannot_be_made_is_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(SettingsFault, match="cannot be made"):
        own(tmp_path / "file" / "data")


def test_a_half_moved_restore_is_not_started_on(tmp_path: Path) -> None:
    own(tmp_path / "data")
    (tmp_path / "data" / UNFINISHED).touch()
    with pytest.raises(SettingsFault, match="was cut off"):
        own(tmp_path / "data")


def test_every_program_that_loads_settings_owns_the_folder() -> None:
    """One that forgets it would make files that everybody reads, until another program starts."""
    writes_for_people = {"hourhand/rounds_export.py"}
    reads_settings_only = {"fleet/backup/restoring.py"}
    for path in sorted(ROOT.glob("*/**/*.py")):
        name = path.relative_to(ROOT).as_posix()
        if not name.startswith(ROOMS):
            continue
        called = {
            getattr(node.func, "id", getattr(node.func, "attr", ""))
            for node in ast.walk(ast.parse(path.read_text()))
            if isinstance(node, ast.Call)
            and any("environ" in ast.dump(argument) for argument in node.args)
        }
        owns = "own(" in path.read_text() or "registry_of(" in path.read_text()
        if "load" in called and name not in writes_for_people | reads_settings_only:
            assert owns, f"{name} loads settings and does not call own()"
