"""docker-compose.yml and Containerfile: read always; built and started for real where an engine is.

The stack is started on both stores: `influx` where an InfluxDB image is to be had, and `embedded`
with the override that docs/containers.md gives.
"""

from __future__ import annotations

import contextlib
import json
import re
import subprocess
import sys
import time
import urllib.request
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import parts
import pytest
import yaml
from engines import ROOT, Engine, Stack, build, clean_environment, engine
from service import PLAIN_UNIT, free_port, iso, wait_for

from fleet.settings import TABLE

PAGE = (ROOT / "docs" / "containers.md").read_text("utf-8")
TEXT = (ROOT / "docker-compose.yml").read_text("utf-8")
SERVICES: dict[str, dict[str, Any]] = yaml.safe_load(TEXT)["services"]
PROGRAMS = ("ingest", "scheduler", "dashboard")
REQUIRED = re.findall(r"\$\{(\w+):\?([^}]*)\}", TEXT)
SECRETS = sorted({name for name, _ in REQUIRED})
USER = "10001"
IMAGES = {
    "BASE_IMAGE": "docker.io/library/python:3.11-slim-bookworm",
    "MOSQUITTO_IMAGE": "docker.io/library/eclipse-mosquitto:2.0.22",
    "POSTGRES_IMAGE": "docker.io/library/postgres:15",
    "INFLUXDB_IMAGE": "docker.io/library/influxdb:2.7",
}
PATIENCE_S = 180.0
DEVICE_PASSWORD = "a-device-of-this-test"


def blocks(language: str) -> list[str]:
    """The page's code blocks of that language."""
    return re.findall(rf"^```{language}\n(.*?)^```", PAGE, re.DOTALL | re.MULTILINE)


# ---- read, wherever the tests run


@pytest.mark.parametrize("name", SERVICES)
def test_every_service_is_held_short(name: str) -> None:
    service = SERVICES[name]
    assert service["read_only"] is True
    assert service["cap_drop"] == ["ALL"]
    assert service["security_opt"] == ["no-new-privileges:true"]
    assert service["restart"] == "unless-stopped"
    assert service["healthcheck"]["test"]
    assert "privileged" not in service
    assert "cap_add" not in service
    if name not in PROGRAMS:
        assert service["user"] not in ("root", "0")


def test_the_image_runs_as_a_numbered_user() -> None:
    """A number, so that a cluster can see that it is not root."""
    lines = (ROOT / "Containerfile").read_text("utf-8").splitlines()
    assert [line for line in lines if line.startswith("USER")] == [f"USER {USER}:{USER}"]
    assert lines.index(f"USER {USER}:{USER}") > max(
        number for number, line in enumerate(lines) if line.startswith("FROM")
    )


def test_what_is_published_is_on_loopback_unless_chosen() -> None:
    published = {name: s["ports"] for name, s in SERVICES.items() if "ports" in s}
    assert published == {
        "mosquitto": ["${MQTT_PUBLISH:-127.0.0.1:1883}:1883"],
        "dashboard": ["127.0.0.1:${HTTP_PORT:-8080}:8080"],
    }


def test_public_images_are_the_default() -> None:
    defaults = dict(re.findall(r"\$\{(\w+_IMAGE):-([^}]+)\}", TEXT))
    assert {name: defaults[name] for name in IMAGES} == IMAGES
    assert f"ARG BASE={IMAGES['BASE_IMAGE']}" in (ROOT / "Containerfile").read_text("utf-8")


@pytest.mark.parametrize("program", PROGRAMS)
def test_what_a_program_is_told_are_settings(program: str) -> None:
    known = {setting.variable for setting in TABLE}
    assert set(SERVICES[program]["environment"]) <= known
    assert SERVICES[program]["command"] == ["python", "-m", program]
    assert SERVICES[program]["healthcheck"]["test"] == ["CMD", "python", "-m", program, "--health"]


