"""From the broker's receipt of a failed start to the mail server's receipt of the message.

    python -m ingest.bench.alert [--starts 20] [--json]

Everything is real and of its own: mosquitto, ingest and scheduler as processes, a mail server that
notes when a message came. Sets on which lives depend, so that the message leaves at any hour.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import re
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from fleet import clock
from fleet.registry import people
from fleet.registry.base.engine import open_registry
from fleet.registry.people import Actor, Person
from fleet.registry.register import import_units
from ingest.bench.broker import NoMosquitto, free_port, mosquitto

TARGET_S = 15.0
PATIENCE_S = 90.0
BETWEEN_S = 1.3
"""Not a whole multiple of the turns of the scheduler, so that starts fall anywhere in them."""


class Post:
    """A mail server on loopback that takes everything: set id to when it was taken [s]."""

    def __init__(self) -> None:
        self.port = free_port()
        self.taken: dict[str, float] = {}
        self._loop = asyncio.new_event_loop()
        ready = threading.Event()
        threading.Thread(target=self._run, args=(ready,), daemon=True).start()
        ready.wait(10)

    def _run(self, ready: threading.Event) -> None:
        asyncio.set_event_loop(self._loop)
        self._loop.run_until_complete(asyncio.start_server(self._talk, "127.0.0.1", self.port))
        ready.set()
        self._loop.run_forever()

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"220 bench\r\n")
        while line := await reader.readline():
            word = line[:4].upper().strip()
            if word == b"DATA":
                writer.write(b"354 go on\r\n")
                text = await reader.readuntil(b"\r\n.\r\n")
                for name in re.findall(rb"set-\d+", text):
                    self.taken.setdefault(name.decode(), time.monotonic())
            writer.write(b"221 bye\r\n" if word == b"QUIT" else b"250 ok\r\n")
            await writer.drain()
            if word == b"QUIT":
                break
        writer.close()


def prepare(data: Path, sets: int) -> None:
    """A register of life-critical sets, and one person who holds the duty phone."""
    registry = open_registry(f"sqlite:///{data / 'registry.db'}")
    now = clock.now()
    rows = [
        {
            "customer": f"Ward {n}",
            "site": f"set-{n}",
            "unit": f"set-{n}",
            "device": f"set-{n}",
            "nominal_v": 230,
            "nominal_hz": 50,
            "running_signal": "ac_v",
            "running_on": 200,
            "service_plan": "air_spark",
            "time_zone": "Europe/London",
            "criticality": "life",
            "habit": "steady 900 60",
            "area": f"area {n}",
        }
        for n in range(sets)
    ]
    report = import_units(registry, rows, now, "bench")
    if not report.ok:
        raise RuntimeError(f"the bench's own register was refused: {report.problems[:1]}")
    person = Person(id="", login="duty@example.org", name="Duty", role="owner")
    people.add_person(
        registry, person, Actor("bench"), now, people.hash_password("four plain words")
    )
    registry.close()


def measure(starts: int) -> dict[str, float]:
    """Seconds from the broker's acknowledgement to the mail server, over so many failed starts."""
    with tempfile.TemporaryDirectory(prefix="hourhand-bench-") as name:
        data = Path(name) / "data"
        data.mkdir()
        prepare(data, starts)
        post = Post()
        with mosquitto(Path(name) / "broker") as broker:
            environment = {
                **os.environ,
                "HOURHAND_MQTT_PORT": str(broker.port),
                "HOURHAND_SMTP_HOST": "127.0.0.1",
                "HOURHAND_SMTP_PORT": str(post.port),
                "HOURHAND_SMTP_SECURITY": "none",
                "HOURHAND_SMTP_FROM": "bench@example.org",
            }
            running = [
                subprocess.Popen(
                    [sys.executable, "-m", program, "--data", str(data)],
                    env=environment,
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,
                )
                for program in ("ingest", "scheduler")
            ]
            try:
                received = publish(broker.port, starts)
                wait(post, starts)
            finally:
                for process in running:
                    process.terminate()
                for process in running:
                    process.wait(30)
    took = np.array([post.taken[name] - at for name, at in received.items() if name in post.taken])
    return {
        "starts": starts,
        "arrived": len(took),
        "least_s": float(took.min()),
        "median_s": float(np.median(took)),
        "p95_s": float(np.quantile(took, 0.95)),
        "most_s": float(took.max()),
    }


def publish(port: int, starts: int) -> dict[str, float]:
    """Publish a failed start of each set; when the broker acknowledged each."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, "bench-sets")
    client.connect("127.0.0.1", port)
    client.loop_start()
    time.sleep(8.0)  # ingest and scheduler come up
    received = {}
    for n in range(starts):
        body = {"at": clock.now(), "event": "failed_to_start", "cause": "overcrank"}
        sent = client.publish(f"hourhand/main/set-{n}/event", json.dumps(body), qos=1)
        sent.wait_for_publish(10)
        received[f"set-{n}"] = time.monotonic()
        time.sleep(BETWEEN_S)
    client.loop_stop()
    client.disconnect()
    return received


def wait(post: Post, starts: int) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while len(post.taken) < starts and time.monotonic() < deadline:
        time.sleep(0.1)


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="hourhand bench alert",
        description="Measure how long a failed start takes from the broker to the mail server.",
        epilog="Example: hourhand bench alert --starts 20 --json",
    )
    parser.add_argument("--starts", type=int, default=20, help="failed starts, one a set")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    given = parser.parse_args(argv)
    if not 1 <= given.starts <= 200:
        parser.error("starts: from 1 to 200")
    try:
        figures = measure(given.starts)
    except NoMosquitto as fault:
        sys.stderr.write(f"{fault}\n")
        return 2
    lines = [f"{name:<12}{value:>10.2f}" for name, value in figures.items()]
    lines.append(f"asked: under {TARGET_S:.0f} s")
    sys.stdout.write((json.dumps(figures) if given.json else "\n".join(lines)) + "\n")
    return 0 if figures["arrived"] == given.starts else 1


if __name__ == "__main__":
    raise SystemExit(main())
