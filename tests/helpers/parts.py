"""The parts a test run may lack: what is here, what is hidden, what is required, and the words.

HOURHAND_TEST_HIDE names parts to look away from, as if the machine had none: its run shows what a
newcomer sees. HOURHAND_TEST_REQUIRE names parts that must be there: what would be a skip is then a
failure in the same words. Every skip of this suite goes through `need` or `skip`, so that its reason
names the part, what is wrong with it and what to do; a run with another kind of skip fails.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import subprocess
import sys
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest
from places import ROOT

from ingest.bench.broker import Mosquitto, NoMosquitto

LIBRARIES = {"libatomic.so.1": "libatomic1"}
"""Debian's package of a library, where its name does not tell."""


@dataclass(frozen=True)
class Part:
    """look: "" where it can be used, else what is wrong and what to do. may_hide: by the settings."""

    look: Callable[[], str]
    may_hide: bool = True


def names(variable: str) -> set[str]:
    """Parts named by a variable of the environment, separated by commas."""
    return {part.strip() for part in os.environ.get(variable, "").split(",") if part.strip()}


HIDDEN, REQUIRED = names("HOURHAND_TEST_HIDE"), names("HOURHAND_TEST_REQUIRE")


def mosquitto_program() -> str | None:
    """Where mosquitto is, or None."""
    if "mosquitto" in HIDDEN:
        return None
    with contextlib.suppress(NoMosquitto):
        return Mosquitto.program()
    return None


def chromium_program() -> str | None:
    """Where Chromium is, or None."""
    if "chromium" in HIDDEN:
        return None
    fixed = Path("/usr/bin/chromium")
    if fixed.exists():
        return str(fixed)
    return shutil.which("chromium") or shutil.which("chromium-browser")


def postgres_folder() -> Path | None:
    """Folder of initdb and postgres, or None."""
    if "postgresql" in HIDDEN:
        return None
    asked = shutil.which("pg_config")
    folders = [Path(path) for path in sorted(Path("/usr/lib/postgresql").glob("*/bin"))[::-1]]
    if asked is not None:
        said = subprocess.run([asked, "--bindir"], capture_output=True, text=True, check=False)
        folders.insert(0, Path(said.stdout.strip()))
    return next((f for f in folders if (f / "initdb").exists() and (f / "postgres").exists()), None)


@cache
def engine_answers() -> bool:
    """Whether a Docker engine can be talked to."""
    if "containers" in HIDDEN:
        return False
    if not os.environ.get("DOCKER_HOST") and not Path("/var/run/docker.sock").exists():
        return False
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            import docker

            client = docker.from_env(timeout=3)
            try:
                return bool(client.ping())
            finally:
                client.close()
    except Exception:
        return False


def starts(program: str, *arguments: str, called: str) -> str:
    """ "" where the program runs; else what it lacks and what to do."""
    try:
        done = subprocess.run(
            [program, *arguments], capture_output=True, text=True, check=False, timeout=60
        )
    except (OSError, subprocess.TimeoutExpired) as fault:
        return f"{called} does not start: {fault}"
    if done.returncode == 0:
        return ""
    return f"{called} does not start: {lacks(done.stderr or done.stdout)}"


def lacks(said: str) -> str:
    """A loader's complaint in words, with the package to install where that is known."""
    library = re.search(r"loading shared libraries: ([\w.+-]+):", said)
    if library is None:
        return " ".join(said.split())[-300:] or "it says nothing"
    package = LIBRARIES.get(library[1])
    todo = f" (Debian: apt install {package})" if package else "; install its library"
    return f"{library[1]} is missing{todo}"


def driver() -> str:
    """The program that drives the browser: a node of its own inside the playwright package."""
    from playwright._impl._driver import compute_driver_executable

    return str(compute_driver_executable()[0])


def _mosquitto() -> str:
    if mosquitto_program() is None:
        return "there is no mosquitto (Debian: apt install mosquitto)"
    return ""


def _chromium() -> str:
    program = chromium_program()
    if program is None:
        return "there is no Chromium (Debian: apt install chromium libatomic1)"
    return starts(driver(), "--version", called="the browser's driver") or starts(
        program, "--version", called="Chromium"
    )


