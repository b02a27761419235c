"""A backup taken while devices speak, put back elsewhere, and life going on there. Real parts only."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psycopg
import pytest
from brokers import RunningBroker
from databases import new_database
from service import Device, Service, iso, wait_for

from fleet import backup
from fleet.backup import BackupFault
from fleet.registry.base.copying import copy_out
from fleet.registry.base.engine import HEAD, open_registry
from fleet.registry.base.faults import RegistryFault
from fleet.settings import Settings

pytest_plugins = ["databases"]
KINDS = ("sqlite", pytest.param("postgresql", marks=pytest.mark.long))
"""The whole journey on PostgreSQL is the long run's; what its registry is to a backup is tried below."""
SPAN_S = 20_000


def house(
    request: pytest.FixtureRequest, broker: RunningBroker, data: Path, kind: str, name: str
) -> Service:
    made = Service(data, broker.port)
    if kind == "postgresql":
        home = request.getfixturevalue("postgres")
        made.environment["HOURHAND_REGISTRY_URL"] = new_database(home, name)
    return made


@contextmanager
def up(service: Service) -> Iterator[None]:
    with (service.data.parent / "up.log").open("ab") as log:
        running = subprocess.Popen(
            [sys.executable, "-m", "hourhand", "up", "--data", str(service.data)],
            env=service.env,
            stdout=log,
            stderr=log,
        )
    try:
        service.wait_until_served()
        yield
    finally:
        running.send_signal(signal.SIGTERM)
        assert running.wait(120) == 0


class Talker:
    """A device that tells a number a second of its own, a hundred a second, until it is told to
    stop; and some of long ago, which no live message looks like."""

    def __init__(self, port: int, name: str, first: int) -> None:
        self.device = Device(port, name)
        self.told = 0
        self._first = first
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.is_set():
            n = self.told
            late = 40 * 86_400 if n % 5 == 0 else 0
            self.device.publish(
                "readings",
                {
                    "at": iso(self._first + n - late),
                    "values": {"battery_v": 12 + n / 1e4, "ac_v": 0},
                },
            )
            self.told += 1
            self._stop.wait(0.01)

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()
        self.device.close()


def values(service: Service, unit: str, first: int) -> dict[str, float]:
    """Second to battery volts of both spans, as the API gives them."""
    found: dict[str, float] = {}
    for start in (first - 40 * 86_400, first):
        query = f"channel=battery_v&from={iso(start)}&to={iso(start + SPAN_S)}&points=5000"
        page = service.get(f"/api/units/{unit}/readings?{query}") or {"items": []}
        for item in page["items"]:
            found |= dict(zip(item["at"], item["value"], strict=True))
    return found


def opened_alerts(service: Service, unit: str) -> list[str]:
    items = (service.get("/api/alerts") or {"items": []})["items"]
    return [
        a["id"] for a in items if a["subject"] == f"unit:{unit}" and a["kind"] == "failed_start"
    ]


@pytest.mark.parametrize("kind", KINDS)
def test_a_backup_of_a_running_service_lives_on_elsewhere(
    request: pytest.FixtureRequest, tmp_path: Path, broker: RunningBroker, kind: str
) -> None:
    old = house(request, broker, tmp_path / "data", kind, "backup_old")
    old.register({}, {"unit": "set-2", "device": "set-2", "site": "Mill", "customer": "Mill Ltd"})
    first = int(time.time()) - SPAN_S
    file = tmp_path / "taken.zip"
    with up(old):
        talker = Talker(broker.port, "set-1", first)
        device = Device(broker.port, "set-2")
        device.publish("readings", {"at": iso(first), "values": {"battery_v": 12.6, "ac_v": 0}})
        device.publish("event", {"at": iso(first + 60), "event": "failed_to_start"})
        try:
            (alert,) = wait_for("the alert", lambda: opened_alerts(old, "set-2"))
            wait_for("a hundred readings", lambda: len(values(old, "set-1", first)) >= 100)
            before = values(old, "set-1", first)
            begun = talker.told
            done = old.hourhand("backup", str(file), "--json")
            assert done.returncode == 0, done.stderr
            during = talker.told
            wait_for("more after it", lambda: talker.told > during + 20)
        finally:
            talker.stop()
            device.close()
    told = json.loads(done.stdout)
    assert (told["registry"], told["schema"], told["readings"]) == (kind, HEAD, True)
    assert during > begun, "nothing was written while it was taken"

    new = house(request, broker, tmp_path / "elsewhere" / "data", kind, "backup_new")
    new.environment["HOURHAND_MQTT_CLIENT_ID"] = "hourhand-elsewhere"
    back = new.hourhand("restore", str(file))
    assert back.returncode == 0, back.stderr
    with up(new):
        after = wait_for("what was kept", lambda: values(new, "set-1", first))
        assert before.items() <= after.items(), "something acknowledged before it began is missing"
        assert opened_alerts(new, "set-2") == [alert]
        device = Device(broker.port, "set-2")
        wait_for("the subscription", lambda: new.hourhand("check").stdout == "All is well.\n")
        now = int(time.time())
        device.publish("event", {"at": iso(now - 200), "event": "started"})
        for k in range(7):
            device.publish(
                "readings",
                {"at": iso(now - 200 + 30 * k), "values": {"battery_v": 13.9, "ac_v": 231}},
            )
        ran = wait_for("a run", lambda: (new.get("/api/units/set-2/runs") or {}).get("items"))
        assert ran[-1]["start"] is not None
        wait_for("the alert to end", lambda: ended(new, alert))
        device.close()
        device = Device(broker.port, "set-1")
        device.publish("event", {"at": iso(now), "event": "failed_to_start"})
        wait_for("a new alert", lambda: opened_alerts(new, "set-1"))
        device.close()
        assert new.hourhand("check").stdout == "All is well.\n"
        # Work is not left over, nor done for ever: every set was worked out again.
        wait_for("no work to wait", lambda: not waiting(new))


