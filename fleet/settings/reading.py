"""Reading the settings: environment over the file in the data folder over the table."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from fleet.settings.checking import check_together, checked
from fleet.settings.table import NAMES, PREFIX, TABLE, Settings, SettingsFault

FREE_PREFIX = "HOURHAND_TEST_"
"""Variables of tests and benches; never settings."""

FILE_NAME = "hourhand.toml"


def load(data_dir: Path | None, environ: Mapping[str, str]) -> Settings:
    """Settings of this start: environment over DATA/hourhand.toml over the table.

    data_dir (the `--data` argument) goes over `HOURHAND_DATA`. The folder need not exist.
    Raises SettingsFault on an unknown name, a value of the wrong kind or out of range, a
    file that cannot be read, or a secret that is a placeholder.
    """
    _refuse_unknown_variables(environ)
    data = data_dir if data_dir is not None else _data_of(environ)
    written = _from_file(data / FILE_NAME)
    values: dict[str, Any] = {"data": data}
    for setting in TABLE[1:]:
        if setting.variable in environ:
            given, where = environ[setting.variable], setting.variable
        elif setting.name in written:
            given, where = written[setting.name], f"{setting.name} in {data / FILE_NAME}"
        else:
            values[setting.name] = setting.default
            continue
        values[setting.name] = checked(setting, given, where)
    settings = Settings(**values)
    check_together(settings)
    return settings


def _data_of(environ: Mapping[str, str]) -> Path:
    given = environ.get(PREFIX + "DATA", str(TABLE[0].default))
    if not given.strip():
        raise SettingsFault("HOURHAND_DATA is empty: give the folder to keep everything in.")
    return Path(given)


def _refuse_unknown_variables(environ: Mapping[str, str]) -> None:
    known = {setting.variable for setting in TABLE}
    for name in sorted(environ):
        if name.startswith(PREFIX) and not name.startswith(FREE_PREFIX) and name not in known:
            raise SettingsFault(f"The environment names {name}, {_nearest(name, known)}")


def _from_file(path: Path) -> dict[str, Any]:
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError) as fault:
        raise SettingsFault(
            f"{path} cannot be read: {fault}. Check the file and its owner."
        ) from fault
    except tomllib.TOMLDecodeError as fault:
        raise SettingsFault(
            f"{path} is not valid TOML: {fault}. Write one `name = value` a line."
        ) from fault
    for name in content:
        if name == "data":
            raise SettingsFault(
                f"{path} names data, but it lies in that folder: use --data or HOURHAND_DATA."
            )
        if name not in NAMES:
            raise SettingsFault(f"{path} names {name}, {_nearest(name, set(NAMES))}")
    return content


def _nearest(name: str, known: set[str]) -> str:
    near = difflib.get_close_matches(name, sorted(known), n=1, cutoff=0.5)
    if near:
        return f"which is no setting. Did you mean {near[0]}?"
    return "which is no setting. docs/settings.md lists them all."
