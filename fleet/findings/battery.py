"""The starter battery and its charger: what may keep a set from cranking."""

from __future__ import annotations

from math import ceil
from typing import TypeAlias, assert_never

from fleet.calendar import local_date
from fleet.findings.row import (
    MEASURED,
    NEVER,
    READY,
    STATE,
    AnyRow,
    Celsius,
    Count,
    Days,
    F,
    Facts,
    Found,
    Metered,
    Moment,
    Months,
    Percent,
    Quiet,
    Readies,
    Row,
    Say,
    Sentence,
    Severity,
    Volts,
    VoltsAMonth,
    always,
)
from fleet.findings.saying import count, day, ends, moment, unchecked, when

BY_METER = Quiet(set_aside="note", unchecked="note", answered_by="nothing", outage="nothing")
BY_ITSELF = Quiet(
    set_aside="note", unchecked="note_unless_compared", answered_by="nothing", outage="nothing"
)


def _losing(
    facts: type[F],
    say: Say[F],
    severities: tuple[Severity, ...],
    quiet: Quiet,
    readiness: Readies = READY,
) -> Row[F]:
    """It will not crank one day: measured, and cover is lost with it."""
    return Row(
        facts=facts,
        family="battery",
        severities=severities,
        alarm=MEASURED,
        concern="losing",
        quiet=quiet,
        readiness=readiness,
        cover=None,
        cover_at=NEVER,
        job="by_severity",
        sends=True,
        say=say,
    )


class OfBattery(Metered, frozen=True, kw_only=True, omit_defaults=True, tag_field="kind"):
    """nominal_v: of the battery. volts_v: as last read."""

    nominal_v: Volts
    volts_v: Volts | None = None


def cranked_low(low: int, starts: int, since: int | None, zone: str) -> str:
    """ "It cranked low at 3 of 4 measured starts since 5 Dec 2026": of this battery, as the device
    that speaks now measures it, and of nothing before. since: the first of them [UTC s]."""
    if since is None or starts < 1:
        return "It cranks low"
    return f"It cranked low at {low} of {count(starts, 'measured start')} since {on(since, zone)}"


def on(at: int, zone: str) -> str:
    """The local date of a moment: `5 Dec 2026`."""
    return day(local_date(at, zone).isoformat())


def volts(value: float) -> str:
    """Volts of a battery: `12.6 V`."""
    return f"{value:.1f} V"


def days_left(low: float | None, mid: float | None, high: float | None) -> str:
    """ "as it sags now it may no longer crank in about 12 days, from 9 to 20"; "" where not foretold.

    Never narrower than its interval; an end that cannot be foretold is left open.
    """
    if mid is None:
        return ""
    if mid <= 0:
        return "it may not crank any more"
    said = "as it sags now it may no longer crank in "
    if mid < 1:
        return f"{said}less than a day"
    said += f"about {_days(mid)}"
    if low is None:
        return said
    if high is None:
        return f"{said}, at the earliest {int(low)}"
    return f"{said}, from {int(low)} to {ceil(high)}"


def _days(days: float) -> str:
    return "a day" if round(days) == 1 else f"{round(days)} days"


def _left(facts: ChargerFault | BatteryRunsDown) -> str:
    said = days_left(facts.days_left_low, facts.days_left, facts.days_left_high)
    return said[:1].upper() + said[1:]


def _usual(facts: ChargerFault | OverCharge) -> str:
    if facts.usual_low_v is None or facts.usual_high_v is None:
        return ""
    said = ends(f"{facts.usual_low_v:.1f}", f"{facts.usual_high_v:.1f}")
    return f"; usual for this set: {said} V"


def _last(facts: OfBattery) -> str:
    return "" if facts.volts_v is None else f", {volts(facts.volts_v)} last"


