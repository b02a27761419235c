"""Points at which a kill test ends a program: every program's, so that they are asked for alike."""

from __future__ import annotations

import os
import re
import signal
from collections.abc import Callable, Mapping

Fault = Callable[[str], None]
VARIABLE = "HOURHAND_TEST_FAULT"


def no_fault(_point: str) -> None:
    """The fault of ordinary days."""


def fault_from(environ: Mapping[str, str]) -> Fault:
    """HOURHAND_TEST_FAULT=point:n ends this process by SIGKILL when it passes there the n-th time."""
    asked = re.fullmatch(r"([a-z_]+):([0-9]+)", environ.get(VARIABLE, ""))
    if asked is None:
        return no_fault
    point, left = asked[1], int(asked[2])

    def fault(passed: str) -> None:
        nonlocal left
        if passed == point:
            left -= 1
            if left == 0:
                os.kill(os.getpid(), signal.SIGKILL)

    return fault
