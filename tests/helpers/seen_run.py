"""A run of the first seeded set, by the clock at its site."""

from __future__ import annotations

from datetime import UTC, datetime

from seeding import DAY_S, NOW, RUN_MIN

RAN, RAN_TO = (
    datetime.fromtimestamp(NOW - 4 * DAY_S - 3600 * 2 + s, UTC).strftime("%Y-%m-%dT%H:%M:%S")
    for s in (0, RUN_MIN * 60)
)
"""A run of the first set in `seeding`, by the clock at its site."""
