"""The starter battery and its charger."""

from __future__ import annotations

import numpy as np

from finding_pairs.pair import Pair
from finding_pairs.worlds import Floats, Ran, Value, World, mondays, record, when

NEWEST = when("2026-11-23 10:00")


def then(days_ago: float, before: float, after: float) -> Value:
    """One voltage until so many days ago, another from there on."""
    return lambda d: np.where(d < -days_ago, before, after)


def sinking(last: float) -> Value:
    """13.6 V until Thursday night, 12.5 V until Saturday night, so many volts since."""
    return lambda d: np.where(d < -4.5, 13.6, np.where(d < -2.5, 12.5, last))


def on_and_off(d: Floats) -> Floats:
    """Two hours up to 13.9 V, then 26 h at rest, down to 12.75 V."""
    phase = (d * 24) % 28
    return np.where(phase < 2, 12.8 + 0.55 * phase, 12.75 + 1.1 * np.exp(-(phase - 2) / 1.5))


def cranked(*newest_first: float) -> tuple[Ran, ...]:
    """Weekly starts, each with the battery's lowest volts; newest first, then 10.6 V."""
    given = list(newest_first)
    return tuple(
        Ran(start=NEWEST - 7 * 86_400 * n, crank_v=given[n] if n < len(given) else 10.6)
        for n in reversed(range(8))
    )


