"""States that findings and rows both tell of: how a set stands, and how its site fares without mains."""

from __future__ import annotations

from typing import Literal

Condition = Literal[
    "standing_by",
    "cranking",
    "running",
    "on_load",
    "cooling_down",
    "not_in_auto",
    "out_of_service",
    "laid_up",
    "not_reporting",
    "last_heard_running",
    "no_device",
]

Cover = Literal[
    "failed",
    "not_running",
    "bad_output",
    "no_voltage",
    "unproven",
    "waiting",
    "low_fuel",
    "covered",
    "aside",
    "mains_back",
]
"""How a set's site fares: it failed to start; stands though it is heard; runs with
volts that do harm or with a dead phase or leg; runs without volts; no
proof (nothing heard since the mains went); not long enough gone to tell; carries its load with
little fuel; carries it; is out for work; has mains again."""
