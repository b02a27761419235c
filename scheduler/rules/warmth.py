"""How warm an engine was when it was asked to start."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import msgspec
import numpy as np

from fleet.model import Series, StartDemand

OLD_S = 6 * 3600
"""An engine's or the air's temperature of so long ago still stands. Common practice, no source."""
AFTER_S = 900
"""The air may be read up to so long after the start; the engine is warm by then. Common practice,
no source."""


def noted(demands: Sequence[StartDemand], series: Mapping[str, Series]) -> tuple[StartDemand, ...]:
    """The demands with their temperature [degC].

    Engine (else air) as last read before the first attempt, not longer than 6 h ago and on the
    same day; else the air within 15 min after. None where neither was read.

    Gives: the records with a temperature [C]. Common practice, no source.
    """
    return tuple(
        demand
        if (found := before(demand.at, series)) is None
        else msgspec.structs.replace(demand, temp_c=round(found, 1))
        for demand in demands
    )


def before(at: int, series: Mapping[str, Series]) -> float | None:
    """The temperature before a start at `at`, else the air's soon after; None: neither was read.

    Engine, then air, as last read within 6 h; of the air also within 15 min after.

    Gives: [C]. Common practice, no source.
    """
    for name, after_s in (("engine_temp_c", -1), ("ambient_temp_c", AFTER_S)):
        one = series.get(name)
        if one is None or len(one) == 0:
            continue
        place = int(np.searchsorted(one.t, at, side="left")) - 1
        if place >= 0 and at - one.t[place] <= OLD_S:
            return float(one.v[place])
        if place + 1 < len(one) and 0 <= one.t[place + 1] - at <= after_s:
            return float(one.v[place + 1])
    return None
