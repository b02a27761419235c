"""Volts and hertz: out of their bands, drifting, where none may be."""

from __future__ import annotations

import numpy as np

from finding_pairs.pair import Pair
from finding_pairs.worlds import Ran, Value, World, mondays, when

LAST = when("2026-11-23 10:00")
THREE = {"phases": "3", "nominal_v": 400.0}
WYE = {"ac_v": 400.0, "ac_l1_v": 231.0, "ac_l2_v": 231.0, "ac_l3_v": 231.0}
LINES = {"ac_v": 400.0, "ac_l12_v": 400.0, "ac_l23_v": 400.0, "ac_l31_v": 400.0}
SPLIT = {"phases": "split", "nominal_v": 240.0, "nominal_hz": 60.0}
LEGS = {"ac_v": 240.0, "ac_l1_v": 120.0, "ac_l2_v": 120.0, "frequency_hz": 60.2, "mains_v": 240.0}
MAINS_240 = {"mains_v": 240.0}


def newest(**values: Value) -> tuple[Ran, ...]:
    """Two healthy exercises, and the newest with other values."""
    return (*mondays(3)[:2], Ran(start=LAST, values=values))


def until(seconds: float, before: float, after: float) -> Value:
    """One value for so many seconds of the run, another from there on."""
    return lambda s: np.where(s < seconds, before, after)


def once(seconds: float, usual: float, odd: float) -> Value:
    """A single report of the run at another value."""
    return lambda s: np.where((s >= seconds) & (s < seconds + 60), odd, usual)


