"""What a program is told before it starts: one table of names, types, defaults, bounds and text.

A value comes from the environment (`HOURHAND_` + the name in capitals), else from
`hourhand.toml` in the data folder, else from the table. Nothing is read at import: every
program's `__main__` calls `load` and hands the result down.
"""

from __future__ import annotations

from fleet.settings.folder import own
from fleet.settings.reading import load
from fleet.settings.table import NAMES, TABLE, Setting, Settings, SettingsFault

__all__ = [
    "NAMES",
    "TABLE",
    "Setting",
    "Settings",
    "SettingsFault",
    "load",
    "own",
]
