"""What a set is, how its device reports, and what out of the ordinary befalls it."""

from __future__ import annotations

from dataclasses import dataclass, field

FOREVER = 2**40
Growing = tuple[int, float]
"""(from when, how fast a day)."""
NEVER: Growing = (FOREVER, 0.0)


@dataclass(frozen=True)
class Ails:
    """What ails one set's battery, charger, alternator, governor or tank, and from when on.

    Nothing by default. Moments are UTC seconds; FOREVER: never. Volts of a battery are per 12 V.
    battery_ages: volts lost while cranking, battery_until: until it is replaced. new_battery: from then on it cranks higher by so much.
    cell_failed, charger_lost, over_charged: from then on. draws: how many times the usual the set
    itself draws. cold: (from, to, degrees colder) air at this site.
    hertz_drifts: Hz; volts_drift: share of nominal. hunts: (from, half width [Hz]). heavier: (from,
    times) the customer's load. neutral_open, unbalanced, over_volts, no_output: from then on; leg_dead:
    the winding of the third line.
    standing_volts: volts on the set's side of the transfer gear while it stands and the mains is on.
    fuel_taken: (when, level [%] left); nobody fills it again. legs_apart: share of nominal by which
    the legs of a healthy set differ under uneven load.
    """

    battery_ages: Growing = NEVER
    battery_until: int = FOREVER
    new_battery: tuple[int, float] = NEVER
    cell_failed: int = FOREVER
    charger_lost: int = FOREVER
    over_charged: int = FOREVER
    draws: float = 1.0
    cold: tuple[int, int, float] = (FOREVER, FOREVER, 0.0)
    hertz_drifts: Growing = NEVER
    volts_drift: Growing = NEVER
    hunts: tuple[int, float] = NEVER
    heavier: tuple[int, float] = (FOREVER, 1.0)
    neutral_open: int = FOREVER
    unbalanced: int = FOREVER
    unbalance_share: float = 0.08
    over_volts: int = FOREVER
    no_output: int = FOREVER
    leg_dead: int = FOREVER
    standing_volts: int = FOREVER
    fuel_taken: tuple[int, float] = (FOREVER, 0.0)
    legs_apart: float = 0.0


__all__ = ["FOREVER", "Ails", "Nameplate", "Reporter", "Script", "Spans"]
Spans = tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class Nameplate:
    """One set. Power [kW], volts [V], tank [l]; weather: the seed of its area's weather."""

    seed: int
    weather: int
    rated_kw: float
    nominal_v: float
    battery_v: float
    liquid: bool
    diesel: bool
    charger: str
    tank_l: float
    charge_out_v: float = 14.2
    """The charging output of a running set, per 12 V of battery."""
    charge_tied: bool = False
    """The charging output is wired to the battery: it reads the battery's volts at rest."""
    inverter: bool = False
    idle_down: bool = False

    @property
    def three_phase(self) -> bool:
        """230/400 V; others have one phase, or two legs that 460 V names together."""
        return self.nominal_v == 400

    @property
    def isochronous(self) -> bool:
        """Large sets have an electronic governor: no droop."""
        return self.rated_kw >= 80

    @property
    def rest_s(self) -> int:
        """Pause between two attempts [s]."""
        return 15 if self.liquid and self.diesel else 10

    @property
    def longest_crank_s(self) -> float:
        """Longest attempt [s]."""
        return 15.0 if self.liquid and self.diesel else 5.0

    @property
    def attempts_at_most(self) -> int:
        return 3 if self.liquid else 4


@dataclass(frozen=True)
class Reporter:
    """How a device reports. Lengths in seconds; mode: steady, on_change or sleeping.

    fine_from: from this moment on it reports each `running_s` also when standing.
    sense_gain: what its AC inputs read, as a share of the true volts.
    """

    mode: str
    channels: tuple[str, ...]
    phase_s: int
    standing_s: int = 600
    running_s: int = 60
    heartbeat_s: int = 21_600
    fine_from: int = FOREVER
    events: bool = True
    sense_gain: float = 1.0


@dataclass(frozen=True)
class Script:
    """What out of the ordinary happens to one set. Moments are UTC seconds.

    fail: spans in which an automatic start fails. silent_from: nothing is sent any more.
    manual: spans with the panel switch out of automatic. meter_reset: the hour meter is replaced.
    meter_wraps_h: the meter shows hours modulo this. meter_zero: spans in which it shows 0.
    clock_lost: from here on the device's clock counts from 1970. clock_blink: one message does.
    board_swap: a new device, with new counters, speaks from here on. hand: runs started by hand.
    called: runs started by remote call. sentinel: spans in which the fuel sender reads 6553.5.
    offline: spans whose readings are delivered after their end, in no order, some of them twice.
    crank_grows: (from when, seconds a day) by which good starts come to crank longer.
    crank_cold: seconds a good start cranks longer for each degree under 15 degC outdoors.
    resets_itself: a failed start does not lock the set out.
    exercise_off: spans in which its exercise clock starts nothing. exercise_cut: from this moment on
    an exercise runs for a share of its minutes. exercise_late: from then on so many seconds late.
    ails: what is wrong with battery, charger, alternator, governor or tank.
    """

    fail: Spans = ()
    silent_from: int = FOREVER
    manual: Spans = ()
    meter_reset: int = FOREVER
    meter_wraps_h: float = 0.0
    meter_zero: Spans = ()
    clock_lost: int = FOREVER
    clock_blink: int = FOREVER
    board_swap: int = FOREVER
    hand: Spans = ()
    called: Spans = ()
    sentinel: Spans = ()
    offline: Spans = ()
    weak_battery: bool = False
    crank_grows: tuple[int, float] = (FOREVER, 0.0)
    crank_cold: float = 0.0
    resets_itself: bool = False
    exercise_off: Spans = ()
    exercise_cut: tuple[int, float] = (FOREVER, 1.0)
    exercise_late: tuple[int, int] = (FOREVER, 0)
    ails: Ails = field(default_factory=Ails)
