"""`hourhand`: every command, and what each is refused with.

What a command alone needs is imported where it runs, so that help and short commands start at once.
Exit codes: 0 all right; 1 something is wrong and was said; 2 wrong use or settings; 3 an import was
refused, nothing was written.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

from fleet.registry.base.faults import RegistryFault
from fleet.settings import SettingsFault
from fleet.store import StoreFault
from hourhand import backups, bench, check, demo, office, people, record, replay, rounds, up

EXAMPLES = """examples:
  hourhand demo                                  a working fleet on http://127.0.0.1:8080
  hourhand units import register.csv             put your sets into the register
  hourhand up                                    take messages, think, serve the pages
  hourhand due --late                            what is late, and why
  hourhand backup /mnt/backup/hourhand.zip       everything in one file
"""


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    top = argparse.ArgumentParser(
        prog="hourhand",
        description="Fleet monitoring and service scheduling for standby generator sets.",
        epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    commands = top.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for room in (up, demo, office, people, rounds, record, replay, check, bench, backups):
        room.add_commands(commands)
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code."""
    options = parser().parse_args(argv)
    try:
        code: int = options.run(options)
    except (SettingsFault, RegistryFault, StoreFault) as fault:
        print(fault, file=sys.stderr)
        return 2
    except BrokenPipeError:
        return 0
    return code
