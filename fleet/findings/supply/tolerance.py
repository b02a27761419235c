"""How well it holds its volts and hertz: out of their band, drifting, unsteady, apart, or misjudged."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Literal
from zoneinfo import ZoneInfo

from fleet.findings.row import (
    MEASURED,
    NEVER,
    READY,
    STATE,
    TOLD,
    Alarm,
    ByQuantity,
    Count,
    F,
    Facts,
    Found,
    Hertz,
    HertzAMonth,
    Metered,
    Moment,
    Percent,
    Quiet,
    Readies,
    Row,
    Say,
    Sentence,
    Severity,
    Share,
    Volts,
    VoltsAMonth,
    always,
)
from fleet.findings.saying import began, circuit, day, hertz, moment, unchecked, volts, when

OF_A_RUN = Quiet(set_aside="note", unchecked="note", answered_by="nothing", outage="nothing")
BY_METER = Quiet(set_aside="note", unchecked="note", answered_by="meter", outage="nothing")


def _row(
    facts: type[F],
    say: Say[F],
    severities: tuple[Severity, ...],
    *,
    alarm: Alarm = MEASURED,
    quiet: Quiet = OF_A_RUN,
    readiness: Readies = READY,
    sends: bool = True,
) -> Row[F]:
    """Work for a visit: told as a Note of volts that no meter has been on, nothing in an outage."""
    return Row(
        facts=facts,
        family="supply",
        severities=severities,
        alarm=alarm,
        concern="other",
        quiet=quiet,
        readiness=readiness,
        cover=None,
        cover_at=NEVER,
        job="by_severity",
        sends=sends,
        say=say,
    )


class OutOfBand(Metered, frozen=True, kw_only=True, omit_defaults=True, tag_field="kind"):
    """value: the last; worst: the farthest off; low, high: the band, as `by` has it. share: how far
    the worst lies on the way from nominal to the limit, 1 at the limit. changed_at: its regulator or
    governor, device or calibration was changed after that. supply: what such volts or hertz look like.
    """

    by: str
    share: Share
    last_at: Moment
    supply: str = ""
    changed_at: Moment | None = None


class VoltageOut(OutOfBand, frozen=True, kw_only=True, omit_defaults=True, tag="voltage_out"):
    """Its volts lie, or lay at the end of its newest run, outside of what its class or its owner
    allows.

    Motors run hot on too little and electronics die of too much; a transfer switch may refuse to
    take it.

    Put a meter on its output under load, then look at the voltage regulator.

    The installer's own limits; else those of its class, 5.0, 2.5 or 1.0 % either way (G1, G2, G3:
    ISO 8528-5:2025, Table 4) and 1.5 % for its setting (common practice, no source), small sets up
    to 10 kW 10.0 % whatever the class (the same, footnote); without a class 10.0 % (common
    practice, no source). For 60 s by a second sample, 30 s after the start. Of several circuits each
    one from 110 % of its own nominal on, which is the most equipment stands for good (ITI (CBEMA)
    curve, 2000), or from the installer's own limit where that is higher.

    channel, phases: the circuit, where it is one of several.
    """

    value: Volts
    worst: Volts
    low: Volts
    high: Volts
    nominal: Volts
    channel: str = ""
    phases: str | None = None


class FrequencyOut(OutOfBand, frozen=True, kw_only=True, omit_defaults=True, tag="frequency_out"):
    """Its hertz lie, or lay at the end of its newest run, outside of what its class or its owner
    allows.

    Too slow, and motors draw more and cool less; too fast, and a run-away is not far.

    Put a meter on its output under load, then look at the governor and its fuel.

    The installer's own limits; else by its class droop of 8.0, 5.0 or 3.0 % upwards (G1, G2, G3:
    ISO 8528-5:2025, Table 4) and 2.5 % downwards (the same, range of downward setting, from
    memory), each with half the steady band; without a class, or with one or two cylinders, 4.2 %
    (common practice, no source). For 60 s by a second sample, 30 s after the start.
    """

    value: Hertz
    worst: Hertz
    low: Hertz
    high: Hertz
    nominal: Hertz


def _out_of_band(facts: VoltageOut | FrequencyOut, f: Found, zone: str, now: int) -> Sentence:
    of_volts = isinstance(facts, VoltageOut)
    said = volts if of_volts else hertz
    name = "Volts" if of_volts else "Hertz"
    high = facts.worst > facts.nominal
    where = ""
    if isinstance(facts, VoltageOut) and facts.channel not in ("", "ac_v"):
        where = f" of {circuit(facts.channel, facts.phases)}"
    seen = (
        f"{name}{where} {'above' if high else 'below'} the band since {began(f, zone, now)}: "
        f"{said(facts.worst)} at worst, {said(facts.value)} last; allowed are "
        f"{said(facts.low)} to {said(facts.high)} ({facts.by})."
    )
    if facts.changed_at is not None:
        what = "regulator" if of_volts else "governor"
        seen += (
            f" Its {what}, device or calibration was changed after that, "
            f"{moment(facts.changed_at, zone, now)}: no run since says whether it still holds."
        )
    part = "the voltage regulator" if of_volts else "the governor and its fuel"
    return Sentence(
        title=f"{name} too {'high' if high else 'low'}",
        seen=seen + unchecked(facts),
        do=f"Put a meter on its output under load, then look at {part} {when(f)}.",
    )


VOLTAGE_OUT = _row(
    VoltageOut,
    _out_of_band,
    ("same_day", "note"),
    quiet=BY_METER,
    readiness=Readies(
        not_ready=NEVER, doubtful=TOLD, reason="its volts are out of their band", where=always
    ),
)


FREQUENCY_OUT = _row(
    FrequencyOut,
    _out_of_band,
    ("same_day", "note"),
    quiet=OF_A_RUN,
    readiness=Readies(
        not_ready=NEVER, doubtful=TOLD, reason="its hertz are out of their band", where=always
    ),
)


class Drifting(Metered, frozen=True, kw_only=True, omit_defaults=True, tag_field="kind"):
    """share: how far of the way to the limit. runs: compared, as `by` says. crosses_at: when it leaves
    the band at this rate, with the ends of its interval."""

    share: Share
    runs: Count
    by: str
    from_at: Moment
    crosses_at: Moment | None = None
    crosses_from: Moment | None = None
    crosses_to: Moment | None = None


class VoltageDrift(Drifting, frozen=True, kw_only=True, omit_defaults=True, tag="voltage_drift"):
    """Run by run its volts move away from what they were when it was commissioned, at like load.

    A regulator or its sensing ages slowly. This is the visit that is cheap because nothing has
    failed yet.

    Put a meter on its output, then look at the voltage regulator at the next visit.

    From 9 like runs on, the first 8 as commissioned; an EWMA outside its limits (NIST/SEMATECH
    e-Handbook, 6.3.2.4), chance once in 1000 (Mann-Kendall), 25 % of the way to the limit gone
    (common practice, no source). Nothing is foretold beyond twice the span seen.

    moved: since from_at; per_month: with the ends of its interval.
    """

    moved: Volts
    per_month: VoltsAMonth
    limit: Volts
    per_month_low: VoltsAMonth | None = None
    per_month_high: VoltsAMonth | None = None
    last: Volts | None = None


class FrequencyDrift(
    Drifting, frozen=True, kw_only=True, omit_defaults=True, tag="frequency_drift"
):
    """Run by run its hertz move away from what they were when it was commissioned, the load's part
    taken out.

    A governor that wears, a linkage that gives, a filter that clogs. A heavier customer alone is no
    drift.

    Put a meter on its output, then look at the governor, its linkage and the fuel at the next
    visit.

    From 9 like runs on, the first 8 as commissioned; an EWMA outside its limits (NIST/SEMATECH
    e-Handbook, 6.3.2.4), chance once in 1000 (Mann-Kendall), 25 % of the way to the limit gone
    (common practice, no source). Nothing is foretold beyond twice the span seen.

    moved: since from_at; per_month: with the ends of its interval.
    """

    moved: Hertz
    per_month: HertzAMonth
    limit: Hertz
    per_month_low: HertzAMonth | None = None
    per_month_high: HertzAMonth | None = None
    last: Hertz | None = None


def _drift(facts: VoltageDrift | FrequencyDrift, f: Found, zone: str, now: int) -> Sentence:
    of_volts = isinstance(facts, VoltageDrift)
    unit, name = ("V", "Volts") if of_volts else ("Hz", "Hertz")
    figures = 1 if of_volts else 2
    like = {
        "droop line": "the load it carried taken into account",
        "no load": "runs without load only",
        "like load": "runs with like load only",
        "runs without an outage": "its load is not measured",
    }.get(facts.by, "")
    seen = (
        f"{name} have moved {'up' if facts.moved > 0 else 'down'} by "
        f"{abs(facts.moved):.{figures}f} {unit} since "
        f"{moment(facts.from_at, zone, now)}, over {facts.runs} runs"
    )
    seen += f" ({like})." if like else "."
    crosses, first = facts.crosses_at, facts.crosses_from
    if crosses is not None and crosses <= now:
        seen += " They are at the edge of the band."
    elif crosses is not None:
        seen += f" At this rate they leave the band about {_date(crosses, zone)}"
        seen += f", not before {_date(max(first, now), zone)}." if first is not None else "."
    else:
        seen += f" That is {facts.share:.0%} of the way to the limit."
    part = "the voltage regulator" if of_volts else "the governor, its linkage and the fuel"
    return Sentence(
        title=f"{name} drifting",
        seen=seen + unchecked(facts),
        do=f"Put a meter on its output, then look at {part} at the next visit.",
    )


def _date(at: int, zone: str) -> str:
    """The local day of a moment: a forecast is no finer."""
    then = datetime.fromtimestamp(at, UTC).astimezone(ZoneInfo(zone))
    return day(then.date().isoformat())


VOLTAGE_DRIFT = _row(VoltageDrift, _drift, ("next_visit", "note"), alarm=STATE)


FREQUENCY_DRIFT = _row(FrequencyDrift, _drift, ("next_visit", "note"), alarm=STATE)


class Hunting(Metered, frozen=True, kw_only=True, omit_defaults=True, tag="hunting"):
    """Within a run its hertz swing wider than its steady band, the load's part taken out.

    Its speed does not settle: air in the fuel, a sticking linkage, a governor out of adjustment.
    Clocks and chargers behind it suffer first.

    Look at fuel, air and the governor's linkage at the next visit.

    Full width of 2.5, 1.5 or 0.5 % (G1, G2, G3: ISO 8528-5:2025, Table 4), with one or two
    cylinders 2.5 % whatever the class (the same, footnote), without a class as G1; in the newest
    run and 2 of the newest 3 (common practice, no source).

    runs of `of`: the runs that hunted since it began. share: width over limit.
    """

    width_hz: Hertz
    limit_hz: Hertz
    runs: Count
    of: Count
    by: str
    share: Share


def _hunting(facts: Hunting, f: Found, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Hunting",
        seen=f"Its speed does not settle: hertz swing {facts.width_hz:.2f} Hz wide inside a run, "
        f"{facts.limit_hz:.2f} Hz are usual; in {facts.runs} of its last {facts.of} runs."
        + unchecked(facts),
        do="Look at fuel, air and the governor's linkage at the next visit.",
    )


HUNTING = _row(Hunting, _hunting, ("next_visit", "note"))


class Unbalance(Metered, frozen=True, kw_only=True, omit_defaults=True, tag="unbalance"):
    """The three line voltages lie apart while it runs.

    A few percent between the lines are enough to run a three-phase motor hot.

    Look at how the load is spread, then at the windings, at the next visit.

    3.0 % between lines, computed as in NEMA MG 1, which derates motors from 1 % on; the most ANSI
    C84.1 allows a supply at no load. In the newest run and 2 of the newest 3 (common practice, no
    source).

    share: over the limit.
    """

    pct: Percent
    limit_pct: Percent
    runs: Count
    share: Share


def _unbalance(facts: Unbalance, f: Found, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Phases unbalanced",
        seen=f"Its line voltages lie {facts.pct:.2f} % apart by NEMA MG 1 "
        f"({facts.limit_pct:.0f} % is the limit): motors on it run hot." + unchecked(facts),
        do="Look at how the load is spread, then at the windings, at the next visit.",
    )


UNBALANCE = _row(Unbalance, _unbalance, ("next_visit", "note"))


class WrongNominal(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="wrong_nominal"):
    """Every one of its runs was at another nominal voltage or frequency than the register says.

    Until it is put right it is judged by a figure that is not its own: right volts look wrong and
    wrong ones right.

    Read the nameplate and put it right in the register.

    Within 3 % of another usual voltage (IEC 60038, ANSI C84.1, from memory) and outside its band,
    or from 4 % under to 6 % over the other of 50 and 60 Hz; every run of its device. Of a battery:
    every standing day, 2 at least, within the volts that one of another nominal of 6, 12, 24, 36
    or 48 V stands and is charged at, and outside its own. Common practice, no source.

    quantity: whether nominal and runs_at are volts [V], hertz [Hz] or volts of the starter battery
    [V]; runs: runs, or days of a battery.
    """

    quantity: Literal["volts", "hertz", "battery"]
    nominal: ByQuantity
    runs_at: ByQuantity
    runs: Count


def _wrong_nominal(facts: WrongNominal, f: Found, zone: str, now: int) -> Sentence:
    if facts.quantity == "battery":
        return Sentence(
            title="Battery nominal may be wrong",
            seen=f"The register says a battery of {volts(facts.nominal)}, and its volts fit one of "
            f"{volts(facts.runs_at)} on every day since {moment(f.since, zone, now)}: it is not "
            "judged.",
            do="Read the label of the battery and put it right in the register.",
        )
    said = volts if facts.quantity == "volts" else hertz
    return Sentence(
        title="Nominal may be wrong",
        seen=f"The register says {said(facts.nominal)}, and {_every(facts, f, zone, now)} was at "
        f"about {said(facts.runs_at)}: it is judged by a figure that is not its own.",
        do="Read the nameplate and put it right in the register.",
    )


def _every(facts: WrongNominal, f: Found, zone: str, now: int) -> str:
    """ "every one of its 12 runs since 3 Mar 14:05", as far back as they were looked at."""
    since = moment(f.since, zone, now)
    if facts.runs == 1:
        return f"its one run, {since},"
    return f"every one of its {facts.runs} runs since {since}"


WRONG_NOMINAL = _row(WrongNominal, _wrong_nominal, ("note",), alarm=STATE, sends=False)
