"""One day of volts and hertz: a point a run, and the troubles that are waited for, met, ended."""

from __future__ import annotations

import numpy as np

from fleet.model import Series, no_series
from scheduler.rules.supply import circuits, dangers, in_runs, out, settled, standing
from scheduler.rules.supply.day import Day, Delays
from scheduler.rules.supply.leads import on_bus
from scheduler.rules.supply.settled import DEAD_SHARE
from scheduler.rules.supply.supply_record import SupplyCarry, SupplyDay

STANDING_SHARE = 0.5
"""Volts on a standing set: above half of nominal
(docs/engineering/supply.md#volts-on-a-standing-set). Common practice, no source."""
STRAY_SHARE = 0.1
"""Stray volts: from a tenth of nominal on; below, what an open lead picks up. Common practice, no
source."""
UNTOLD_SHARE = 0.2
"""Volts from here on, of a set with no other sign of running, might be volts on a standing set.
Common practice, no source."""


def watch(day: Day, before: SupplyCarry) -> tuple[SupplyDay | None, SupplyCarry]:
    """(what the day says, or None; the open state). The order of delivery does not matter.

    A point a run from its settled samples; the delays of every trouble walked; volts on a standing
    set where a second signal says that it stands, but for volts of a bus that other sets feed.

    Gives: a record in volts [V] and hertz [Hz]. Common practice, no source.
    """
    channel, volts = settled.volts_of(day.plate, dict(day.series), before.system)
    hertz = day.hertz
    if not (len(volts) or len(hertz) or day.over_voltage or day.circuits(filled_forward=False)):
        return None, before
    delays = Delays(dict(before.delays), [])
    turning = standing.turning(
        volts.t, day.series, day.parts, day.standing_s, day.running_s, day.heard is not None
    )
    several, system = dangers.look(day, volts, before.system, delays, told=turning.told)
    found = in_runs.runs(day, volts, hertz, turning, several, delays) if day.runs else ()
    own_side = not on_bus(day.plate, channel)
    if own_side:
        _without_run(day, volts, turning, several, delays)
    live = volts.v >= UNTOLD_SHARE * day.plate.nominal_v
    untold = own_side and not turning.told and bool(live.any())
    carry = SupplyCarry(delays=dict(sorted(delays.open.items())), system=system)
    if not found and not delays.ended and not untold:
        return None, carry
    ended = tuple(sorted(delays.ended, key=lambda s: (s.since, s.kind)))
    return SupplyDay(channel=channel, points=found, ended=ended, untold=untold), carry


def _without_run(
    day: Day,
    volts: Series,
    turning: standing.Turning,
    several: circuits.CircuitVolts | None,
    delays: Delays,
) -> None:
    """Volts on a standing set, stray volts, and an engine that turns without output.

    A charging output alone does not tell that the engine stands while the mains is off: it may have
    failed, and the volts are then the set's.
    """
    if not turning.told or not len(volts):
        return
    plate = day.plate
    share = volts.v / plate.nominal_v
    live = share >= STRAY_SHARE
    mains = settled.at_or_before(day.series.get("mains_v") or no_series(), volts.t, day.standing_s)
    stands = turning.surely | (
        turning.stands & ~(mains < STANDING_SHARE * (day.mains_v or plate.nominal_v))
    )
    stands &= ~standing.after_a_crank(volts.t, live, day.signs)
    t, there = volts.t[stands], share[stands]
    delays.walk("standing", t, there, out.over(STANDING_SHARE))
    delays.walk("stray", t, there, out.over(STRAY_SHARE))
    turns = turning.turns
    if not turns.any() and "no_output" not in delays.open:
        return
    began = turns & ~np.concatenate(([False], turns[:-1]))
    since = volts.t[began][np.cumsum(began)[turns] - 1] if turns.any() else volts.t[turns]
    if several is not None:
        highest = Series(several.t, several.highest)
        share = np.fmax(share, settled.at_or_before(highest, volts.t, day.running_s))
    t, there = volts.t[turns], share[turns]
    ready = t - since >= settled.settle_s(plate, None)
    limits = out.Limits(DEAD_SHARE, np.inf, DEAD_SHARE * 1.02, np.inf)
    delays.walk("no_output", t[ready], there[ready], limits)