def test_every_secret_is_required_with_a_sentence_and_made_by_the_page() -> None:
    made = re.search(r"for name in ([A-Z_ ]+);", PAGE)
    assert made is not None
    assert sorted(made[1].split()) == SECRETS
    for name, sentence in REQUIRED:
        assert sentence.startswith(f"Set {name} in .env")
        assert "docs/containers.md" in sentence
        assert f"| `{name}` | must be given |" in PAGE
    plain = {
        "POSTGRES_PASSWORD",
        "DOCKER_INFLUXDB_INIT_PASSWORD",
        "DOCKER_INFLUXDB_INIT_ADMIN_TOKEN",
        "HOURHAND_MQTT_PASSWORD",
        "HOURHAND_INFLUX_TOKEN",
        "HOURHAND_REGISTRY_URL",
    }
    for service in SERVICES.values():
        for name, value in service.get("environment", {}).items():
            if name in plain:
                assert ":?" in value, f"{name} has a default"


def test_every_variable_of_the_file_is_on_the_page() -> None:
    for name in set(re.findall(r"\$\{(\w+)", TEXT)):
        assert f"`{name}`" in PAGE, f"docs/containers.md does not tell of {name}"


def test_the_broker_is_set_up_as_measured() -> None:
    """The limits, persistence and access list of docs/broker.md; only places differ."""
    places = ("listener", "password_file", "acl_file", "persistence_location", "log_dest")

    def lines(text: str) -> list[str]:
        found = (line.strip() for line in text.splitlines())
        return [x for x in found if x and not x.startswith(("#", *places))]

    page = (ROOT / "docs" / "broker.md").read_text("utf-8")
    settings, access = re.findall(r"^```\n(.*?)^```", page, re.DOTALL | re.MULTILINE)
    told = SERVICES["mosquitto"]["environment"]
    assert lines(told["CONFIGURATION"]) == lines(settings)
    assert lines(told["ACCESS"]) == lines(access)


# ---- built and started


def tell(request: pytest.FixtureRequest, words: str) -> None:
    """A line in the report of the run, so that one sees what was really used."""
    capture = request.config.pluginmanager.getplugin("capturemanager")
    with capture.global_and_fixture_disabled() if capture else contextlib.nullcontext():
        sys.stdout.write(f"\n{words}\n")


@pytest.fixture(scope="module")
def machine() -> Engine:
    return engine()


@pytest.fixture(scope="module")
def app_image(request: pytest.FixtureRequest, machine: Engine) -> Iterator[str]:
    """The image, built from this checkout on the local or public base."""
    base = machine.image(IMAGES["BASE_IMAGE"])
    if base is None:
        parts.skip("containers", f"neither localhost/ nor a registry has {IMAGES['BASE_IMAGE']}")
    assert base is not None
    tag = f"localhost/hourhand-test:{uuid.uuid4().hex[:8]}"
    seconds = build(machine, tag, base)
    size = int(machine.ok("image", "inspect", "--format", "{{.Size}}", tag))
    under = int(machine.ok("image", "inspect", "--format", "{{.Size}}", base))
    tell(
        request,
        f"image on {base}: built in {seconds:.0f} s, {size / 1e6:.0f} MB, "
        f"{(size - under) / 1e6:.0f} MB of them ours",
    )
    yield tag
    machine.run("rmi", "-f", tag)


def hardened(machine: Engine, image: str, *command: str, **variables: str) -> Any:
    """Run one command in a container as narrow as compose makes them."""
    told = [part for name, value in variables.items() for part in ("-e", f"{name}={value}")]
    return machine.run(
        "run",
        "--rm",
        "--read-only",
        "--tmpfs",
        "/tmp",
        "--cap-drop",
        "ALL",
        "--network",
        "none",
        "--security-opt",
        "no-new-privileges",
        *told,
        image,
        *command,
    )


