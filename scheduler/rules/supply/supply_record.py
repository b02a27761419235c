"""The nouns of volts and hertz: the plate they are judged by, what a day saw, what is open."""

from __future__ import annotations

from typing import Literal

import msgspec

from fleet.model import Phases, System

Quantity = Literal["volts", "hertz"]
Trouble = Literal[
    "volts",
    "hertz",
    "over_voltage",
    "high",
    "open_neutral",
    "circuit",
    "no_output",
    "standing",
    "stray",
]
"""What has an on-delay and an off-delay. A circuit over its limit is one of these; high: over what
equipment stands for good, and under over-voltage."""


class Plate(msgspec.Struct, frozen=True, kw_only=True):
    """What volts and hertz of one set are held to.

    nominal_v: between the two conductors `ac_v` is read at [V]. small: one or two cylinders.
    volts_pct, hertz_pct: the installer's own bands, percent each way (None: by class). system: how
    it is connected, as declared; line_v: line to line then [V]; senses: leads that read another
    circuit than their channel says; bus: it may run on a bus with other sets.
    """

    nominal_v: float
    nominal_hz: float
    phases: Phases = "1"
    system: System | Literal[""] = ""
    line_v: float | None = None
    senses: tuple[tuple[str, str], ...] = ()
    bus: bool = False
    performance_class: Literal["", "G1", "G2", "G3", "G4"] = ""
    small: bool = True
    inverter: bool = False
    idle_down: bool = False
    rated_kw: float | None = None
    volts_pct: float | None = None
    hertz_pct: float | None = None


class Band(msgspec.Struct, frozen=True, kw_only=True):
    """Limits of one quantity in its unit. steady_pct: allowed width inside a run, full, in %.

    by: whose limits these are, in the trade's words.
    """

    nominal: float
    low: float
    high: float
    steady_pct: float
    by: str


class Circuit(msgspec.Struct, frozen=True, kw_only=True, gc=False, omit_defaults=True):
    """One measured circuit of a set with several, in one run [V].

    volts: median of its settled samples; last: of the newest of them; nominal: its own. at_times: it
    was dead or wild in part of the run or at its newest sample.
    """

    channel: str
    volts: float
    last: float
    nominal: float
    at_times: bool = False


class RunPoint(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What one run read on one UTC day, from settled samples at governed speed only.

    start: of the run [UTC s]. Medians: volts [V, as nominal_v names them], hertz [Hz], load [kW].
    hertz_width: from the 5th to the 95th percentile [Hz], load's part taken out where it is
    measured. volts_slope, hertz_slope: change with load inside the run [V/kW, Hz/kW], where the
    load moved enough. unbalance_pct: NEMA MG 1, line to line. circuits: every one that was
    measured, where the set has several.
    """

    start: int
    volts_n: int = 0
    volts: float | None = None
    hertz_n: int = 0
    hertz: float | None = None
    hertz_width: float | None = None
    load_kw: float | None = None
    volts_slope: float | None = None
    hertz_slope: float | None = None
    unbalance_pct: float | None = None
    circuits: tuple[Circuit, ...] = ()


class OutSpell(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A trouble that was met and has ended: first sample beyond, when met, ended, the worst."""

    kind: Trouble
    since: int
    met_at: int
    until: int
    worst: float


class SupplyDay(msgspec.Struct, frozen=True, kw_only=True, gc=False, omit_defaults=True):
    """What a day says of volts and hertz; None on the Day where there is nothing to say.

    channel: where the volts were read. untold: set-side volts were there and nothing but these
    volts tells running from standing.
    """

    channel: str = ""
    points: tuple[RunPoint, ...] = ()
    ended: tuple[OutSpell, ...] = ()
    untold: bool = False


class Delay(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One trouble waiting to be met, met, or waiting to end (docs/engineering/defaults.md#delays).

    since: first sample at or beyond the limit; n of them so far; met_at: when it was met.
    back_at, back_n: samples in a row beyond the clear limit. worst: the farthest value.
    """

    since: int
    n: int = 1
    met_at: int | None = None
    last_at: int = 0
    worst: float = 0.0
    last: float = 0.0
    back_at: int | None = None
    back_n: int = 0


class SupplyCarry(msgspec.Struct, frozen=True, kw_only=True, gc=False, omit_defaults=True):
    """What goes on at the end of a day.

    delays: open ones by trouble, and by trouble and circuit where each has its own (`circuit
    ac_l3_v`). system: how a set with several circuits is connected, once they have shown it.
    """

    delays: dict[str, Delay] = {}
    system: str = ""


class Drift(msgspec.Struct, frozen=True, kw_only=True):
    """How a quantity has moved away from the as-commissioned runs.

    runs: compared, of which `base` as commissioned; moved: from them to the newest average;
    per_month with its 95 % interval (None: not bounded); share: of the way from the
    as-commissioned level to the limit; crosses_*: UTC seconds (None: not within twice the span
    seen). by: what like was compared with like on. found: worth a person's time; since: the first run
    of those that have been beyond the usual without a break.
    """

    runs: int
    base: int
    from_at: int
    to_at: int
    moved: float
    per_month: float
    low: float | None
    high: float | None
    share: float
    by: Literal["droop line", "no load", "like load", "runs without an outage"]
    found: bool = False
    since: int | None = None
    crosses_from: int | None = None
    crosses_at: int | None = None
    crosses_to: int | None = None


class Measured(msgspec.Struct, frozen=True, kw_only=True):
    """Volts or hertz of one unit: its band, its last run, its usual range, its drift.

    last: median of the newest run with settled samples, n of them; usual_*: from the 10th to the
    90th percentile of its runs of a year, as many as `runs` says, from `since` on (its device,
    calibration or governing part was changed then; None: in no year). supply: a comparison with what a network would deliver.
    not_judged: why not ("too few samples", "not reported", "electronics", ...). checked: a meter
    was on it since its device was fitted. points: (start, median) of the newest runs.
    """

    quantity: Quantity
    channel: str
    band: Band
    last: float | None = None
    last_at: int | None = None
    n: int = 0
    width_pct: float | None = None
    usual_low: float | None = None
    usual_high: float | None = None
    runs: int = 0
    since: int | None = None
    supply: str = ""
    out: bool = False
    checked: bool = False
    not_judged: str = ""
    drift: Drift | None = None
    drift_not_judged: str = ""
    points: tuple[tuple[int, float], ...] = ()


class Connection(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """How a set is connected. system: as declared, else as its readings look (None: they leave it
    open); line_v: nominal line to line [V]; unwatched: conductors whose loss would not show.
    """

    system: System | None = None
    line_v: float | None = None
    declared: bool = False
    unwatched: tuple[str, ...] = ()

    @property
    def asked(self) -> bool:
        """Whether its readings look like something that nobody has declared."""
        return not self.declared and self.line_v is not None


class SupplySeen(msgspec.Struct, frozen=True, kw_only=True):
    """Volts and hertz of one unit. out_at_last_run: either was out of its band then.

    standing_untold: its own volts are the only sign of running, so volts on a standing set could
    not be told from a run.
    """

    volts: Measured | None = None
    hertz: Measured | None = None
    out_at_last_run: bool = False
    unbalance_pct: float | None = None
    standing_untold: bool = False
    wrong_volts: float | None = None
    wrong_hertz: float | None = None
    connection: Connection | None = None
