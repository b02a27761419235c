"""`python -m ingest.bench.ingest`: the whole collector against a subscriber that only counts.

Both drain the same number of queued QoS 1 messages from a persistent session on a mosquitto of
their own, each in its own process, in turns. The floor is a paho client with its default loop and
automatic acknowledgement; the collector decodes, writes the store (SQLite, synchronous FULL),
writes the pulse to the registry and acknowledges after that. The ratio of the best rounds is what
is asked to be at least 0.8.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

from fleet.registry.base.engine import open_registry
from fleet.settings import Settings
from fleet.store import open_store
from ingest.bench.broker import NoMosquitto, mosquitto, publish
from ingest.bench.floor import CLIENT, GIVE_UP_S, queue
from ingest.broker import Broker
from ingest.cache import Cache
from ingest.collector import Collector, settle
from ingest.inbox import Inbox
from ingest.link import Link

TARGET = 0.8
BASE_AT = 1_764_000_000


def packet(number: int, devices: int) -> tuple[str, bytes]:
    """The n-th message: devices in turn, one reading a minute each, eight channels."""
    device, minute = number % devices, number // devices
    at = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(BASE_AT + 60 * minute))
    document = (
        f'{{"at":"{at}","seq":{minute},"values":{{"battery_v":{12 + number % 23 / 10:.2f},'
        f'"ac_v":{228 + number % 7 / 10:.1f},"frequency_hz":{50 + number % 5 / 100:.2f},'
        f'"charge_v":13.6,"mains_v":231.4,"run_hours_h":{812 + minute / 60:.2f},'
        f'"start_attempts":57,"in_auto":1}}}}'
    )
    return f"hourhand/main/g{device:05d}/readings", document.encode("ascii")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the bench; 0 when the target is met."""
    asked = _parser().parse_args(arguments)
    if asked.subject:
        print(json.dumps(collector(asked)))
        return 0
    try:
        report = bench(asked.messages, asked.devices, asked.rounds, asked.window)
    except NoMosquitto as fault:
        print(f"bench ingest: {fault}", file=sys.stderr)
        return 2
    print(json.dumps(report) if asked.json else _told(report))
    return 0 if report["ratio"] >= TARGET else 1


def bench(messages: int, devices: int, rounds: int, window: int) -> dict[str, Any]:
    """Rates of floor and collector [messages/s] in every round, and the ratio of the best."""
    rates: dict[str, list[float]] = {"floor": [], "collector": []}
    cpu: dict[str, list[float]] = {"floor": [], "collector": []}
    with tempfile.TemporaryDirectory() as folder, mosquitto(Path(folder) / "broker") as broker:
        for turn in range(rounds):
            for subject in ("floor", "collector") if turn % 2 == 0 else ("collector", "floor"):
                queue(broker.port, window, partial(_publish, broker.port, messages, devices))
                told = _run(subject, broker.port, messages, window, Path(folder) / f"data{turn}")
                rates[subject].append(round(messages / told["seconds"]))
                cpu[subject].append(round(told["cpu_s"] / messages * 1e6, 1))
    ratio = max(rates["collector"]) / max(rates["floor"])
    return {
        "messages": messages,
        "devices": devices,
        "payload_bytes": len(packet(0, devices)[1]),
        "channels": 8,
        "window": window,
        "rates_per_s": rates,
        "cpu_us_per_message": cpu,
        "ratio": round(ratio, 3),
        "ratios_by_round": [
            round(c / f, 3) for c, f in zip(rates["collector"], rates["floor"], strict=True)
        ],
        "target": TARGET,
    }


def collector(asked: argparse.Namespace) -> dict[str, float]:
    """The whole of ingest, with an empty store and registry of its own."""
    settings = Settings(data=asked.data)
    settings.inbox.mkdir(parents=True)
    registry = open_registry(settings)
    store = open_store(settings, writing=True)
    cache = Cache(settings.data / "profiles")
    link = Link(
        Broker(
            port=asked.port,
            client_id=CLIENT,
            receive_maximum=asked.window,
            topics=("hourhand/+/+/+",),
        )
    )
    whole = Collector(store, registry, cache, Inbox(settings.inbox, {}), link)
    settle()
    before = time.process_time()
    whole.start()
    link.start()
    while not link.connected:
        time.sleep(0.0005)
    began = time.perf_counter()
    while whole.total.messages < asked.messages and time.perf_counter() - began < GIVE_UP_S:
        time.sleep(0.001)
    seconds, cpu_s = time.perf_counter() - began, time.process_time() - before
    whole.stop()
    link.close()
    assert whole.total.messages == asked.messages == whole.total.readings, whole.total
    store.close()
    registry.close()
    return {"seconds": seconds, "cpu_s": cpu_s}


def _run(subject: str, port: int, messages: int, window: int, data: Path) -> dict[str, Any]:
    counts = [str(port), str(messages), str(window)]
    if subject == "floor":
        arguments = ["ingest.bench.floor", *counts]
    else:
        named = zip(("--port", "--messages", "--window"), counts, strict=True)
        pairs = [text for pair in named for text in pair]
        arguments = ["ingest.bench.ingest", "--subject", "--data", str(data), *pairs]
    told = subprocess.run(
        [sys.executable, "-m", *arguments],
        check=True,
        stdout=subprocess.PIPE,
        timeout=GIVE_UP_S + 30,
    )
    result: dict[str, Any] = json.loads(told.stdout)
    return result


def _publish(port: int, messages: int, devices: int) -> None:
    publish(port, messages, lambda number: packet(number, devices))


def _told(report: dict[str, Any]) -> str:
    rates = report["rates_per_s"]
    return (
        f"{report['messages']} messages of {report['devices']} devices in turn, 8 channels, "
        f"{report['payload_bytes']} bytes, window {report['window']}\n"
        f"counting subscriber: {rates['floor']} messages/s\n"
        f"collector (store and pulse, durable): {rates['collector']} messages/s\n"
        f"best against best: {report['ratio']:.2f} (asked: {TARGET}); "
        f"by round {report['ratios_by_round']}"
    )


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m ingest.bench.ingest", description=__doc__)
    parser.add_argument("--messages", type=int, default=40_000)
    parser.add_argument("--devices", type=int, default=500)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--window", type=int, default=1_000, help="receive maximum")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--subject", action="store_true", help=argparse.SUPPRESS)
    parser.add_argument("--port", type=int, help=argparse.SUPPRESS)
    parser.add_argument("--data", type=Path, help=argparse.SUPPRESS)
    return parser


if __name__ == "__main__":
    sys.exit(main())
