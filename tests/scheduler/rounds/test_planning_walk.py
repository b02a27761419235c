"""A job's way into a plan: each stage reads the registry once, and writes to it once."""

from __future__ import annotations

import sys
from collections.abc import Callable
from types import FrameType
from typing import Any

from dispatching import BY, Office
from seeding import NOW

from fleet.registry.office.kept_rounds import Ask
from scheduler import publishing
from scheduler.turns import planning

pytest_plugins = ["dispatching"]


def registry_calls(work: Callable[[], Any]) -> list[str]:
    """Functions of the registry that the scheduler called, in order."""
    found: list[str] = []

    def look(frame: FrameType, event: str, _: object) -> None:
        name = frame.f_globals.get("__name__", "")
        before = frame.f_back.f_globals.get("__name__", "") if frame.f_back else ""
        if event == "call" and name.startswith("fleet.registry.") and before[:10] == "scheduler.":
            found.append(f"{name.removeprefix('fleet.registry.')}.{frame.f_code.co_name}")

    sys.setprofile(look)
    try:
        work()
    finally:
        sys.setprofile(None)
    return found


def test_each_stage_reads_once_and_writes_once(office: Office) -> None:
    reg = office.fleet.registry
    jobs = ["office.board.due_work", "office.board.keep_jobs"]
    assert registry_calls(lambda: planning.sync_jobs(reg, NOW)) == jobs
    ask = Ask(iterations=20, fresh=True)
    made: list[planning.Outcome] = []
    assert registry_calls(lambda: made.append(planning.plan_rounds(reg, NOW, ask, "Dee"))) == [
        *jobs,
        "office.board.read",
        "office.board.save_draft",
    ]
    plan = made[0].plan
    assert plan is not None
    assert registry_calls(lambda: publishing.publish(reg, plan, BY, NOW, "")) == [
        "office.board.read",
        "office.board.publish",
    ]
    assert registry_calls(lambda: publishing.changing(reg, NOW)) == ["office.board.read"]
