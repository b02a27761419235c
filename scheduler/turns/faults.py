"""Points at which a test may kill the process; nothing where HOURHAND_TEST_KILL_AT is not set."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Mapping

Fault = Callable[[str], None]


def no_fault(point: str) -> None:
    """Nothing happens."""


def fault_from(environ: Mapping[str, str]) -> Fault:
    """HOURHAND_TEST_KILL_AT=point:n kills this process (SIGKILL) when it passes there the n-th time."""
    asked = environ.get("HOURHAND_TEST_KILL_AT", "")
    if not asked:
        return no_fault
    name, _, count = asked.partition(":")
    left = [int(count or 1)]

    def fault(point: str) -> None:
        if point == name:
            left[0] -= 1
            if left[0] <= 0:
                os.kill(os.getpid(), signal.SIGKILL)

    return fault