class BatteryWeak(OfBattery, frozen=True, kw_only=True, omit_defaults=True, tag="battery_weak"):
    """Cranking takes its volts lower than its own healthy starts at like temperature, or under the
    limit for that cold; or it rests less than half charged.

    It may still start in October and not in January: cold oil takes more and a cold battery gives
    less.

    To replace: test battery, cables and starter and take a new battery along the same day. To
    watch: test it under load and look at its cables at the next visit.

    Limit at 20 °C 9.6 V, at -18 °C 8.5 V, straight lines in between (workshop manuals, secondary
    source). To replace: two of the newest three starts more than 0.1 V under it and fallen by 0.5
    V, or one 0.5 V under it and fallen by 1.0 V. To watch: fallen by 0.7 V, a trend that meets the
    limit, or a rest under 50 %. Compared within 8 °C. Common practice, no source.

    why: `cranking`, `low`, `fallen`, `trend` or `rest`. crank_v: of its newest measured start, at
    crank_at and temp_c, with the limit and its own healthy start beside it. like_low of
    like_starts: starts since like_from that cranked low. crosses_at: when its trend meets the
    limit, with the interval.
    """

    why: str
    crank_v: Volts | None = None
    crank_at: Moment | None = None
    temp_c: Celsius | None = None
    limit_v: Volts | None = None
    healthy_v: Volts | None = None
    healthy_at: Moment | None = None
    healthy_temp_c: Celsius | None = None
    below: Count | None = None
    like_from: Moment | None = None
    like_starts: Count | None = None
    like_low: Count | None = None
    rest_v: Volts | None = None
    charge_pct: Percent | None = None
    per_month_v: VoltsAMonth | None = None
    crosses_at: Moment | None = None
    crosses_from: Moment | None = None
    crosses_to: Moment | None = None


def _battery_weak(facts: BatteryWeak, f: Found, zone: str, now: int) -> Sentence:
    replace = facts.why == "cranking"
    if facts.why == "rest":
        seen = f"Its battery rests at {facts.rest_v or 0.0:.2f} V, about "
        seen += f"{facts.charge_pct or 0.0:.0f} % charged."
    else:
        seen = _cranked(facts, zone, now)
    if facts.why == "low" and facts.like_from is not None:
        low, starts = facts.like_low or 0, facts.like_starts or 0
        seen += f" {cranked_low(low, starts, facts.like_from, zone)}."
    if facts.crosses_at is not None:
        seen += f" {_falling(facts.crosses_at, facts, zone, now)}"
    cold = "may not start" if replace else "may not start in the cold"
    return Sentence(
        title="Battery weak, replace" if replace else "Battery weak",
        seen=f"{seen} It {cold}.{unchecked(facts)}",
        do="Test the battery, its cables and the starter, and take a new battery along today."
        if replace
        else "Test the battery under load and look at its cables at the next visit.",
    )


def _falling(crosses: int, facts: BatteryWeak, zone: str, now: int) -> str:
    """When the trend meets the limit; what has been met already has no date to come."""
    if crosses <= now:
        return "It has been falling."
    said = f"Falling: at this rate it meets its limit about {on(crosses, zone)}"
    first, last = facts.crosses_from, facts.crosses_to
    if first is not None:
        first = max(first, now)
        if last is not None and on(first, zone) == on(last, zone):
            return f"{said}."
        said += f", at the earliest {on(first, zone)}"
        said += f", at the latest {on(last, zone)}" if last is not None else ""
    return f"{said}."


def _cranked(facts: BatteryWeak, zone: str, now: int) -> str:
    seen = "Cranking"
    if facts.crank_v is not None:
        seen += f" took its battery down to {volts(facts.crank_v)}"
    if facts.temp_c is not None:
        seen += f" at {facts.temp_c:.0f} °C"
    if facts.crank_at is not None:
        seen += f", {moment(facts.crank_at, zone, now)}"
    if facts.limit_v is not None:
        seen += f"; the limit then is {volts(facts.limit_v)}"
    if facts.healthy_v is not None and facts.healthy_at is not None:
        seen += f"; a healthy start of this set held {volts(facts.healthy_v)}"
        if facts.healthy_temp_c is not None:
            seen += f" at {facts.healthy_temp_c:.0f} °C"
        seen += f" ({moment(facts.healthy_at, zone, now)})"
    return f"{seen}."


BATTERY_WEAK = _losing(BatteryWeak, _battery_weak, ("same_day", "next_visit", "note"), BY_ITSELF)