def ended(service: Service, alert: str) -> bool:
    items = (service.get("/api/alerts") or {"items": []})["items"]
    return not [a for a in items if a["id"] == alert and a["state"] != "returned"]


def waiting(service: Service) -> int:
    place: Any = service.environment.get("HOURHAND_REGISTRY_URL") or Settings(data=service.data)
    registry = open_registry(place)
    try:
        with registry.read() as connection:
            return int(connection.exec_driver_sql("SELECT count(*) FROM touch").scalar_one())
    finally:
        registry.close()


# ---- PostgreSQL by itself


@pytest.fixture
def kept(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[Settings, Path]:
    """A registry on PostgreSQL with a few sets, and a backup of it."""
    home = request.getfixturevalue("postgres")
    url = new_database(home, "backup_of")
    service = Service(tmp_path / "data", 1, environment={"HOURHAND_REGISTRY_URL": url})
    service.register({}, {"unit": "set-2", "device": "set-2", "site": "Mill"})
    with psycopg.connect(url) as link:
        link.execute("INSERT INTO counter VALUES (%s, 7)", ("tab\there, back\\slash, ' and \\N",))
    settings = Settings(data=service.data, registry_url=url)
    backup.take(settings, {}, tmp_path / "b.zip", int(time.time()))
    return settings, tmp_path / "b.zip"


def everything(url: str, folder: Path) -> dict[str, bytes]:
    folder.mkdir()
    registry = open_registry(url)
    try:
        copied = copy_out(registry, folder)
    finally:
        registry.close()
    rows = {t.name: (folder / f"{t.name}.copy").read_bytes() for t in copied.tables}
    return rows | {name: str(value).encode() for name, value in copied.sequences.items()}


def test_every_row_and_counter_comes_back(
    kept: tuple[Settings, Path], postgres: str, tmp_path: Path
) -> None:
    settings, file = kept
    url = new_database(postgres, "backup_into")
    backup.restore(file, tmp_path / "new", {"HOURHAND_REGISTRY_URL": url}, int(time.time()))
    then = everything(settings.registry_url, tmp_path / "then")
    now = everything(url, tmp_path / "now")
    new = {"touch", "audit", "audit_id_seq"}
    assert {name: body for name, body in then.items() if name not in new} == {
        name: body for name, body in now.items() if name not in new
    }
    assert b"tab\\there, back\\\\slash" in now["counter"]
    assert int(now["audit_id_seq"]) == int(then.get("audit_id_seq", b"0")) + 1


def test_a_database_with_tables_is_refused_and_stays(
    kept: tuple[Settings, Path], tmp_path: Path
) -> None:
    settings, file = kept
    before = everything(settings.registry_url, tmp_path / "then")
    environ = {"HOURHAND_REGISTRY_URL": settings.registry_url}
    with pytest.raises(RegistryFault, match="holds tables already"):
        backup.restore(file, tmp_path / "new", environ, int(time.time()))
    assert everything(settings.registry_url, tmp_path / "now") == before
    assert not (tmp_path / "new").exists()
    with pytest.raises(BackupFault, match="name it in HOURHAND_REGISTRY_URL"):
        backup.restore(file, tmp_path / "new", {}, int(time.time()))


def test_where_the_folder_cannot_be_put_the_database_stays_empty(
    kept: tuple[Settings, Path], postgres: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    url = new_database(postgres, "backup_into")

    def fails(*_: object) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("fleet.backup.restoring._place", fails)
    with pytest.raises(BackupFault, match="Input/output error"):
        backup.restore(kept[1], tmp_path / "new", {"HOURHAND_REGISTRY_URL": url}, 1_796_000_000)
    with psycopg.connect(url) as link:
        found = link.execute("SELECT count(*) FROM pg_tables WHERE schemaname = 'public'")
        assert found.fetchone() == (0,)


def test_a_database_without_a_registry_is_no_backup(postgres: str, tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    settings = Settings(data=tmp_path / "data", registry_url=new_database(postgres, "backup_none"))
    with pytest.raises(RegistryFault, match="holds no registry"):
        backup.take(settings, {}, tmp_path / "b.zip", 1_796_000_000)
    assert not (tmp_path / "b.zip").exists()


def test_an_older_schema_on_postgresql_is_brought_up_to_date(postgres: str, tmp_path: Path) -> None:
    from fleet.registry.base.engine import open_as_it_is, upgrade

    (tmp_path / "data").mkdir()
    url = new_database(postgres, "backup_old_schema")
    registry = open_as_it_is(url)
    with registry.write() as connection:
        upgrade(connection, None, "0003")
        connection.exec_driver_sql("INSERT INTO counter(name, n) VALUES ('kept', 7)")
    registry.close()
    settings = Settings(data=tmp_path / "data", registry_url=url)
    taken = backup.take(settings, {}, tmp_path / "b.zip", 1_796_000_000)
    assert taken.manifest.registry.schema == "0003"
    into = new_database(postgres, "backup_into")
    backup.restore(
        tmp_path / "b.zip", tmp_path / "new", {"HOURHAND_REGISTRY_URL": into}, 1_796_000_100
    )
    with psycopg.connect(into) as link:
        assert link.execute("SELECT version_num FROM alembic_version").fetchone() == (HEAD,)
        assert link.execute("SELECT n FROM counter WHERE name = 'kept'").fetchone() == (7,)
