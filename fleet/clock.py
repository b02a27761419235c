"""The one place that asks what time it is; everything else is handed `now`."""

from __future__ import annotations

import time


def now() -> int:
    """Whole UTC seconds since 1970."""
    return int(time.time())
