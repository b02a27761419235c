"""A limit that is wrong is noticed by the pair of its kind: it stands near its limit on both sides.

Each mistake is planted in a copy of the house, in which the pairs of the kind are run.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from places import ROOT

COPIED = ("dashboard", "fleet", "ingest", "scheduler", "tests")
RULES, ASSESS = "scheduler/rules/", "scheduler/assess/"
MISTAKES = (
    (RULES + "battery/tables.py", "LOW_V = 13.0", "LOW_V = 12.85", "charger_fault"),
    (RULES + "battery/tables.py", "LOW_V = 13.0", "LOW_V = 13.2", "charger_fault"),
    (RULES + "battery/tables.py", "OVER_V = 15.0", "OVER_V = 14.8", "over_charge"),
    (RULES + "battery/tables.py", "OVER_V = 15.0", "OVER_V = 15.4", "over_charge"),
    (RULES + "battery/verdict.py", "LOST_CHARGER_V = 2.0", "LOST_CHARGER_V = 1.6", "failed_cell"),
    (RULES + "battery/verdict.py", "LOST_CHARGER_V = 2.0", "LOST_CHARGER_V = 2.3", "failed_cell"),
    (RULES + "battery/verdict.py", "WELL_V = 11.65, 11.85", "WELL_V = 11.65, 11.6", "failed_cell"),
    (RULES + "battery/verdict.py", "WELL_V = 11.65, 11.85", "WELL_V = 11.65, 12.2", "failed_cell"),
    (ASSESS + "battery/findings.py", "OLD_CODE_MONTHS = 60", "OLD_CODE_MONTHS = 56", "battery_old"),
    (ASSESS + "battery/findings.py", "OLD_CODE_MONTHS = 60", "OLD_CODE_MONTHS = 63", "battery_old"),
    (RULES + "supply/circuits.py", "HIGH_SHARE = 1.15", "HIGH_SHARE = 1.12", "over_voltage"),
    (RULES + "supply/circuits.py", "HIGH_SHARE = 1.15", "HIGH_SHARE = 1.18", "over_voltage"),
    (RULES + "supply/legs.py", "LEG_HIGH = 1.10", "LEG_HIGH = 1.08", "open_neutral"),
    (RULES + "supply/legs.py", "LEG_HIGH = 1.10", "LEG_HIGH = 1.15", "open_neutral"),
    (RULES + "supply/circuits.py", "LOW_SHARE = iti.least(10.0)", "LOW_SHARE = 0.7", "leg_out"),
    (RULES + "supply/circuits.py", "LOW_SHARE = iti.least(10.0)", "LOW_SHARE = 0.85", "leg_out"),
    (RULES + "supply/watch.py", "STRAY_SHARE = 0.1", "STRAY_SHARE = 0.08", "stray_volts"),
    (RULES + "supply/watch.py", "STANDING_SHARE = 0.5", "STANDING_SHARE = 0.4", "volts_standing"),
    (ASSESS + "card.py", "USED_SHARE = 0.8", "USED_SHARE = 0.75", "data_budget"),
    (ASSESS + "card.py", "USED_SHARE = 0.8", "USED_SHARE = 0.85", "data_budget"),
    (ASSESS + "card.py", "AHEAD_DAYS = 30", "AHEAD_DAYS = 31", "sim_ending"),
    (ASSESS + "hours/metering.py", "CROSS_CHECK_H = 1.0", "CROSS_CHECK_H = 0.5", "meter_disagrees"),
    (RULES + "service/reckon.py", "SOON_DAYS = 30", "SOON_DAYS = 20", "service_due"),
    (RULES + "service/reckon.py", "SOON_DAYS = 30", "SOON_DAYS = 40", "service_due"),
    (RULES + "service/long_run.py", "EARLY_S = 2 * 3600", "EARLY_S = 0", "oil_check_in_run"),
    (RULES + "service/long_run.py", "EVERY_H = 8", "EVERY_H = 12", "oil_check_in_run"),
    (
        RULES + "exercise/exercise_verdict.py",
        "SHORT_SHARE = 0.10",
        "SHORT_SHARE = 0.50",
        "exercise_short",
    ),
    (
        RULES + "exercise/exercise_verdict.py",
        "LOAD_SHARE = 0.75",
        "LOAD_SHARE = 0.9",
        "under_loaded",
    ),
    (
        RULES + "exercise/exercise_verdict.py",
        "TIME_OFF_S = 1800",
        "TIME_OFF_S = 4200",
        "exercise_time",
    ),
    (ASSESS + "fuel.py", "LOW_SHARE = 0.10", "LOW_SHARE = 0.02", "fuel_low"),
    (RULES + "mains.py", "ABSENT_SHARE = 0.5", "ABSENT_SHARE = 0.1", "mains_lost"),
)
"""(file, what stands there, the mistake, a part of the kind's name)."""


@pytest.fixture(scope="module")
def copy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the house to plant mistakes in."""
    folder = tmp_path_factory.mktemp("house")
    for name in COPIED:
        shutil.copytree(
            ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__", "static")
        )
    for name in ("pyproject.toml", "docs"):
        whole = ROOT / name
        (shutil.copytree if whole.is_dir() else shutil.copy)(whole, folder / name)
    return folder


def pairs_of(kind: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """The pairs of a kind, run in a copy of the house."""
    return subprocess.run(
        [
            *(sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider"),
            *("-o", f"pythonpath={folder} {folder}/tests/helpers"),
            "tests/house/test_finding_pairs.py",
            *("-k", f"(speaks or silent) and {kind}"),
        ],
        cwd=folder,
        capture_output=True,
        text=True,
        env={"PATH": "/usr/bin:/bin", "PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"},
        check=False,
    )


def caught(folder: Path, mistake: tuple[str, str, str, str]) -> str:
    """What the pairs say of a mistake; "" where they say nothing."""
    file, right, wrong, kind = mistake
    place = folder / file
    whole = place.read_text()
    assert whole.count(right) == 1, f"{right} does not stand in {file}"
    place.write_text(whole.replace(right, wrong))
    try:
        result = pairs_of(kind, folder)
    finally:
        place.write_text(whole)
    assert result.returncode in (0, 1), result.stdout + result.stderr
    return result.stdout if result.returncode else ""


def test_a_wrong_limit_is_caught_by_its_pair(copy: Path) -> None:
    kind = MISTAKES[0][3]
    assert pairs_of(kind, copy).returncode == 0, "without a mistake they hold"
    assert "test_the_example_speaks[charger_fault" in caught(copy, MISTAKES[0])


@pytest.mark.long
@pytest.mark.parametrize("mistake", MISTAKES, ids=lambda m: f"{m[3]} {m[2]}")
def test_every_wrong_limit_is_caught_by_its_pair(
    copy: Path, mistake: tuple[str, str, str, str]
) -> None:
    assert caught(copy, mistake), f"{mistake[2]} of {mistake[0]} went unnoticed"