@pytest.mark.long
@pytest.mark.timeout(1500)
def test_the_image_is_narrow(machine: Engine, app_image: str) -> None:
    def says(*command: str) -> str:
        done = hardened(machine, app_image, *command)
        assert done.returncode == 0, done.stdout + done.stderr
        return str(done.stdout)

    assert says("id", "-u").strip() == USER
    assert (
        says("sh", "-c", "touch /opt/hourhand/x /etc/x /x 2>/dev/null || echo no").strip() == "no"
    )
    assert says("sh", "-c", "touch /data/x && echo yes").strip() == "yes"
    tools = "command -v gcc cc make /opt/hourhand/bin/pip || echo none"
    assert says("sh", "-c", tools).strip() == "none"
    compiled = says("find", "/opt/hourhand", "-path", "*/fleet/settings/__pycache__/reading.*.pyc")
    assert compiled, "modules are not compiled beforehand"
    assert "hourhand" in says("hourhand", "--help")
    for program in PROGRAMS:
        assert f"python -m {program}" in says("python", "-m", program, "--help")
    history = machine.ok("history", "--no-trunc", app_image)
    assert "PIP_INDEX_URL" not in history


@pytest.mark.long
@pytest.mark.timeout(1500)
def test_a_placeholder_is_refused_by_the_program_itself(machine: Engine, app_image: str) -> None:
    for program in PROGRAMS:
        done = hardened(
            machine,
            app_image,
            "python",
            "-m",
            program,
            HOURHAND_MQTT_USER="hourhand",
            HOURHAND_MQTT_PASSWORD="changeme",
        )
        assert done.returncode == 2
        assert "HOURHAND_MQTT_PASSWORD is empty or still a placeholder" in done.stderr
        assert "Traceback" not in done.stderr


@pytest.mark.long
@pytest.mark.parametrize("missing", SECRETS)
def test_a_missing_secret_is_refused_with_its_sentence(
    machine: Engine, tmp_path: Path, missing: str
) -> None:
    env_file = secrets(tmp_path)
    kept = [x for x in env_file.read_text().splitlines() if not x.startswith(missing + "=")]
    assert len(kept) == len(SECRETS) - 1
    env_file.write_text("\n".join(kept) + "\n")
    stack = Stack(machine, "hhrefused", env_file, [], {})
    done = stack.compose("config")
    assert done.returncode != 0
    assert f"Set {missing} in .env" in done.stdout + done.stderr


def secrets(folder: Path) -> Path:
    """`.env` made by the page's own command."""
    command = blocks("sh")[0].partition("docker compose")[0]
    subprocess.run(["sh", "-ec", command], cwd=folder, check=True, env=clean_environment())
    made = folder / ".env"
    assert made.stat().st_mode & 0o077 == 0, "others may read the secrets"
    assert sorted(line.partition("=")[0] for line in made.read_text().splitlines()) == SECRETS
    return made


LOCAL_POSTGRES = """\
services:
  postgres:
    command:
      - sh
      - -euc
      - |
        [ -s "$$PGDATA/PG_VERSION" ] || {
          printf '%s' "$$POSTGRES_PASSWORD" >/tmp/password
          initdb -U hourhand -E UTF8 --locale=C.UTF-8 -A scram-sha-256 --pwfile=/tmp/password
          echo 'host all all all scram-sha-256' >>"$$PGDATA/pg_hba.conf"
          echo 'CREATE DATABASE hourhand' | postgres --single postgres
        }
        exec postgres -c listen_addresses='*' -c unix_socket_directories=/tmp
"""
"""What the official image does by itself; images under localhost/ know no POSTGRES_DB."""