PAIRS: tuple[Pair, ...] = (
    Pair(
        "battery_failed_cell",
        World(
            caption="Since Saturday night it stands at 11.3 V; Monday's run lifts it to 14.2 V and it falls "
            "straight back.",
            standing={"battery_v": sinking(11.3)},
        ),
        World(
            caption="Since Saturday night it stands at 12.4 V, after Monday's run too: no cell has gone, "
            "its charger has.",
            others=frozenset({"charger_fault"}),
            standing={"battery_v": sinking(12.4)},
        ),
    ),
    Pair(
        "battery_failed_cell",
        World(
            caption="Without a run it falls from 13.6 to 11.5 V overnight.",
            unit={"exercise": ""},
            runs=(),
            standing={"battery_v": then(4.5, 13.6, 11.5)},
        ),
        World(
            caption="Without a run it falls from 13.5 to 11.7 V overnight: a lost charger on an old "
            "battery.",
            others=frozenset({"charger_fault"}),
            unit={"exercise": ""},
            runs=(),
            standing={"battery_v": then(4.5, 13.5, 11.7)},
        ),
        case="overnight",
    ),
    Pair(
        "charger_fault",
        World(
            caption="A battery that floats at 13.6 V has stood at 12.8 V since Thursday night, with "
            "the mains on.",
            unit={"charger": "unknown"},
            standing={"battery_v": then(4.5, 13.6, 12.8)},
        ),
        World(
            caption="It stands at 12.75 V for 26 h between two charges: its charger works two hours in "
            "28.",
            unit={"charger": "unknown"},
            standing={"battery_v": on_and_off},
        ),
    ),
    Pair(
        "battery_failed_cell",
        World(
            caption="Without a run it falls from 13.9 to 11.75 V overnight.",
            unit={"exercise": ""},
            runs=(),
            standing={"battery_v": then(4.5, 13.9, 11.75)},
        ),
        World(
            caption="It falls as far, from 14.2 to 12.05 V: what a charged battery rests at.",
            others=frozenset({"charger_fault"}),
            unit={"exercise": ""},
            runs=(),
            standing={"battery_v": then(4.5, 14.2, 12.05)},
        ),
        case="just under",
    ),
    Pair(
        "charger_fault",
        World(
            caption="12.9 V since Thursday night on a float charger, with the mains on.",
            unit={"charger": "float"},
            standing={"battery_v": then(4.5, 13.6, 12.9)},
        ),
        World(
            caption="13.15 V since Thursday night: a charger that holds it low, and holds it.",
            unit={"charger": "float"},
            standing={"battery_v": then(4.5, 13.6, 13.15)},
        ),
        case="just under",
    ),
    Pair(
        "charger_fault",
        World(
            caption="12.8 V for 30 h on a float charger, with the mains on, and no run.",
            unit={"charger": "float", "exercise": ""},
            runs=(),
            standing={"battery_v": then(30 / 24, 13.6, 12.8)},
        ),
        World(
            caption="12.8 V for 20 h: a charger may rest for a night.",
            unit={"charger": "float", "exercise": ""},
            runs=(),
            standing={"battery_v": then(20 / 24, 13.6, 12.8)},
        ),
        case="a day long",
    ),
    Pair(
        "charger_fault",
        World(
            caption="12.8 V since Thursday night on a float charger; the mains is not wired to the device.",
            unit={"charger": "float"},
            lost=("mains_v",),
            standing={"battery_v": then(4.5, 13.6, 12.8)},
        ),
        World(
            caption="12.8 V since Thursday night on a solar panel: a panel gets a week of clouds.",
            unit={"charger": "solar"},
            lost=("mains_v",),
            standing={"battery_v": then(4.5, 13.6, 12.8)},
        ),
        case="mains not seen",
    ),
    Pair(
        "over_charge",
        World(
            caption="15.3 V for 14 h in air of 25 °C.",
            standing={"battery_v": then(14 / 24, 13.6, 15.3), "ambient_temp_c": 25.0},
        ),
        World(
            caption="The same 15.3 V in air of 0 °C: a charger that follows the cold goes that high.",
            standing={"battery_v": then(14 / 24, 13.6, 15.3), "ambient_temp_c": 0.0},
        ),
    ),
    Pair(
        "over_charge",
        World(
            caption="15.1 V for 14 h in air of 25 °C.",
            standing={"battery_v": then(14 / 24, 13.6, 15.1), "ambient_temp_c": 25.0},
        ),
        World(
            caption="14.85 V for 14 h in air of 25 °C: high, and what a charger may give while it equalises.",
            standing={"battery_v": then(14 / 24, 13.6, 14.85), "ambient_temp_c": 25.0},
        ),
        case="just over",
    ),
    Pair(
        "battery_runs_down",
        World(
            caption="No charger: between its weekly runs it sags by 14 mV a day, and at rest stands at "
            "12.15 V after five weeks.",
            unit={"charger": "none"},
            days=36,
            runs=mondays(6),
            standing={"battery_v": lambda d: 12.15 - 0.014 * d},
        ),
        World(
            caption="No charger either: it sags by 2 mV a day, and each weekly run lifts it to 12.62 V "
            "again.",
            unit={"charger": "none"},
            days=36,
            runs=mondays(6),
            standing={"battery_v": lambda d: 12.62 - 0.002 * ((d + 1.08) % 7)},
        ),
    ),
    Pair(
        "battery_runs_down",
        World(
            caption="The same sag of 14 mV a day, but it stands at 12.25 V: two weeks are left.",
            unit={"charger": "none"},
            days=36,
            runs=mondays(6),
            standing={"battery_v": lambda d: 12.25 - 0.014 * d},
        ),
        World(
            caption="The same sag, and it stands at 12.5 V: a month is left.",
            unit={"charger": "none"},
            days=36,
            runs=mondays(6),
            standing={"battery_v": lambda d: 12.5 - 0.014 * d},
        ),
        case="in two weeks",
    ),
    Pair(
        "battery_weak",
        World(
            caption="Its last two starts took it down to 9.1 and 9.0 V at 8 °C; eight weeks ago it held 10.6 V.",
            days=57,
            runs=cranked(9.0, 9.1),
        ),
        World(
            caption="The same two at -16 °C: under the limit at 8 °C, over the one for that cold.",
            days=57,
            standing={"ambient_temp_c": then(9, 8.0, -16.0)},
            runs=cranked(9.0, 9.1),
        ),
    ),
    Pair(
        "battery_weak",
        World(
            caption="Its last three starts took it down to 9.8 V at 8 °C, 0.8 V lower than it was.",
            days=57,
            runs=cranked(9.8, 9.8, 9.8),
        ),
        World(
            caption="Its last three starts took it down to 10.0 V, 0.6 V lower than it was.",
            days=57,
            runs=cranked(10.0, 10.0, 10.0),
        ),
        case="watch",
    ),
    Pair(
        "battery_old",
        World(
            caption="The register has its battery fitted in October 2021, 61 months ago.",
            unit={"battery_fitted": "2021-10-11"},
        ),
        World(
            caption="The register still says 2021, but its change is on record from last March.",
            unit={"battery_fitted": "2021-10-11"},
            records=(record("part_changed", when("2026-03-03 11:00"), part="battery"),),
        ),
    ),
    Pair(
        "battery_old",
        World(
            caption="The register has its battery fitted in October 2021, 61 months ago.",
            unit={"battery_fitted": "2021-10-11"},
        ),
        World(
            caption="It was fitted in January 2022, 58 months ago.",
            unit={"battery_fitted": "2022-01-10"},
        ),
        case="by its months",
    ),
)