class BatteryFailedCell(
    OfBattery, frozen=True, kw_only=True, omit_defaults=True, tag="battery_failed_cell"
):
    """The battery stands two volts too low though a charger is on it or a run has just lifted it,
    or fell so far from one day to the next.

    A cell that has shorted takes a sixth of its volts with it. It will not crank the engine, and a
    charger that works against it boils the rest.

    Test the battery and take a new one along today. It gives off explosive gas: no flame, no spark,
    eyes covered.

    Per 12 V: under 11.65 V after a run that lifted it by 0.5 V, or under 11.85 V after a fall of
    more than 2.0 V, which is more than a lost charger takes; common practice, no source.

    by: `step` or `after_run`. before_v, after_v: of the whole battery.
    """

    by: str
    before_v: Volts
    after_v: Volts


def _battery_failed_cell(facts: BatteryFailedCell, f: Found, zone: str, now: int) -> Sentence:
    before, after = volts(facts.before_v), volts(facts.after_v)
    if facts.by == "after_run":
        what = f"held {after} after a run that lifted it to {before}"
    else:
        what = f"fell from {before} to {after} from one day to the next, more than a lost charger takes"
    return Sentence(
        title="Battery cell likely failed",
        seen=f"Its battery {what}, {moment(f.since, zone, now)}: it looks like a failed cell, and it "
        f"may not start.{unchecked(facts)}",
        do="Test the battery and take a new one along today.",
    )


BATTERY_FAILED_CELL = _losing(
    BatteryFailedCell,
    _battery_failed_cell,
    ("same_day", "note"),
    Quiet(set_aside="note", unchecked="stays", answered_by="nothing", outage="nothing"),
)


class ChargerFault(OfBattery, frozen=True, kw_only=True, omit_defaults=True, tag="charger_fault"):
    """The mains is on, its last run is half a day ago, and its volts stay under what any charger
    holds.

    It lives off what is stored. In days to weeks it no longer cranks, and a weekly run fills it
    only in part.

    Look at the charger, its mains supply and its fuse. Same day where the mains is seen to be on,
    at the next visit where it is not wired.

    Per 12 V: under 13.0 V for 24 h, counted from 12 h after a run; of a charger that works now and
    then for 3 days, of a solar panel for 7 days. Ends 0.2 V above. Common practice, no source.

    limit_v: under which it is called so. mains_seen: the mains is read here and is on. days_left,
    with its interval: until it may no longer crank.
    """

    limit_v: Volts
    charger: str
    mains_seen: bool
    usual_low_v: Volts | None = None
    usual_high_v: Volts | None = None
    days_left: Days | None = None
    days_left_low: Days | None = None
    days_left_high: Days | None = None


def _charger_fault(facts: ChargerFault, f: Found, zone: str, now: int) -> Sentence:
    where = "with the mains on" if facts.mains_seen else "the mains is not seen here"
    seen = (
        f"Its battery is not being charged since {moment(f.since, zone, now)}: under "
        f"{facts.limit_v:.0f} V, {where}{_last(facts)}{_usual(facts)}."
    )
    if left := _left(facts):
        seen += f" {left}."
    return Sentence(
        title="Battery not charged",
        seen=seen + unchecked(facts),
        do=f"Look at the charger, its mains supply and fuse {when(f)}; a run fills the battery only "
        "in part.",
    )


CHARGER_FAULT = _losing(
    ChargerFault,
    _charger_fault,
    ("same_day", "next_visit", "note"),
    BY_ITSELF,
    readiness=Readies(
        not_ready=NEVER,
        doubtful=NEVER,
        reason="the battery charger does not charge as it should",
        where=always,
    ),
)


class OverCharge(OfBattery, frozen=True, kw_only=True, omit_defaults=True, tag="over_charge"):
    """Its volts stay above what a battery takes in that air.

    It gasses, loses water and dries out in weeks; gel and AGM never get it back. The gas explodes.

    Put a meter on the battery first, then look at the charger the same day.

    Per 12 V: over 15.0 V for 12 h, the limit lower by 3.0 mV a cell for each degree above 25 °C and
    higher by 5.0 mV below it (secondary source); common practice, no source.

    limit_v: over which it is called so, at limit_at_c.
    """

    limit_v: Volts
    limit_at_c: Celsius
    usual_low_v: Volts | None = None
    usual_high_v: Volts | None = None