@dataclass
class Running:
    """A started stack and the ports it is published on."""

    stack: Stack
    store: str
    mqtt_port: int
    http_port: int
    token: str = ""

    @property
    def services(self) -> tuple[str, ...]:
        return tuple(s for s in SERVICES if s != "influxdb" or self.store == "influx")

    def wait_until_well(self) -> None:
        for name in self.services:
            try:
                wait_for(f"{name} to be healthy", partial(self.stack.healthy, name), PATIENCE_S)
            except AssertionError as late:
                raise AssertionError(f"{late}\n{self.stack.log(name)[-3000:]}") from None

    def get(self, path: str) -> Any:
        """JSON of the dashboard's API through its published port, with a token of the box's."""
        if not self.token:
            self.token = self.hourhand("people", "token", "tests").strip().splitlines()[-1]
        asked = urllib.request.Request(
            f"http://127.0.0.1:{self.http_port}{path}",
            headers={"Authorization": f"Bearer {self.token}"},
        )
        try:
            with urllib.request.urlopen(asked, timeout=10) as answer:
                return json.loads(answer.read())
        except OSError:
            return None

    def hourhand(self, *arguments: str) -> str:
        """The front door's command, inside the stack."""
        container = self.stack.container("ingest")
        return self.stack.engine.ok("exec", container, "hourhand", *arguments)

    def publish(self, kind: str, payload: Any) -> None:
        """As the device set-1 would, with its own password, through the published port."""
        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, "device-set-1")
        client.username_pw_set("set-1", DEVICE_PASSWORD)
        client.connect("127.0.0.1", self.mqtt_port)
        client.loop_start()
        sent = client.publish(f"hourhand/main/set-1/{kind}", json.dumps(payload), qos=1)
        sent.wait_for_publish(20)
        client.disconnect()
        client.loop_stop()
        assert sent.is_published(), "the broker did not take the device's message"

    def volts(self) -> list[float]:
        """Battery volts of set-1 in the last day, as the API gives them."""
        page = self.get("/api/units/set-1/readings?channel=battery_v") or {"items": []}
        return [value for item in page["items"] for value in item["value"]]


