"""Starts of one set with a planted worsening."""

from __future__ import annotations

import numpy as np

from scheduler.rules.reliability import Start

DAY_S = 86_400


def planted(
    seed: int,
    weeks: int,
    grows_s: float = 0.0,
    cold: float = 0.0,
    attempts: float = 0.0,
    step_s: float = 0.0,
) -> list[Start]:
    """Weekly starts that end in November: scatter 0.46 s, season and fronts, and what was planted."""
    rng = np.random.default_rng(seed)
    found = []
    for week in range(weeks):
        share = week / max(weeks - 1, 1)
        season = 9 + 6 * np.cos(2 * np.pi * (week - weeks + 1 - 15) / 52)
        temp = season + 4 * rng.standard_normal()
        crank = rng.uniform(1.1, 2.7) + grows_s * share + cold * max(0.0, 15 - temp)
        crank += step_s if week == weeks // 2 else 0.0
        again = rng.random() < 0.05 + attempts * share
        found.append(
            Start(
                at=week * 7 * DAY_S,
                attempts=2 if again else 1,
                crank_s=round(crank, 1),
                temp_c=round(temp, 1),
            )
        )
    return found
