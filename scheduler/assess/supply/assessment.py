"""What is known of a unit's volts and hertz, and what is wrong with them."""

from __future__ import annotations

from collections.abc import Sequence

from fleet.model import Finding, Run
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess import epochs
from scheduler.assess.condition import Now
from scheduler.assess.supply.basis import Basis, still_open
from scheduler.assess.supply.findings import findings
from scheduler.assess.supply.measured import measured
from scheduler.assess.supply.quantity import history_of, wrong_hertz, wrong_volts
from scheduler.day import Day, plate_of
from scheduler.rules import supply
from scheduler.rules.supply import RunPoint, SupplySeen

MEASURED_RUNS = 5
"""So many of the newest runs say which circuits are read. Common practice, no source."""


def look(
    inputs: UnitInputs,
    days: Sequence[Day],
    runs: Sequence[Run],
    at: Now,
    points: tuple[RunPoint, ...],
) -> tuple[SupplySeen, tuple[Finding, ...]]:
    """What is known of the unit's volts and hertz, and what is wrong with them.

    days: stored days, rising; runs: with the agreed exercise joined (`why`);
    points: one a run.
    """
    plate = plate_of(inputs.unit)
    channel = next((d.supply.channel for d in reversed(days) if d.supply and d.supply.channel), "")
    lead = supply.lead_of(plate, channel)
    volts = history_of("volts", lead, supply.volts_band(plate), inputs, points, at.now)
    hertz = history_of("hertz", "frequency_hz", supply.hertz_band(plate), inputs, points, at.now)
    variant = days[-1].carry.supply.system if days else ""
    outages = {run.start for run in runs if run.why == "outage"}
    delays = still_open(inputs, days, volts.channel, at.now)
    seen = SupplySeen(
        volts=measured(volts, plate, outages, "volts" in delays),
        hertz=measured(hertz, plate, outages, "hertz" in delays),
        out_at_last_run=bool(delays.keys() & {"volts", "hertz"}),
        unbalance_pct=next(
            (p.unbalance_pct for p in reversed(points) if p.unbalance_pct is not None), None
        ),
        standing_untold=any(d.supply.untold for d in days[-14:] if d.supply),
        wrong_volts=wrong_volts(volts),
        wrong_hertz=wrong_hertz(hertz, plate),
        connection=supply.connection(plate, variant, _measured(points, channel)),
    )
    basis = Basis(
        inputs,
        plate,
        seen,
        volts,
        hertz,
        epochs.fitted_from(inputs, at.now),
        points,
        delays,
        at.now,
        at.aside.condition if at.aside else "",
        system=variant,
    )
    return seen, findings(basis)


def _measured(points: Sequence[RunPoint], channel: str) -> frozenset[str]:
    """The circuits that its newest runs read, by the channel each is named after."""
    newest = points[-MEASURED_RUNS:]
    return frozenset({c.channel for p in newest for c in p.circuits} | ({channel} - {""}))