@pytest.fixture(scope="module", params=["influx", "embedded"])
def running(
    request: pytest.FixtureRequest,
    machine: Engine,
    app_image: str,
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[Running]:
    """The whole stack, started; removed with its volumes afterwards."""
    folder = tmp_path_factory.mktemp("compose")
    images = {name: machine.image(public) for name, public in IMAGES.items()}
    for name in (
        "MOSQUITTO_IMAGE",
        "POSTGRES_IMAGE",
        *(["INFLUXDB_IMAGE"] * (request.param == "influx")),
    ):
        if images[name] is None:
            parts.skip(
                "containers", f"{IMAGES[name]} is not to be had here: not tried on {request.param}"
            )
    ports = free_port(), free_port()
    environment = {name: image for name, image in images.items() if image}
    environment |= {
        "APP_IMAGE": app_image,
        "MQTT_PUBLISH": f"127.0.0.1:{ports[0]}",
        "HTTP_PORT": str(ports[1]),
    }
    overrides = []
    if str(images["POSTGRES_IMAGE"]).startswith("localhost/"):
        overrides.append(written(folder / "postgres.yml", LOCAL_POSTGRES))
    if request.param == "embedded":
        environment["HOURHAND_STORE"] = "embedded"
        overrides.append(written(folder / "docker-compose.override.yml", blocks("yaml")[0]))
    project = f"hhtest{uuid.uuid4().hex[:8]}"
    stack = Stack(machine, project, secrets(folder), overrides, environment)
    began = time.monotonic()
    try:
        stack.up()
        started = Running(stack, request.param, *ports)
        started.wait_until_well()
        used = [stack.inspect(name, "{{.Config.Image}}") for name in started.services]
        tell(
            request,
            f"{' '.join(machine.compose)} on {request.param}, {', '.join(sorted(set(used)))}: "
            f"all healthy after {time.monotonic() - began:.0f} s",
        )
        yield started
    finally:
        stack.remove()


def written(path: Path, text: str) -> Path:
    path.write_text(text, "utf-8")
    return path


def import_register(stack: Stack) -> None:
    """By the page's command."""
    names = sorted(PLAIN_UNIT)
    table = f"{','.join(names)}\n{','.join(PLAIN_UNIT[name] for name in names)}\n"
    inside = re.search(r"exec -T ingest sh -c '([^']+)'", PAGE)
    assert inside is not None
    said = stack.execute("ingest", "sh", "-c", inside[1], input=table)
    assert "1 added" in said


def let_the_device_in(stack: Stack) -> None:
    """The page's commands, with the password given (twice) where a person would type it."""
    assert "mosquitto_passwd /mosquitto/data/passwords set-1" in PAGE
    stack.execute(
        "mosquitto", "mosquitto_passwd", "-b", "/mosquitto/data/passwords", "set-1", DEVICE_PASSWORD
    )
    stack.engine.ok("kill", "-s", "HUP", stack.container("mosquitto"))


@pytest.mark.long
@pytest.mark.timeout(1500)
def test_a_failed_start_through_the_whole_stack(running: Running) -> None:
    """Fed, seen, the broker keeping what came while ingest was away, restarted, stopped."""
    stack = running.stack
    held_short(running)
    import_register(stack)
    let_the_device_in(stack)
    now = int(time.time())
    running.publish("readings", {"at": iso(now - 60), "values": {"battery_v": 12.61, "ac_v": 0}})
    running.publish(
        "event", {"at": iso(now - 5), "event": "failed_to_start", "values": {"crank_min_v": 8.9}}
    )
    alert = wait_for("the alert", lambda: alerts(running), PATIENCE_S)[0]
    assert alert["severity"] == "act_now"
    assert alert["sentence"].startswith("Did not start at")
    assert wait_for("the reading", running.volts, PATIENCE_S) == [12.61]

    # Nothing is lost while ingest is away and the broker itself is started anew.
    assert stack.compose("stop", "ingest").returncode == 0
    running.publish("readings", {"at": iso(now - 30), "values": {"battery_v": 12.62, "ac_v": 0}})
    stack.engine.ok("restart", "-t", "20", stack.container("mosquitto"))
    stack.engine.ok("start", stack.container("ingest"))
    wait_for("what the broker kept", lambda: 12.62 in running.volts(), PATIENCE_S)

    # Everything stopped, and the containers thrown away: what was kept is in the volumes.
    stopped_cleanly(running)
    assert stack.compose("down").returncode == 0
    assert stack.container("ingest") == ""
    stack.up()
    running.wait_until_well()
    assert [a["id"] for a in wait_for("the alert again", lambda: alerts(running))] == [alert["id"]]
    assert sorted(running.volts()) == [12.61, 12.62]
    running.publish("readings", {"values": {"battery_v": 12.63, "ac_v": 0}})
    wait_for("a new reading", lambda: 12.63 in running.volts(), PATIENCE_S)


def alerts(running: Running) -> list[dict[str, Any]]:
    page = running.get("/api/alerts") or {"items": []}
    return [item for item in page["items"] if item["kind"] == "failed_start"]


def held_short(running: Running) -> None:
    """What the kernel says of the processes, not what the file says."""
    for name in running.services:
        status = running.stack.execute(name, "cat", "/proc/1/status")
        facts = dict(line.split(":\t", 1) for line in status.splitlines() if ":\t" in line)
        assert facts["Uid"].split()[0] != "0", f"{name} runs as root"
        assert int(facts["CapEff"], 16) == 0, f"{name} has capabilities"
        assert facts["NoNewPrivs"] == "1", f"{name} may gain privileges"
        assert running.stack.inspect(name, "{{.HostConfig.ReadonlyRootfs}}") == "true"
        ports = json.loads(running.stack.inspect(name, "{{json .NetworkSettings.Ports}}")) or {}
        for published in filter(None, ports.values()):
            assert [one["HostIp"] for one in published] == ["127.0.0.1"], f"{name} is let out"
    for name in PROGRAMS:
        assert running.stack.execute(name, "id", "-u").strip() == USER


def stopped_cleanly(running: Running) -> None:
    """Each program ends by itself when asked: exit code 0, not killed (137)."""
    assert running.stack.compose("stop").returncode == 0
    codes = {name: running.stack.inspect(name, "{{.State.ExitCode}}") for name in PROGRAMS}
    assert codes == dict.fromkeys(PROGRAMS, "0"), [running.stack.log(name)[-500:] for name in codes]
