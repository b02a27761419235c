"""How a program ends: because a signal asks, or at a point that a kill test names."""

from __future__ import annotations

import contextlib
import os
import re
import select
import signal
import threading
from collections.abc import Callable, Mapping

Fault = Callable[[str], None]
"""Passed at the points where a kill test may end a program: every program's, asked for alike."""
VARIABLE = "HOURHAND_TEST_FAULT"


class Ending(threading.Event):
    """An event, once set for good, that a signal's handler may set. Any thread may wait for it.

    `threading.Event.set` takes a lock. A signal's handler runs in the main thread wherever that
    happens to be, and where it is just inside `wait` of the same event it holds that lock itself:
    the program then stands still for ever and is not ended by asking. Nothing here takes a lock.
    """

    def __init__(self) -> None:
        super().__init__()
        self._said = False
        self._hears, self._says = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)

    def is_set(self) -> bool:
        return self._said

    def set(self) -> None:
        self._said = True
        with contextlib.suppress(BlockingIOError):
            os.write(self._says, b".")  # left there, so that whoever waits later is woken too

    def clear(self) -> None:
        raise RuntimeError("an end that was asked for stays asked for; make another Ending")

    def wait(self, timeout: float | None = None) -> bool:
        """Whether it is set; waits so long at most [s], for ever where no timeout is given."""
        if not self._said:
            poll = select.poll()
            poll.register(self._hears, select.POLLIN)
            poll.poll(None if timeout is None else max(0.0, timeout) * 1000)
        return self._said

    def __del__(self) -> None:
        for end in (self._hears, self._says):
            with contextlib.suppress(OSError):
                os.close(end)


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
