"""What is known of a starter battery, for pages, the API and the verdict on the set."""

from __future__ import annotations

from typing import Literal

import msgspec

from fleet.model import Charger, Chemistry

Verdict = Literal["good", "watch", "replace", "charger_fault", "not_enough_data"]
Look = Literal["rest", "charge", "cranking", "start"]
"""start: the newest start demand itself, which it answered."""


class RestLook(msgspec.Struct, frozen=True, kw_only=True):
    """Open-circuit volts after a rest: at, how long it had rested [s], state of charge [%].

    charge_pct None: no table for this chemistry. reason: why there is no rest to show.
    """

    at: int | None = None
    volts_v: float | None = None
    rested_s: int | None = None
    charge_pct: float | None = None
    reason: str = ""


class ChargeLook(msgspec.Struct, frozen=True, kw_only=True):
    """How it is charged. kind: as asked, else as learned; usual_*: of this unit [V].

    fault: low (not charged), over, running_down (no charger: days_left until it may not crank,
    at_most: the interval reaches beyond what was watched). mains_seen: the mains is wired.
    """

    kind: Charger = "unknown"
    asked: Charger = "unknown"
    learned: Charger = "unknown"
    days: int = 0
    usual_low_v: float | None = None
    usual_high_v: float | None = None
    fault: Literal["", "low", "over", "running_down"] = ""
    fault_since: int | None = None
    mains_seen: bool = False
    days_left: float | None = None
    days_left_low: float | None = None
    days_left_high: float | None = None
    reason: str = ""


class CrankLook(msgspec.Struct, frozen=True, kw_only=True):
    """The newest measured start beside the nearest healthy one within 8 C. Volts of the battery.

    limit_v: by the load-test table at temp_c. starts: measured since the battery was fitted;
    below: of the newest three, those under the limit. reason: why nothing is measured or compared.
    like_from: the first start by this battery, device and calibration, from which `below` counts; of
    the like_starts from then on, like_low were under the limit.
    """

    at: int | None = None
    volts_v: float | None = None
    temp_c: float | None = None
    limit_v: float | None = None
    healthy_at: int | None = None
    healthy_v: float | None = None
    healthy_temp_c: float | None = None
    starts: int = 0
    below: int = 0
    like_from: int | None = None
    like_starts: int = 0
    like_low: int = 0
    reason: str = ""


class BatteryTrend(msgspec.Struct, frozen=True, kw_only=True):
    """Change of weekly medians [V a month], temperature taken out, with its 95 % interval.

    crosses_*: when the limit is met (UTC s); None: not within twice the span watched.
    """

    measure: Literal["cranking", "rest"]
    per_month_v: float
    low_v: float
    high_v: float
    falling: bool
    chance: float
    weeks: int
    from_at: int
    to_at: int
    crosses_at: int | None = None
    crosses_from: int | None = None
    crosses_to: int | None = None


class BatterySeen(msgspec.Struct, frozen=True, kw_only=True):
    """The verdict on a starter battery, and the three looks it stands on.

    why: what decided it (failed_cell, charger, over_charge, runs_down, cranking, fallen, trend, rest,
    or the look that is good); by: the looks that were there. since: from when; fitted_at: afresh from
    then. checked: a meter has been on its volts since the device was fitted.
    """

    verdict: Verdict = "not_enough_data"
    why: str = ""
    since: int | None = None
    by: tuple[Look, ...] = ()
    nominal_v: float = 12.0
    chemistry: Chemistry = "flooded"
    fitted_at: int | None = None
    age_days: int | None = None
    volts_v: float | None = None
    volts_at: int | None = None
    usual_low_v: float | None = None
    usual_high_v: float | None = None
    checked: bool = False
    rest: RestLook = RestLook()
    charge: ChargeLook = ChargeLook()
    cranking: CrankLook = CrankLook()
    trend: BatteryTrend | None = None
