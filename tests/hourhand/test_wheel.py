"""A built wheel holds everything: installed away from the checkout it serves the demonstration."""

from __future__ import annotations

import os
import signal
import site
import subprocess
import sys
import tomllib
import urllib.error
import urllib.request
import zipfile
from pathlib import Path

import pytest
from places import ROOT
from service import free_port, wait_for

pytestmark = [pytest.mark.long, pytest.mark.timeout(400)]


PACKAGES = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["hatch"]["build"][
    "targets"
]["wheel"]["packages"]


def run(*command: str | Path, cwd: Path) -> str:
    """What a command says; it fails the test where the command fails."""
    done = subprocess.run(
        command, cwd=cwd, capture_output=True, text=True, check=False, env=plain()
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout.strip()


def plain() -> dict[str, str]:
    """The environment without settings and without a way to the checkout."""
    return {
        name: value
        for name, value in os.environ.items()
        if not name.startswith(("HOURHAND_", "PYTHON"))
    }


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A wheel of this checkout, built without asking anybody for the backend."""
    into = tmp_path_factory.mktemp("wheel")
    pip = (sys.executable, "-m", "pip", "wheel", "--no-deps", "--no-build-isolation", "--no-index")
    run(*pip, "-w", into, ROOT, cwd=into)
    (built,) = into.glob("hourhand-*.whl")
    return built


def test_every_file_of_every_package_is_in_the_wheel(wheel: Path) -> None:
    held = set(zipfile.ZipFile(wheel).namelist())
    ours = {
        path.relative_to(ROOT).as_posix()
        for package in PACKAGES
        for path in (ROOT / package).rglob("*")
        if path.is_file() and path.suffix != ".pyc"
    }
    assert ours - held == set()
    assert {name.split("/")[0] for name in held - ours} <= {
        f"{wheel.name.rsplit('-', 3)[0]}.dist-info"
    }
    for suffix in (".html", ".css", ".js", ".typ", ".svg"):
        assert any(name.endswith(suffix) for name in held), suffix
    assert any("migrations/versions/0001" in name for name in held)


def answered(port: int) -> str:
    """The first page, once it is served; '' until then."""
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=10) as answer:
            return str(answer.read().decode())
    except (urllib.error.URLError, OSError):
        return ""


def test_the_demonstration_runs_from_it(wheel: Path, tmp_path: Path) -> None:
    home, away = tmp_path / "venv", tmp_path / "away"
    away.mkdir()
    run(sys.executable, "-m", "venv", "--without-pip", home, cwd=away)
    python = home / "bin" / "python"
    run(
        *(sys.executable, "-m", "pip", "--python", python, "install", "-q"),
        *("--no-deps", "--no-index", "--ignore-installed", wheel),
        cwd=away,
    )
    packages = Path(run(python, "-c", "import site; print(site.getsitepackages()[0])", cwd=away))
    # What Hourhand depends on is lent by this environment; an editable install of it is not seen,
    # because `.pth` files are read in the venv's own folder only.
    (packages / "lent.pth").write_text("\n".join(site.getsitepackages()) + "\n")
    where = "import importlib; print(*(importlib.import_module(p).__file__ for p in "
    places = run(python, "-c", f"{where}{PACKAGES!r}))", cwd=away).split()
    assert [Path(place).is_relative_to(home) for place in places] == [True] * len(PACKAGES), places

    port = free_port()
    options = ["--units", "2", "--days", "2", "--data", str(away / "data"), "--port", str(port)]
    demo = subprocess.Popen(
        [home / "bin" / "hourhand", "demo", *options],
        cwd=away,
        env=plain(),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    try:
        page = wait_for("the first page", lambda: demo.poll() is not None or answered(port))
        assert demo.poll() is None
        assert "demonstration" in page.lower()
    finally:
        demo.send_signal(signal.SIGTERM)
        said = demo.communicate(timeout=120)[0]
    assert demo.returncode == 0, said