def _over_charge(facts: OverCharge, f: Found, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Battery over-charged",
        seen=f"More than {facts.limit_v:.0f} V at {facts.limit_at_c:.0f} °C, the limit moved with the "
        f"air's warmth, since {moment(f.since, zone, now)}{_last(facts)}{_usual(facts)}. It gasses "
        "and dries out." + unchecked(facts),
        do=f"Put a meter on the battery, then look at the charger {when(f)}.",
    )


OVER_CHARGE = _losing(OverCharge, _over_charge, ("same_day", "note"), BY_ITSELF)


class BatteryRunsDown(
    OfBattery, frozen=True, kw_only=True, omit_defaults=True, tag="battery_runs_down"
):
    """Nothing charges it between runs, and its volts at rest sag towards where a start is not to be
    counted on.

    It is a clock that runs: the set is ready today and is not in some days, without any fault.

    Charge it before the day named, and think of a charger.

    21 days to a charge of 25 % or less, by the sag of its volts at rest and told only where its
    latest day can be foretold too; Same day from 7 days on. Common practice, no source.

    rest_v, charge_pct: at rest_at. days_left, with its interval: until it may no longer crank.
    """

    days_left: Days
    rest_v: Volts | None = None
    charge_pct: Percent | None = None
    days_left_low: Days | None = None
    days_left_high: Days | None = None
    rest_at: Moment | None = None


def _battery_runs_down(facts: BatteryRunsDown, f: Found, zone: str, now: int) -> Sentence:
    seen = "Nothing charges its battery between runs"
    if facts.rest_v is not None:
        seen += f": {facts.rest_v:.2f} V at rest"
        if facts.charge_pct is not None:
            seen += f", about {facts.charge_pct:.0f} % charged"
    seen += f". {_left(facts)}, unless it runs before."
    return Sentence(
        title="Battery runs down",
        seen=seen + unchecked(facts),
        do=f"Charge it {when(f)}, and think of a charger.",
    )


BATTERY_RUNS_DOWN = _losing(
    BatteryRunsDown, _battery_runs_down, ("same_day", "next_visit", "note"), BY_METER
)


class BatteryOld(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="battery_old"):
    """By the register or the record of its change it is older than such a battery usually gets.

    Age alone is no fault. But it is cheaper to change it at a service than at night.

    Think of a new one with the next service.

    60 months (common practice, no source); 30 months of a set under a code or that lives depend on
    (NFPA 110, annex, from memory).
    """

    fitted_at: Moment
    months: Months
    usual_months: Months


def _battery_old(facts: BatteryOld, f: Found, zone: str, now: int) -> Sentence:
    months = facts.months
    age = f"{months} months" if months < 36 else f"{months / 12:.1f} years"
    return Sentence(
        title="Battery old",
        seen=f"Its battery was fitted {on(facts.fitted_at, zone)}, {age} ago; "
        f"{facts.usual_months} months are usual for such a set. Age alone is no fault.",
        do="Think of a new one with the next service.",
    )


BATTERY_OLD = Row(
    facts=BatteryOld,
    family="battery",
    severities=("note",),
    alarm=STATE,
    concern="other",
    quiet=Quiet(set_aside="note", unchecked="no_reading", answered_by="nothing", outage="nothing"),
    readiness=READY,
    cover=None,
    cover_at=NEVER,
    job="by_severity",
    sends=False,
    say=_battery_old,
)


BatteryFacts: TypeAlias = (
    BatteryWeak | BatteryFailedCell | ChargerFault | OverCharge | BatteryRunsDown | BatteryOld
)
"""What is found of the starter battery and its charger."""


def row_of(facts: BatteryFacts) -> AnyRow:
    """How such a finding behaves."""
    match facts:
        case BatteryWeak():
            return BATTERY_WEAK
        case BatteryFailedCell():
            return BATTERY_FAILED_CELL
        case ChargerFault():
            return CHARGER_FAULT
        case OverCharge():
            return OVER_CHARGE
        case BatteryRunsDown():
            return BATTERY_RUNS_DOWN
        case BatteryOld():
            return BATTERY_OLD
        case _:
            assert_never(facts)