def swinging(width: float) -> Value:
    """Hertz that swing about 50.2 by so much from one report to the next."""
    return lambda s: 50.2 + width / 2 * np.where((s // 60) % 2 == 0, 1.0, -1.0)


def weekly(value: str, last: float, load_kw: float | None = None) -> tuple[Ran, ...]:
    """24 weekly exercises: eight as commissioned, then moving steadily to `last` in its channel."""
    usual = {"ac_v": 231.0, "frequency_hz": 50.2}[value]
    runs = []
    rng = np.random.default_rng(7)
    for n in range(24):
        share = max(0, n - 7) / 16
        noise = rng.normal(0, 0.02)
        values: dict[str, Value] = {value: usual + (last - usual) * share + noise}
        if load_kw is not None:
            values["load_kw"] = 2.0 + load_kw * share
        else:
            values["load_kw"] = 4.0
        runs.append(Ran(start=LAST - 7 * 86_400 * (23 - n), values=values))
    return tuple(runs)


def drooping(last_kw: float) -> tuple[Ran, ...]:
    """24 weekly exercises whose load grows; inside each, hertz follow the load on one droop line."""
    runs = []
    for n in range(24):
        base = 2.0 + last_kw * max(0, n - 7) / 16
        load: Value = lambda s, b=base: b + 1.5 * ((s // 300) % 2)  # noqa: E731
        hertz: Value = lambda s, b=base: 51.2 - 0.1 * (b + 1.5 * ((s // 300) % 2))  # noqa: E731
        runs.append(
            Ran(start=LAST - 7 * 86_400 * (23 - n), values={"load_kw": load, "frequency_hz": hertz})
        )
    return tuple(runs)


def standing_at(volts: float) -> Value:
    """So many volts on its own side for the last hour, while it stands."""
    return lambda d: np.where(d > -1 / 24, volts, 0.0)


PAIRS: tuple[Pair, ...] = (
    Pair(
        "voltage_out",
        World(
            caption="230 V set, no class on its plate: it ran at 205 V on Monday.",
            runs=newest(ac_v=205.0),
        ),
        World(caption="It ran at 208 V: low, and inside its 10 %.", runs=newest(ac_v=208.0)),
    ),
    Pair(
        "frequency_out",
        World(
            caption="50 Hz set, no class on its plate: it ran at 52.4 Hz on Monday.",
            runs=newest(frequency_hz=52.4),
        ),
        World(
            caption="It ran at 52.0 Hz: fast without load, and inside its 4.2 %.",
            runs=newest(frequency_hz=52.0),
        ),
    ),
    Pair(
        "voltage_out",
        World(
            caption="Three phases: the second stood at 258 V all through Monday's run, 12 % over its own.",
            unit=THREE,
            running=WYE,
            runs=newest(ac_l2_v=258.0),
        ),
        World(
            caption="The second phase stood at 250 V, 8 % over its own.",
            unit=THREE,
            running=WYE,
            runs=newest(ac_l2_v=250.0),
        ),
        case="a circuit",
    ),
    Pair(
        "over_voltage",
        World(
            caption="230 V set: the last five minutes of Monday's run read 270 V.",
            runs=newest(ac_v=until(900, 231.0, 270.0)),
        ),
        World(
            caption="A single report reads 270 V, the next 231 V: a large load let go.",
            runs=newest(ac_v=once(600, 231.0, 270.0)),
        ),
    ),
    Pair(
        "over_voltage",
        World(
            caption="230 V set: the last five minutes of Monday's run read 267 V.",
            runs=newest(ac_v=until(900, 231.0, 267.0)),
        ),
        World(
            caption="They read 262 V: out of its band, and not yet what destroys.",
            others=frozenset({"voltage_out"}),
            runs=newest(ac_v=until(900, 231.0, 262.0)),
        ),
        case="just over",
    ),
    Pair(
        "open_neutral",
        World(
            caption="120/240 V set: one leg at 136 V and the other at 104 V, the two together at 240 V.",
            unit=SPLIT,
            standing=MAINS_240,
            running=LEGS,
            runs=newest(ac_l1_v=136.0, ac_l2_v=104.0),
        ),
        World(
            caption="One leg at 131 V and the other at 106 V: unevenly loaded, its neutral whole.",
            unit=SPLIT,
            standing=MAINS_240,
            running=LEGS,
            runs=newest(ac_l1_v=131.0, ac_l2_v=106.0),
        ),
    ),
    Pair(
        "leg_out",
        World(
            caption="Three phases: the second gave 231 V until Monday, and reads 3 V since then.",
            unit=THREE,
            running=WYE,
            runs=newest(ac_l2_v=3.0),
        ),
        World(
            caption="The second phase sags to 190 V, 82 % of its own nominal.",
            unit=THREE,
            running=WYE,
            runs=newest(ac_l2_v=190.0),
        ),
    ),
    Pair(
        "leg_out",
        World(
            caption="The second phase gave 170 V of 231 V all through Monday's run.",
            unit=THREE,
            running=WYE,
            runs=newest(ac_l2_v=170.0),
        ),
        World(
            caption="It reads 170 V once, and 231 V again a minute later: a motor started.",
            unit=THREE,
            running=WYE,
            runs=newest(ac_l2_v=once(600, 231.0, 170.0)),
        ),
        case="low",
    ),
    Pair(
        "leg_out",
        World(
            caption="The second phase has read 0 V in every run there ever was.",
            unit=THREE,
            running=WYE | {"ac_l2_v": 0.0},
        ),
        World(
            caption="The second phase has never been wired to the device.",
            unit=THREE,
            running=WYE | {"ac_l2_v": 0.0},
            lost=("ac_l2_v",),
        ),
        case="never seen",
    ),
    Pair(
        "no_output",
        World(
            caption="Its engine turned for 20 min on Monday and gave 4 V.",
            runs=newest(ac_v=4.0),
        ),
        World(
            caption="It gave 4 V in the first report and 231 V from the next on: it was building up.",
            runs=newest(ac_v=until(30, 4.0, 231.0)),
        ),
    ),
    Pair(
        "volts_standing",
        World(
            caption="For an hour its own side has read 228 V while the engine stands.",
            standing={"ac_v": standing_at(228.0)},
        ),
        World(
            caption="It reads 100 V, under half of nominal: worth a look, and no supply.",
            others=frozenset({"stray_volts"}),
            standing={"ac_v": standing_at(100.0)},
        ),
    ),
    Pair(
        "stray_volts",
        World(
            caption="Standing, it reads 30 V on its own side.",
            standing={"ac_v": standing_at(30.0)},
        ),
        World(
            caption="Standing, it reads 20 V: what an open lead picks up.",
            standing={"ac_v": standing_at(20.0)},
        ),
    ),
    Pair(
        "voltage_drift",
        World(
            caption="Over 16 weekly runs its volts climb from 231 to 244 V.",
            days=165,
            runs=weekly("ac_v", 244.0),
        ),
        World(
            caption="They climb from 231 to 233 V.",
            days=165,
            runs=weekly("ac_v", 233.0),
        ),
    ),
    Pair(
        "frequency_drift",
        World(
            caption="Over 16 weekly runs at one load its hertz fall from 50.2 to 48.9.",
            days=165,
            runs=weekly("frequency_hz", 48.9),
        ),
        World(
            caption="Its hertz fall as far while its load grows, along the droop it has always had.",
            days=165,
            runs=drooping(12.0),
        ),
    ),
    Pair(
        "hunting",
        World(
            caption="In its last two runs its hertz swing by 2.4 Hz from one report to the next.",
            runs=(
                mondays(3)[0],
                *(
                    Ran(start=LAST - 604_800 * n, values={"frequency_hz": swinging(2.4)})
                    for n in (1, 0)
                ),
            ),
        ),
        World(
            caption="They swing so in the newest run only: the runs before were steady.",
            runs=newest(frequency_hz=swinging(2.4)),
        ),
    ),
    Pair(
        "unbalance",
        World(
            caption="Three phases line to line, 400, 400 and 375 V in the last two runs.",
            unit=THREE,
            running=LINES,
            runs=(
                mondays(3)[0],
                *(Ran(start=LAST - 604_800 * n, values={"ac_l31_v": 375.0}) for n in (1, 0)),
            ),
        ),
        World(
            caption="400, 400 and 385 V: uneven, and under 3 %.",
            unit=THREE,
            running=LINES,
            runs=(
                mondays(3)[0],
                *(Ran(start=LAST - 604_800 * n, values={"ac_l31_v": 385.0}) for n in (1, 0)),
            ),
        ),
    ),
    Pair(
        "wrong_nominal",
        World(
            caption="The register says 230 V; each of its runs gave 400 V.",
            running={"ac_v": 400.0},
        ),
        World(
            caption="The register says 230 V; each of its runs gave 240 V, which is inside its band.",
            running={"ac_v": 240.0},
        ),
        part="volts",
    ),
    Pair(
        "wrong_nominal",
        World(
            caption="The register says 60 Hz; each of its runs was at 50.2.",
            unit={"nominal_hz": 60.0},
        ),
        World(
            caption="The register says 60 Hz; each of its runs was at 57.8: a slow governor.",
            unit={"nominal_hz": 60.0},
            running={"frequency_hz": 57.8},
        ),
        part="hertz",
    ),
    Pair(
        "wrong_nominal",
        World(
            caption="The register says a battery of 12 V; its device has read 27.2 V every day.",
            standing={"battery_v": 27.2},
            running={"battery_v": 28.4},
        ),
        World(caption="The register says 12 V, and it reads 13.6 V."),
        part="battery",
    ),
)
