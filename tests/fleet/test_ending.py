"""A program that is asked to end does, wherever its main thread is just then."""

from __future__ import annotations

import subprocess
import sys
import threading

import pytest

from fleet.ending import Ending

AT_ONCE_S = 0.0
ASKED = """
import signal
from fleet.ending import Ending

for number in range({rounds}):
    ending, asked = Ending(), []

    def stop(*_):
        asked.append(1)
        ending.set()

    signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, 0.0001 + (number % 37) * 0.00001)
    while not ending.wait(0.00001):
        pass
    assert asked
print("ended")
"""


@pytest.mark.parametrize("rounds", [4_000, pytest.param(20_000, marks=pytest.mark.long)])
def test_a_signal_in_the_middle_of_a_wait_ends_the_wait(rounds: int) -> None:
    """With an event of the standard library, whose lock the main thread may hold just then, some of
    20,000 such signals never come through."""
    done = subprocess.run(
        [sys.executable, "-c", ASKED.format(rounds=rounds)],
        capture_output=True,
        text=True,
        check=False,
        timeout=200,
    )
    assert (done.returncode, done.stdout.strip()) == (0, "ended"), done.stderr


def test_every_thread_that_waits_is_woken_and_so_is_who_comes_later() -> None:
    ending = Ending()
    woken: list[bool] = []
    waiting = [threading.Thread(target=lambda: woken.append(ending.wait(60))) for _ in range(4)]
    for thread in waiting:
        thread.start()
    assert not ending.wait(timeout=AT_ONCE_S)
    assert not ending.is_set()
    ending.set()
    ending.set()
    for thread in waiting:
        thread.join(60)
    assert woken == [True] * 4
    assert ending.wait()
    assert ending.is_set()


def test_it_is_for_good() -> None:
    with pytest.raises(RuntimeError, match="stays asked for"):
        Ending().clear()
