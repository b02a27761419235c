"""`python -m demo_fleet broker | write | live | run`: the invented fleet, made and going on."""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

from demo_fleet.assembly import Fleet, build_fleet
from demo_fleet.broker import BrokerFault, EmbeddedBroker
from demo_fleet.live import go_live, remembered_until
from demo_fleet.schedule import HISTORY_DAYS
from demo_fleet.writing import (
    fleet_of,
    folder,
    new_manifest,
    read_manifest,
    write_history,
    write_manifest,
    write_papers,
)
from fleet import clock
from fleet.ending import Ending
from fleet.settings import SettingsFault, load, own

WAITING_AT_MOST = 60_000_000
"""Bytes of history that may wait in the inbox while `run` writes: the disk is not ours alone."""
PAUSE_S = 0.25
IMPORTED = (
    ("units", "register.csv"),
    ("records", "records.csv"),
    ("technicians", "technicians.csv"),
)
"""What is imported as a user would, in this order."""
SHOW_AFTER_S = 180
SHOW_S = 720


def main(arguments: list[str] | None = None) -> int:
    """Run one subcommand; returns its exit code."""
    options = _parser().parse_args(arguments)
    try:
        if "data" in options:
            own(options.data)
        return int(options.run(options))
    except (BrokerFault, SettingsFault, ValueError) as fault:
        print(fault, file=sys.stderr)
        return 2


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m demo_fleet", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    broker = commands.add_parser("broker", help="the embedded MQTT broker, on loopback")
    broker.add_argument("--port", type=int, required=True)
    broker.set_defaults(run=_broker)
    for name, run, said in (
        ("write", _write, "register, records, truth and history, as files"),
        ("live", _live, "publish from now on what an earlier `write` began"),
        ("run", _run, "write, import and go on live"),
    ):
        command = commands.add_parser(name, help=said)
        command.add_argument("--data", type=Path, required=True, metavar="DIR")
        command.add_argument("--now", type=int, help="UTC second to take for now (tests)")
        command.set_defaults(run=run)
        if name != "live":
            command.add_argument("--days", type=int, default=HISTORY_DAYS)
            command.add_argument("--units", type=int, default=60)
            command.add_argument("--seed", type=int, default=1)
        if name != "write":
            command.add_argument("--host", default="127.0.0.1")
            command.add_argument("--port", type=int, help="the broker's (default: the setting)")
    return parser


def _stop_event() -> threading.Event:
    stopping = Ending()

    def stop(_number: int, _frame: FrameType | None) -> None:
        stopping.set()

    signal.signal(signal.SIGTERM, stop)
    signal.signal(signal.SIGINT, stop)
    return stopping


def _clock(options: argparse.Namespace) -> Callable[[], int]:
    """The clock, or one that starts at --now."""
    if options.now is None:
        return clock.now
    begun, first = time.monotonic(), options.now
    return lambda: first + int(time.monotonic() - begun)


def _broker(options: argparse.Namespace) -> int:
    stopping = _stop_event()
    broker = EmbeddedBroker(options.port)
    broker.start()
    stopping.wait()
    broker.stop()
    return 0


def _write(options: argparse.Namespace) -> int:
    until = _clock(options)()
    manifest = read_manifest(options.data)
    if manifest is not None:
        fleet, since = fleet_of(manifest, until), manifest["until"]
    else:
        fleet = build_fleet(options.seed, until, options.units, options.days)
        since = fleet.first
    write_papers(fleet, options.data)
    manifest = write_history(fleet, options.data, since, until)
    print(
        f"{manifest['units']} sets, {manifest['count']} files, "
        f"{manifest['bytes'] / 1e6:.0f} MB in {options.data / 'inbox'}; "
        f"register, records and truth in {folder(options.data)}"
    )
    return 0


def _address(options: argparse.Namespace) -> tuple[str, int]:
    port = options.port or load(options.data, os.environ).mqtt_port
    return options.host, port


def _live(options: argparse.Namespace) -> int:
    now = _clock(options)
    manifest = read_manifest(options.data)
    if manifest is None:
        print(
            f"There is no demo in {options.data}: `python -m demo_fleet write` first.",
            file=sys.stderr,
        )
        return 2
    since = _since(options.data, manifest)
    fleet = fleet_of(manifest, now())
    go_live(fleet, since, _address(options), now, _stop_event(), folder(options.data) / "live.json")
    return 0


def _since(data: Path, manifest: dict[str, Any]) -> int:
    """First second not said yet, by file or live."""
    return max(int(manifest["until"]), remembered_until(folder(data) / "live.json") or 0)


def _run(options: argparse.Namespace) -> int:
    """Everything: made once, imported as a user would, then history and live side by side."""
    stopping, now = _stop_event(), _clock(options)
    until = now()
    manifest = read_manifest(options.data)
    if manifest is None:
        fleet = build_fleet(options.seed, until, options.units, options.days)
        manifest, since = new_manifest(fleet), fleet.first
    else:
        since = _since(options.data, manifest)
        manifest["called"].append([until + SHOW_AFTER_S, until + SHOW_AFTER_S + SHOW_S])
        fleet = fleet_of(manifest, until)
    if not manifest["imported"]:
        papers = write_papers(fleet, options.data)
        for noun, name in IMPORTED:
            code = _import(noun, papers[name], options.data)
            if code:
                return code
        manifest["imported"] = True
    write_manifest(options.data, manifest)
    return _history_and_live(options, fleet, (since, until), stopping, now)


def _import(noun: str, path: Path, data: Path) -> int:
    """Import a file as a user would; its words go to the terminal when it is refused."""
    command = [sys.executable, "-m", "hourhand", noun, "import", str(path), "--data", str(data)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        print(f"{noun} import: {done.stdout}{done.stderr}", file=sys.stderr)
    return done.returncode


def _history_and_live(
    options: argparse.Namespace,
    fleet: Fleet,
    span: tuple[int, int],
    stopping: threading.Event,
    now: Callable[[], int],
) -> int:
    """Live begins as soon as the newest day of history lies in the inbox."""
    memory = folder(options.data) / "live.json"
    arguments = (fleet, span[1], _address(options), now, stopping, memory)
    live = threading.Thread(target=go_live, args=arguments, name="live", daemon=True)

    def begin(_: dict[str, Any]) -> None:
        if live.ident is None:
            live.start()

    def pause() -> None:
        inbox = options.data / "inbox"
        while not stopping.is_set() and _waiting(inbox) > WAITING_AT_MOST:
            stopping.wait(PAUSE_S)
        if stopping.is_set():
            raise _Stopped

    try:
        manifest = write_history(fleet, options.data, *span, said=begin, pause=pause)
        for start, until in reversed(manifest["parts"][:-1]):
            write_history(fleet, options.data, start, until, pause=pause)
    except _Stopped:
        return 0
    begin({})
    live.join()
    return 0


class _Stopped(Exception):
    """Asked to stop while writing."""


def _waiting(inbox: Path) -> int:
    """Bytes in the inbox that nobody has taken yet."""
    total = 0
    for path in inbox.iterdir():
        try:
            total += path.stat().st_size
        except FileNotFoundError:
            continue
    return total


if __name__ == "__main__":
    raise SystemExit(main())
