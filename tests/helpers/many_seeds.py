"""Many seeds of the invented fleet, examined in processes of their own."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from typing import Any

LEARNING = 15


def in_processes(job: Callable[..., Any], *over: Iterable[Any]) -> list[Any]:
    """The job over each of its arguments, on every core."""
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(os.cpu_count() or 1, mp_context=spawn) as pool:
        return list(pool.map(job, *over))
