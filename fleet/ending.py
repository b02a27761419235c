"""An end that a signal may ask for.

`threading.Event.set` takes a lock. A signal's handler runs in the main thread wherever that happens to
be, and where it is just inside `wait` of the same event it holds that lock itself: the program then
stands still for ever and is not ended by asking. Nothing here takes a lock.
"""

from __future__ import annotations

import contextlib
import os
import select
import threading


class Ending(threading.Event):
    """An event, once set for good, that a signal's handler may set. Any thread may wait for it."""

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
