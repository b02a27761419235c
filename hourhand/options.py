"""Options that several commands share."""

from __future__ import annotations

import argparse
import os
from pathlib import Path
from typing import Any

from fleet.past import settled
from fleet.registry.base.engine import Registry, open_registry
from fleet.settings import Settings, load, own


def data_option(command: argparse.ArgumentParser, default: Path | None = None) -> None:
    """`--data DIR`, the folder everything is kept in."""
    command.add_argument(
        "--data",
        type=Path,
        default=default,
        metavar="DIR",
        help="folder everything is kept in (default: HOURHAND_DATA, else ./hourhand-data)",
    )


def json_option(command: argparse.ArgumentParser) -> None:
    """`--json`, for scripts."""
    command.add_argument("--json", action="store_true", help="print JSON for a script")


def add_command(commands: Any, name: str, summary: str, example: str) -> argparse.ArgumentParser:
    """A command with one line of help and an example."""
    command: argparse.ArgumentParser = commands.add_parser(
        name,
        help=summary,
        description=summary,
        epilog=f"example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    return command


def settings_of(options: argparse.Namespace) -> Settings:
    """The settings of this start. Raises SettingsFault."""
    return settled(load(options.data, os.environ))


def registry_of(settings: Settings) -> Registry:
    """The registry, its folder made where missing and its owner's alone."""
    own(settings.data)
    return open_registry(settings)
