"""The device, its clock and its card; the hour meter."""

from __future__ import annotations

import numpy as np

from finding_pairs.pair import Pair
from finding_pairs.worlds import Floats, Ran, Shown, World, ago, mondays, when

MONTH = 12 * 2026 + 10
"""November 2026 as ingest counts months."""
LONG = tuple(Ran(start=when(f"2026-11-{day} 08:00"), minutes=300) for day in ("04", "11", "18"))
"""Three days on which it carried the house for five hours."""


def fell_for_good(t: Floats, ran: Floats) -> Floats:
    return np.where(t < ago(days=2), 412.0, 0.4) + 0 * ran


def fell_once(t: Floats, ran: Floats) -> Floats:
    return np.where(np.abs(t - ago(days=2)) < 450, 0.4, 412.0) + 0 * ran


def four_digits(first_h: float) -> Shown:
    """A four-digit meter that showed so much three weeks ago and begins again at 10,000 h."""
    return lambda t, ran: (first_h + ran) % 10_000 + 0 * t


def running_behind(share: float) -> Shown:
    """A meter that gains so much less than the engine runs."""
    return lambda t, ran: 412.0 + ran * (1 - share)


def with_the_key(t: Floats, ran: Floats) -> Floats:
    """A meter fed by the ignition, which is on day and night in automatic."""
    return 412.0 + (t - ago(days=22)) / 3600 + 0 * ran


def gained_unheard(t: Floats, ran: Floats) -> Floats:
    """Two hours more after a night without a word."""
    return 412.0 + ran + np.where(t >= ago(days=3), 2.0, 0.0)


def hours_and_minutes(t: Floats, ran: Floats) -> Floats:
    """A meter whose two decimals are minutes."""
    minutes = np.floor((412.0 + ran) * 60 + 1e-6)
    return np.floor(minutes / 60) + (minutes % 60) / 100 + 0 * t


PAIRS: tuple[Pair, ...] = (
    Pair(
        "not_reporting",
        World(caption="Nothing for 46 min of a device due each 15.", heard_to=ago(minutes=46)),
        World(caption="Nothing for 44 min: two reports missed.", heard_to=ago(minutes=44)),
    ),
    Pair(
        "sim_ending",
        World(caption="Its data card ends in 30 days.", unit={"sim_ends": "2026-12-24"}),
        World(caption="Its data card ends in 31 days.", unit={"sim_ends": "2026-12-25"}),
    ),
    Pair(
        "sim_ending",
        World(caption="Its data card ends in 7 days.", unit={"sim_ends": "2026-12-01"}),
        World(
            caption="It was renewed for a year, and the register has the new day.",
            unit={"sim_ends": "2027-12-01"},
        ),
        case="near",
    ),
    Pair(
        "data_budget",
        World(
            caption="8.1 of the 10 MB agreed for November have come in.",
            unit={"data_mb_month": 10.0},
            pulse={"month": MONTH, "month_b": 8_100_000},
        ),
        World(
            caption="9.9 MB have come in, all of it in October.",
            unit={"data_mb_month": 10.0},
            pulse={"month": MONTH - 1, "month_b": 9_900_000},
        ),
    ),
    Pair(
        "data_budget",
        World(
            caption="8.1 of the 10 MB agreed for November have come in.",
            unit={"data_mb_month": 10.0},
            pulse={"month": MONTH, "month_b": 8_100_000},
        ),
        World(
            caption="7.8 of the 10 MB have come in.",
            unit={"data_mb_month": 10.0},
            pulse={"month": MONTH, "month_b": 7_800_000},
        ),
        case="just under",
    ),
    Pair(
        "meter_reset",
        World(
            caption="The hour meter falls from 412 to 0.4 h and counts on from there.",
            meter_h=fell_for_good,
        ),
        World(caption="A single report shows 0.4 h, the next 412 h again.", meter_h=fell_once),
    ),
    Pair(
        "meter_rolled_over",
        World(
            caption="A four-digit meter went past 9,999.9 h in Monday's exercise and shows 0.1.",
            unit={"hour_meter_digits": 4, "engine_hours": None, "engine_hours_at": None},
            days=44,
            runs=mondays(7),
            meter_h=four_digits(9997.8),
        ),
        World(
            caption="The same, five weeks ago: by now everybody has read it.",
            unit={"hour_meter_digits": 4, "engine_hours": None, "engine_hours_at": None},
            days=44,
            runs=mondays(7),
            meter_h=four_digits(9999.5),
        ),
    ),
    Pair(
        "meter_disagrees",
        World(
            caption="In a month with 15 h of running its meter gained 12 % less.",
            runs=LONG,
            unit={"exercise": ""},
            meter_h=running_behind(0.12),
        ),
        World(
            caption="Its meter gained 6 % less: under an hour, a coarse clock.",
            runs=LONG,
            unit={"exercise": ""},
            meter_h=running_behind(0.06),
        ),
    ),
    Pair(
        "hour_format_asked",
        World(
            caption="From 412.59 its hour meter leaps to 413.00, in three days with five hours of running each.",
            runs=LONG,
            unit={"exercise": ""},
            meter_h=hours_and_minutes,
        ),
        World(
            caption="The same running on a meter that counts hundredths.",
            runs=LONG,
            unit={"exercise": ""},
        ),
    ),
    Pair(
        "uses_integrated_hours",
        World(
            caption="Its meter is fed by the key and counts day and night, while the engine is seen to stand.",
            silent=((ago(days=3.6), ago(days=3)),),
            meter_h=with_the_key,
        ),
        World(
            caption="Its meter has gained two hours after a night in which nothing was heard of it.",
            silent=((ago(days=3.6), ago(days=3)),),
            meter_h=gained_unheard,
        ),
    ),
)