def _postgresql() -> str:
    folder = postgres_folder()
    if folder is None:
        return "there is no PostgreSQL server (Debian: apt install postgresql)"
    if os.geteuid() == 0 and other_user() is None:
        return "PostgreSQL refuses to run as root and there is no user postgres or nobody"
    return starts(str(folder / "postgres"), "--version", called="PostgreSQL")


def _containers() -> str:
    if not engine_answers():
        return "no container engine answers; image and compose stack are not tried"
    return ""


def other_user() -> tuple[int, int] | None:
    """(user, group) PostgreSQL can run as where we are root, or None."""
    import pwd

    found = {entry.pw_name: entry for entry in pwd.getpwall()}
    user = found.get("postgres") or found.get("nobody")
    return None if user is None else (user.pw_uid, user.pw_gid)


def _openssl() -> str:
    return "" if shutil.which("openssl") else "there is no openssl (Debian: apt install openssl)"


def _git() -> str:
    if shutil.which("git") is None:
        return "there is no git (Debian: apt install git)"
    said = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, check=False)
    if said.returncode == 0 and said.stdout:
        return ""
    return "this folder is no git checkout of its reader; run the tests in a clone of your own"


def _root() -> str:
    return "" if os.geteuid() == 0 else "only root may give files away; run it as root to try that"


def _recordings() -> str:
    if (ROOT.parent / "shared").is_dir():
        return ""
    return "the folder `shared` of real recordings is not beside this checkout"


PARTS = {
    "mosquitto": Part(_mosquitto),
    "chromium": Part(_chromium),
    "postgresql": Part(_postgresql),
    "containers": Part(_containers),
    "openssl": Part(_openssl, may_hide=False),
    "git": Part(_git, may_hide=False),
    "root": Part(_root, may_hide=False),
    "recordings": Part(_recordings, may_hide=False),
}


@cache
def missing(name: str) -> str:
    """ "" where the part can be used; else what is wrong with it and what to do."""
    if name in HIDDEN:
        return f"hidden from this run by HOURHAND_TEST_HIDE={name}"
    return PARTS[name].look()


def need(name: str) -> None:
    """Skip the test where the part is missing; fail it where the part is required."""
    words = missing(name)
    if words:
        skip(name, words)


def skip(name: str, words: str) -> None:
    """Skip for a part that is there and not whole (an image, a tool); fail where it is required."""
    if name not in PARTS:
        raise ValueError(f"{name} is no part of a test run: {', '.join(PARTS)}")
    reason = f"needs {name}: {words}"
    if name in REQUIRED:
        pytest.fail(f"HOURHAND_TEST_REQUIRE: {reason}")
    pytest.skip(reason)


def wrong_settings() -> str:
    """What is wrong with the two variables, or "" """
    unknown = sorted((HIDDEN | REQUIRED) - set(PARTS))
    if unknown:
        return (
            f"HOURHAND_TEST_HIDE or _REQUIRE names {', '.join(unknown)}; parts: {', '.join(PARTS)}"
        )
    fixed = sorted(name for name in HIDDEN if not PARTS[name].may_hide)
    if fixed:
        return f"HOURHAND_TEST_HIDE cannot hide {', '.join(fixed)}"
    if HIDDEN & REQUIRED:
        return f"both hidden and required: {', '.join(sorted(HIDDEN & REQUIRED))}"
    lacking = [f"{name}: {missing(name)}" for name in sorted(REQUIRED) if missing(name)]
    return f"required and not on this machine: {'; '.join(lacking)}" if lacking else ""


GOOD_REASON = re.compile(rf"(Skipped: )?needs ({'|'.join(PARTS)}): \S+ \S+")


def odd_reasons(reasons: list[str]) -> list[str]:
    """Reasons of skips that do not name a part and what is wrong with it."""
    return sorted({reason for reason in reasons if not GOOD_REASON.match(reason)})


if __name__ == "__main__":
    for part in PARTS:
        print(f"{part}: {missing(part) or 'there'}")
    sys.exit(0)
