"""The verdict on a starter battery, of its three looks, its charger and its trend."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import msgspec

from fleet.model import Charger
from scheduler.rules.battery.battery_day import AfterRun
from scheduler.rules.battery.charger import DayVolts
from scheduler.rules.battery.state import BatterySeen, Look, Verdict
from scheduler.rules.battery.tables import CLEAR_V, LOW_V

FAILED_V, FELL_TO_V, WELL_V = 11.65, 11.85, 12.4
"""With a charger on or just run no battery of six good cells stands lower: the open-circuit table
ends at 11.89 V, and a run of minutes may leave a flat one there. About 2 V under the table
(docs/engineering/battery.md#failed-cell); these edges are common practice, no source."""
LOST_CHARGER_V = 2.0
"""A lost charger takes 1.2 to 2 V (docs/engineering/battery.md#failed-cell): a failed cell is said
of a greater fall only. Common practice, no source."""
STEP_V, STEP_DAYS = 1.5, 2
"""Fallen by so much within so many days, where no charger was on before. Common practice, no
source."""
CHARGED_BY_RUN_V = 0.5
"""A run that lifts a battery by so much has charged it. Common practice, no source."""
FRESH_S = 60 * 86_400
"""A look older than this says nothing of now. Common practice, no source."""
STARTED_S = 35 * 86_400
"""A start so long ago still tells of the battery: as the proof of readiness. Common practice, no
source."""
FULL_PCT, HALF_PCT = 75.0, 50.0
"""Rested at three quarters or more is good, under a half is a reason to look. Common practice, no
source."""
CHARGERS: frozenset[Charger] = frozenset({"float", "on_off", "boost", "solar"})


class Failed(msgspec.Struct, frozen=True, kw_only=True):
    """A cell seems to have failed: since when, by what, volts before and after (per 12 V)."""

    since: int
    by: Literal["after_run", "step"]
    before_v: float
    after_v: float


def failed_cell(
    days: Sequence[DayVolts], run: AfterRun | None, by: float, lead: bool = True
) -> Failed | None:
    """Whether a cell has failed, a lost charger ruled out. days: newest last, in one stretch of
    calibration; run: the newest long run with volts after it; by: 2 for 24 V.

    Just run: the run lifted it by half a volt and yet it stands too low after. On charge, or
    resting: too low from one day to the next, by more than a lost charger takes.

    Gives: a record, or none. Common practice, no source.
    """
    if not lead:
        return None
    after = None if run is None else _after_run(days, run, by)
    if after is not None:
        return after
    low = [n for n, one in enumerate(days) if one.mid_v > FELL_TO_V + CLEAR_V]
    last = low[-1] if low else -1
    if last < 0 or last == len(days) - 1 or days[last + 1].mid_v > FELL_TO_V:
        return None
    before, fell = days[last], days[last + 1]
    drop = before.mid_v - fell.mid_v
    needed = LOST_CHARGER_V if before.mid_v >= LOW_V else STEP_V
    if fell.day - before.day > STEP_DAYS or drop <= needed:
        return None
    return Failed(since=fell.day * 86_400, by="step", before_v=before.mid_v, after_v=fell.mid_v)


def _after_run(days: Sequence[DayVolts], run: AfterRun, by: float) -> Failed | None:
    """Lifted by its newest long run and yet too low after it, and not seen well since."""
    if run.run_v is None or run.v / by > FAILED_V or (run.run_v - run.v) / by < CHARGED_BY_RUN_V:
        return None
    if days and days[-1].day * 86_400 > run.end and days[-1].mid_v >= WELL_V:
        return None
    return Failed(since=run.end, by="after_run", before_v=run.run_v / by, after_v=run.v / by)


def decide(
    seen: BatterySeen, worn: str, failed: Failed | None, started_at: int | None, now: int
) -> BatterySeen:
    """The verdict, the first that applies: replace for a failed cell, charger fault, replace,
    watch, good, not enough data. started_at: newest start demand that was answered.

    Gives: the record with its verdict, a word. Common practice, no source.
    """
    looks = _looks(seen, worn, started_at, now)
    word, why, since = _against(seen, worn, failed)
    if not word:
        word, why, since = _for(seen, looks)
    return msgspec.structs.replace(seen, verdict=word, why=why, since=since, by=looks)


def _against(
    seen: BatterySeen, worn: str, failed: Failed | None
) -> tuple[Verdict | Literal[""], str, int | None]:
    charge, crank, trend = seen.charge, seen.cranking, seen.trend
    if failed is not None:
        return "replace", "failed_cell", failed.since
    if charge.fault == "low":
        return "charger_fault", "charger", charge.fault_since
    if charge.fault == "over":
        return "charger_fault", "over_charge", charge.fault_since
    if worn == "cranking":
        return "replace", "cranking", crank.at
    if worn in ("fallen", "low"):
        return "watch", worn, crank.at
    if trend is not None and trend.falling and trend.crosses_at is not None:
        return "watch", "trend", trend.to_at
    if charge.fault == "running_down":
        return "watch", "runs_down", charge.fault_since
    if seen.rest.charge_pct is not None and seen.rest.charge_pct < HALF_PCT:
        return "watch", "rest", seen.rest.at
    return "", "", None


def _for(seen: BatterySeen, looks: Sequence[Look]) -> tuple[Verdict, str, int | None]:
    if "cranking" in looks:
        return "good", "cranking", seen.cranking.at
    if "rest" in looks and (seen.rest.charge_pct or 0.0) >= FULL_PCT:
        return "good", "rest", seen.rest.at
    if "start" in looks and ("charge" in looks or "rest" in looks):
        return "good", "start", None
    return "not_enough_data", "", None


def _looks(seen: BatterySeen, worn: str, started_at: int | None, now: int) -> tuple[Look, ...]:
    """The looks that are there and say nothing against it."""
    found: list[Look] = []
    if (
        seen.rest.at is not None
        and now - seen.rest.at <= FRESH_S
        and seen.rest.charge_pct is not None
    ):
        found.append("rest")
    if seen.charge.kind in CHARGERS and not seen.charge.fault and seen.charge.days:
        found.append("charge")
    crank = seen.cranking
    known = crank.temp_c is not None or crank.healthy_at is not None
    if crank.at is not None and now - crank.at <= FRESH_S and known and not worn:
        found.append("cranking")
    if started_at is not None and now - started_at <= STARTED_S:
        found.append("start")
    return tuple(found)
