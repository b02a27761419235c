"""`hourhand record`: what devices send written down as it is received, to be replayed."""

from __future__ import annotations

import argparse
import os
import signal
import sys
from pathlib import Path
from typing import IO, Any

import msgspec

from fleet.ending import Ending
from fleet.private import make_file
from hourhand.options import add_command, data_option, settings_of

WAIT_S = 0.5
"""Between two looks at what has arrived: a pace of ours."""


def add_commands(commands: Any) -> None:
    """Add `record`."""
    record = add_command(
        commands,
        "record",
        "write down what devices send, for `hourhand replay`",
        "hourhand record week-12.jsonl",
    )
    record.add_argument("file", type=Path, help="JSON lines; what stands there already is kept")
    data_option(record)
    record.set_defaults(run=run_record)


def run_record(options: argparse.Namespace) -> int:
    """Write lines until asked to stop; the service is not disturbed and need not run."""
    from ingest.__main__ import broker_of
    from ingest.link import Link

    settings = settings_of(options)
    beside = f"{settings.mqtt_client_id}-record"
    named = msgspec.structs.replace(settings, mqtt_client_id=beside, mqtt_session_days=0)
    stopping = Ending()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stopping.set())
    make_file(options.file)
    link = Link(broker_of(named))
    with options.file.open("ab") as file:
        link.start()
        print(f"Recording into {options.file}; Ctrl-C stops it.", file=sys.stderr, flush=True)
        lines, told = 0, ""
        while not stopping.is_set() and link.alive:
            if link.state != told:
                told = link.state
                print(told, file=sys.stderr, flush=True)
            link.wake.wait(WAIT_S)
            link.wake.clear()
            lines += _write_down(link, file)
        lines += _write_down(link, file)
        link.close()
    print(f"{lines} messages recorded.")
    return 0


def _write_down(link: Any, file: IO[bytes]) -> int:
    """What has arrived, on the disk before it is acknowledged; how many messages."""
    from ingest.inbox import line_of

    batch = [link.arrived.popleft() for _ in range(len(link.arrived))]
    file.writelines(line_of(arrived.message) for arrived in batch)
    if batch:
        file.flush()
        os.fsync(file.fileno())
    for arrived in batch:
        if arrived.message.qos:
            link.acknowledge(arrived.generation, [arrived.number])
        else:
            link.qos_0_taken += 1
    return len(batch)
