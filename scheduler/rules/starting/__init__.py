"""Start demands: what asked the set to start, how often it tried, and how that ended.

Evidence of attempts: the `start_attempts` counter (rises between two readings), `crank` events,
and crank readings (`crank_min_v`, `crank_s`). Attempts within one cranking cycle are one demand.
Where the counter speaks it gives the number; events and crank readings then only add volts and
seconds. How a demand ends (docs/engineering/starting.md#how-a-demand-ends):

started   attempts, and a run that may have begun within the cranking cycle of the last of them
          (or a `started` event with a run, where nothing else reports attempts: at least one)
failed    a `failed_to_start` event; or attempts, no run, and proof that none was missed: an off
          point after the cycle, and no stretch on the way that could hide a run, or an hour
          meter of 0.1 h or finer that did not move
by_hand   a run with the panel switch out of automatic; or a run that no attempt began, where
          this fitting reports attempts and the lack of one was seen (for a counter: a reading
          before the start and one a minute after it, or after the end, without a rise)
not_seen  a run where this fitting does not report attempts
unknown   a gap, or a habit too coarse to say: a run shorter than the reports are apart could
          have been missed

A stretch between two off points hides a run when it is a longer gap than allowed; else, since a
running set reports at its running habit, when that habit is longer than MISSABLE_RUN_S. An
on-change device hides nothing while it is heard of. If the meter moved over a stretch that hides
a run, the engine did run: `started`, without a run to point at.

Nothing here knows `now`. A demand without an answer is handed over the end of the day, with the
time (`look_again_at`) at which its cranking cycle is over.
"""

from scheduler.rules.starting.demand import (
    CYCLES,
    LAG_S,
    LARGE,
    METER_PROVES_H,
    MISSABLE_RUN_S,
    SMALL,
    Begun,
    CrankingCycle,
    Found,
    OpenDemand,
    StartsCarry,
    Told,
    Watched,
)
from scheduler.rules.starting.ending import as_seen
from scheduler.rules.starting.finding import find

__all__ = [
    "CYCLES",
    "LAG_S",
    "LARGE",
    "METER_PROVES_H",
    "MISSABLE_RUN_S",
    "SMALL",
    "Begun",
    "CrankingCycle",
    "Found",
    "OpenDemand",
    "StartsCarry",
    "Told",
    "Watched",
    "as_seen",
    "find",
]
