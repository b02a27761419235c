"""What is known of the fuel of a unit."""

from __future__ import annotations

from typing import Literal

import msgspec


class FuelSeen(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """The fuel of a unit now.

    level_pct: smoothed, of the tank, at `at`; left_share: of what can be burnt. hours_h: how long
    it lasts at load_share of the rating, `at_load` says which load that is. by: chart (nameplate),
    energy (nameplate, over an efficiency; the shorter time), trend (its own fall since `trend_from`, at
    the load it carried then: the newest refill, or the first its device read of it), supplied (mains gas); '' with `reason`: not known.
    engine: efficiency it is reckoned with, by energy. factor: own refuels over the chart. agreed_h: hours wanted, agreed or by default.
    """

    level_pct: float | None = None
    at: int | None = None
    left_share: float | None = None
    litres_l: float | None = None
    hours_h: float | None = None
    load_share: float | None = None
    at_load: Literal["half", "now"] = "half"
    l_per_h: float | None = None
    by: Literal["", "chart", "energy", "trend", "supplied"] = ""
    engine: float | None = None
    reason: str = ""
    factor: float | None = None
    refill_at: int | None = None
    trend_from: int | None = None
    agreed_h: float | None = None
    agreed: bool = False
