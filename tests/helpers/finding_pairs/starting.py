"""Starting, and what keeps a set from it."""

from __future__ import annotations

import numpy as np

from finding_pairs.pair import Pair
from finding_pairs.worlds import (
    NOW,
    Floats,
    Ran,
    World,
    ago,
    event,
    mondays,
    record,
    when,
)

INF = float("inf")
DARK = {"mains_v": lambda d: np.where(d > -2 / 24, 0.0, 233.0)}
"""The mains is gone for two hours."""
DAILY = {"exercise": "DTSTART:20260105T100000\nRRULE:FREQ=DAILY"}
LOST = ago(hours=2)


def daily(days: int, failed: tuple[int, ...] = (), **rows: dict[int, float]) -> tuple[Ran, ...]:
    """An exercise each morning at 10:00, the newest today; failed, rows: by days ago."""
    newest = when("2026-11-24 10:00")
    return tuple(
        Ran(
            start=newest - 86_400 * n,
            failed=n in failed,
            attempts=3 if n in failed else 1,
            crank_v=9.8 if n in failed else 10.6,
            crank_s=rows["crank_s"][n] if rows else 1.2,
        )
        for n in reversed(range(days))
    )


def harder(n: int) -> float:
    """Crank seconds n days ago, creeping up from 1.2 to 2.6 s."""
    return float(round(1.2 + 1.4 * (59 - n) / 59 + 0.05 * np.sin(n), 2))


def colder(d: Floats) -> Floats:
    """The engine before its start, which fell by 24 °C over the same weeks."""
    return 16.0 - 24.0 * (d + 60) / 60


PAIRS = (
    Pair(
        "failed_start",
        World(
            caption="The mains goes at 10:00; it cranks three times, the engine never fires, and "
            "the device says so.",
            others=frozenset({"mains_lost"}),
            standing=DARK,
            runs=(*mondays(), Ran(start=LOST + 15, failed=True, attempts=3, crank_v=9.4)),
        ),
        World(
            caption="The same three cranks, but the third one catches: it has run since.",
            others=frozenset({"mains_lost"}),
            standing=DARK,
            runs=(*mondays(), Ran(start=LOST + 45, minutes=INF, attempts=3, crank_v=9.4)),
        ),
    ),
    Pair(
        "not_in_auto",
        World(
            caption="70 s ago its device said that the panel switch was turned out of automatic.",
            lost=("in_auto",),
            events=(event("not_in_auto", NOW - 70),),
        ),
        World(
            caption="It said so 50 s ago: a switch on its way through gets a minute.",
            lost=("in_auto",),
            events=(event("not_in_auto", NOW - 50),),
        ),
    ),
    Pair(
        "starts_unreliable",
        World(
            caption="Exercised each morning; 3 of its last 20 demands failed, the newest of them "
            "four days ago.",
            unit=DAILY,
            days=25,
            runs=daily(25, failed=(17, 9, 4)),
        ),
        World(
            caption="As many failures, but seven starts in a row have been good since the last.",
            unit=DAILY,
            days=25,
            runs=daily(25, failed=(17, 9, 7)),
        ),
    ),
    Pair(
        "starts_unreliable",
        World(
            caption="8 of its last 20 demands failed: no set that starts nineteen times in twenty does "
            "that by chance.",
            unit=DAILY,
            days=25,
            runs=daily(25, failed=(18, 16, 13, 11, 9, 6, 4, 2)),
        ),
        World(
            caption="2 of its last 20 failed, the newest two days ago.",
            unit=DAILY,
            days=25,
            runs=daily(25, failed=(11, 2)),
        ),
        case="proven",
    ),
    Pair(
        "harder_starting",
        World(
            caption="Over sixty mornings with the engine at 8 °C the starter's time creeps up from 1.2 to 2.6 s.",
            unit=DAILY,
            days=60,
            standing={"engine_temp_c": 8.0},
            runs=daily(60, crank_s={n: harder(n) for n in range(60)}),
        ),
        World(
            caption="The same creep while the cold engine falls from 16 to -8 °C: the cold explains it.",
            unit=DAILY,
            days=60,
            standing={"engine_temp_c": colder},
            runs=daily(60, crank_s={n: harder(n) for n in range(60)}),
        ),
    ),
    Pair(
        "shut_down",
        World(
            caption="It shuts itself down on low oil pressure in Monday's exercise; nobody was there "
            "since.",
            others=frozenset({"exercise_short"}),
            runs=(*mondays(3)[:2], Ran(start=when("2026-11-23 10:00"), minutes=9)),
            events=(event("shutdown", when("2026-11-23 10:09"), "low oil pressure"),),
        ),
        World(
            caption="The same shutdown, and a technician's visit recorded that afternoon.",
            others=frozenset({"exercise_short"}),
            runs=(*mondays(3)[:2], Ran(start=when("2026-11-23 10:00"), minutes=9)),
            events=(event("shutdown", when("2026-11-23 10:09"), "low oil pressure"),),
            records=(record("visit", when("2026-11-23 15:30")),),
        ),
    ),
)
