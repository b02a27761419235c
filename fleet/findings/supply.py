"""Volts and hertz: out of band, drifting, apart, too high, none, or where none belong."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Literal, TypeAlias, assert_never
from zoneinfo import ZoneInfo

from fleet.findings.row import (
    ALL,
    BY_RUNS,
    DANGER,
    MEASURED,
    NEVER,
    READY,
    STATE,
    TOLD,
    Facts,
    Found,
    Hertz,
    Metered,
    Moment,
    Percent,
    Quiet,
    Readies,
    Row,
    Sentence,
    Severities,
    Share,
    Volts,
    always,
)
from fleet.findings.saying import began, day, moment, unchecked, when

AWAY = "Stay away from the terminals and keep others away: they may be live though nothing turns."
Group = Literal[
    "Danger", "Out of tolerance", "Drifting out", "Unsteady or unbalanced", "To look into"
]
"""What the page of volts and hertz lists a finding under, worst first."""
ACT_NOW: Severities = frozenset({"act_now"})
OF_A_DANGER = Quiet(set_aside="stays", unchecked="stays", answered_by="visit", outage="nothing")
OF_A_RUN = Quiet(set_aside="note", unchecked="note", answered_by="nothing", outage="nothing")


def _volts(value: float) -> str:
    return f"{value:.0f} V"


def _hertz(value: float) -> str:
    return f"{value:.1f} Hz"


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
    said = _volts if of_volts else _hertz
    name = "Volts" if of_volts else "Hertz"
    high = facts.worst > facts.nominal
    where = ""
    if isinstance(facts, VoltageOut) and facts.channel not in ("", "ac_v"):
        where = f" of {_circuit(facts)}"
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


def _voltage_out(facts: VoltageOut, f: Found, zone: str, now: int) -> Sentence:
    return _out_of_band(facts, f, zone, now)


def _frequency_out(facts: FrequencyOut, f: Found, zone: str, now: int) -> Sentence:
    return _out_of_band(facts, f, zone, now)


VOLTAGE_OUT = Row(
    facts=VoltageOut,
    family="supply",
    severities=("same_day", "note"),
    alarm=MEASURED,
    concern="other",
    quiet=Quiet(set_aside="note", unchecked="note", answered_by="meter", outage="nothing"),
    readiness=Readies(
        not_ready=NEVER, doubtful=TOLD, reason="its volts are out of their band", where=always
    ),
    cover=None,
    cover_at=NEVER,
    job="by_severity",
    sends=True,
    say=_voltage_out,
)
FREQUENCY_OUT = Row(
    facts=FrequencyOut,
    family="supply",
    severities=("same_day", "note"),
    alarm=MEASURED,
    concern="other",
    quiet=OF_A_RUN,
    readiness=Readies(
        not_ready=NEVER, doubtful=TOLD, reason="its hertz are out of their band", where=always
    ),
    cover=None,
    cover_at=NEVER,
    job="by_severity",
    sends=True,
    say=_frequency_out,
)


class Drifting(Metered, frozen=True, kw_only=True, omit_defaults=True, tag_field="kind"):
    """share: how far of the way to the limit. runs: compared, as `by` says. crosses_at: when it leaves
    the band at this rate, with the ends of its interval."""

    share: Share
    runs: int
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
    per_month: Volts
    limit: Volts
    per_month_low: Volts | None = None
    per_month_high: Volts | None = None
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
    per_month: Hertz
    limit: Hertz
    per_month_low: Hertz | None = None
    per_month_high: Hertz | None = None
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


def _voltage_drift(facts: VoltageDrift, f: Found, zone: str, now: int) -> Sentence:
    return _drift(facts, f, zone, now)


def _frequency_drift(facts: FrequencyDrift, f: Found, zone: str, now: int) -> Sentence:
    return _drift(facts, f, zone, now)


VOLTAGE_DRIFT = Row(
    facts=VoltageDrift,
    family="supply",
    severities=("next_visit", "note"),
    alarm=STATE,
    concern="other",
    quiet=OF_A_RUN,
    readiness=READY,
    cover=None,
    cover_at=NEVER,
    job="by_severity",
    sends=True,
    say=_voltage_drift,
)
FREQUENCY_DRIFT = Row(
    facts=FrequencyDrift,
    family="supply",
    severities=("next_visit", "note"),
    alarm=STATE,
    concern="other",
    quiet=OF_A_RUN,
    readiness=READY,
    cover=None,
    cover_at=NEVER,
    job="by_severity",
    sends=True,
    say=_frequency_drift,
)


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
    runs: int
    of: int
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


HUNTING = Row(
    facts=Hunting,
    family="supply",
    severities=("next_visit", "note"),
    alarm=MEASURED,
    concern="other",
    quiet=OF_A_RUN,
    readiness=READY,
    cover=None,
    cover_at=NEVER,
    job="by_severity",
    sends=True,
    say=_hunting,
)


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
    runs: int
    share: Share


def _unbalance(facts: Unbalance, f: Found, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Phases unbalanced",
        seen=f"Its line voltages lie {facts.pct:.2f} % apart by NEMA MG 1 "
        f"({facts.limit_pct:.0f} % is the limit): motors on it run hot." + unchecked(facts),
        do="Look at how the load is spread, then at the windings, at the next visit.",
    )


UNBALANCE = Row(
    facts=Unbalance,
    family="supply",
    severities=("next_visit", "note"),
    alarm=MEASURED,
    concern="other",
    quiet=OF_A_RUN,
    readiness=READY,
    cover=None,
    cover_at=NEVER,
    job="by_severity",
    sends=True,
    say=_unbalance,
)

CIRCUITS = {
    "ac_v": "its output",
    "ac_l1_v": "L1 to neutral",
    "ac_l2_v": "L2 to neutral",
    "ac_l3_v": "L3 to neutral",
    "ac_l12_v": "L1 to L2",
    "ac_l23_v": "L2 to L3",
    "ac_l31_v": "L3 to L1",
}
"""Where a circuit of the set is read, in the trade's words."""


class LegOut(Metered, frozen=True, kw_only=True, omit_defaults=True, tag="leg_out"):
    """One of several circuits is dead or far too low while another is alive.

    What hangs on it is dark, and three-phase motors on the rest burn out within minutes.

    Call the site: motors off at their own breakers; send a licensed person. One that has never
    shown volts may be a sense lead that was never fitted: look at the next visit.

    Under 80 % of its own nominal for 60 s by a second sample (equipment is not made to run on less
    for longer than 10 s: ITI (CBEMA) curve, 2000); dead under 50 % (common practice, no source).

    volts: at worst, of nominal_v on that circuit. not_yet: its device has never read volts there.
    """

    channel: str
    phases: str | None
    volts: Volts
    nominal_v: Volts
    last_at: Moment
    not_yet: bool = False


def _circuit(facts: LegOut | OverVoltage | VoltageOut) -> str:
    """`L3 to neutral`; on a split-phase set `its second leg`."""
    channel = facts.channel
    if facts.phases == "split" and channel in ("ac_l1_v", "ac_l2_v"):
        return "its first leg" if channel == "ac_l1_v" else "its second leg"
    return CIRCUITS.get(channel, "one of its circuits")


def _leg_out(facts: LegOut, f: Found, zone: str, now: int) -> Sentence:
    where = _circuit(facts)
    name = where[0].upper() + where[1:]
    seen = (
        f"{name} gave {_volts(facts.volts)} where {_volts(facts.nominal_v)} belong, since "
        f"{began(f, zone, now)}, while the rest of its output is alive."
    )
    if facts.not_yet:
        seen += (
            " No run of a year seen by this device showed volts there: perhaps its sense lead is "
        )
        seen += "not fitted."
        do = "Put a meter on every phase and on the sense leads, at the next visit."
    else:
        seen += " What hangs on it is dark, and motors on the rest burn out."
        do = "Call the site: motors off at their own breakers; send a licensed person."
        if f.severity == "same_day":
            do = "Put a meter on every phase under load, today."
    return Sentence(
        title="A phase or leg is dead"
        if f.severity == "act_now"
        else "A phase or leg is far too low",
        seen=seen + unchecked(facts),
        do=do,
    )


LEG_OUT = Row(
    facts=LegOut,
    family="supply",
    severities=("act_now", "same_day", "next_visit", "note"),
    alarm=BY_RUNS,
    concern="no_cover",
    quiet=Quiet(
        set_aside="note", unchecked="note_unless_seen", answered_by="visit", outage="told_by_it"
    ),
    readiness=Readies(
        not_ready=ACT_NOW,
        doubtful=TOLD,
        reason="a phase or leg of its output was dead or far from its volts while it ran",
        where=always,
    ),
    cover="no_voltage",
    cover_at=ACT_NOW,
    job="by_severity",
    sends=True,
    say=_leg_out,
)


class OpenNeutral(Metered, frozen=True, kw_only=True, omit_defaults=True, tag="open_neutral"):
    """One leg or phase to neutral stands high while another stands low, and the two together are
    right.

    The neutral is open: what hangs on the high leg burns, and cases may be live.

    Call the site: everything sensitive off at its own breakers; send a licensed person.

    One over 110 % and another under 90 % of their own nominal, twice; common practice, no source.

    high_pct, low_pct: of its volts, beyond which it is called so.
    """

    nominal_v: Volts
    last_at: Moment
    high_pct: Percent
    low_pct: Percent


def _open_neutral(facts: OpenNeutral, f: Found, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Open neutral",
        seen=f"One phase or leg is over {facts.high_pct:.0f} % of its volts while another is under "
        f"{facts.low_pct:.0f} %, since {began(f, zone, now)}: the neutral is open, and what is "
        "plugged in burns." + unchecked(facts),
        do="Call the site: everything sensitive off at its own breakers; send a licensed person.",
    )


OPEN_NEUTRAL = Row(
    facts=OpenNeutral,
    family="supply",
    severities=("act_now",),
    alarm=DANGER,
    concern="danger",
    quiet=OF_A_DANGER,
    readiness=Readies(
        not_ready=ACT_NOW,
        doubtful=TOLD,
        reason="its phases or legs stand apart as with an open neutral",
        where=always,
    ),
    cover=None,
    cover_at=NEVER,
    job="by_severity",
    sends=True,
    say=_open_neutral,
)


class OverVoltage(Metered, frozen=True, kw_only=True, omit_defaults=True, tag="over_voltage"):
    """A measured circuit stands far above its own nominal while the set runs, or the device says
    so.

    What is plugged in is being destroyed as you read this.

    Call the site: load off at its breakers; send a van to stop the set.

    From 115 % of nominal on, twice, 30 s after the start: two readings lie further apart than the
    half second for which equipment stands 120 % (ITI (CBEMA) curve, 2000), which stands 110 % for
    good; 5 points are left to the instrument (common practice, no source).

    volts: at worst (None: only its controller says so), of nominal_v. channel, phases: the circuit,
    where it is one of several.
    """

    nominal_v: Volts
    last_at: Moment
    volts: Volts | None = None
    channel: str = ""
    phases: str | None = None
    not_yet: bool = False


def _over_voltage(facts: OverVoltage, f: Found, zone: str, now: int) -> Sentence:
    much = f"{_volts(facts.volts)} on" if facts.volts else "Its controller says so on"
    of = f"a set of {_volts(facts.nominal_v)}"
    if facts.channel and facts.channel != "ac_v":
        of = f"{_circuit(facts)}, where {_volts(facts.nominal_v)} belong,"
    return Sentence(
        title="Over-voltage",
        seen=f"{much} {of} since {began(f, zone, now)}: "
        "appliances on it are being destroyed." + unchecked(facts),
        do="Call the site: load off at its breakers; send a van to stop the set.",
    )


OVER_VOLTAGE = Row(
    facts=OverVoltage,
    family="supply",
    severities=("act_now",),
    alarm=DANGER,
    concern="danger",
    quiet=OF_A_DANGER,
    readiness=Readies(
        not_ready=ACT_NOW, doubtful=TOLD, reason="its volts are far too high", where=always
    ),
    cover=None,
    cover_at=NEVER,
    job="by_severity",
    sends=True,
    say=_over_voltage,
)


class NoOutput(Metered, frozen=True, kw_only=True, omit_defaults=True, tag="no_output"):
    """The engine turns, by a second signal, and its own side has no volts.

    It sounds as if all were well, and nobody is covered.

    Call the site about its output breaker; send the nearest van.

    Under 20 % of nominal for 60 s by a second sample; common practice, no source.

    volts: the most that was seen.
    """

    nominal_v: Volts
    last_at: Moment
    volts: Volts


def _no_output(facts: NoOutput, f: Found, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Runs without output",
        seen=f"The engine ran from {moment(f.since, zone, now)} on and gave no volts "
        f"({_volts(facts.volts)} at most seen): nobody is covered." + unchecked(facts),
        do="Call the site about its output breaker, send the nearest van.",
    )


NO_OUTPUT = Row(
    facts=NoOutput,
    family="supply",
    severities=("act_now", "note"),
    alarm=BY_RUNS,
    concern="no_cover",
    quiet=Quiet(
        set_aside="note", unchecked="note_unless_seen", answered_by="visit", outage="told_by_it"
    ),
    readiness=Readies(
        not_ready=TOLD, doubtful=NEVER, reason="it ran and gave no voltage", where=always
    ),
    cover="no_voltage",
    cover_at=TOLD,
    job="by_severity",
    sends=True,
    say=_no_output,
)


class VoltsStanding(Metered, frozen=True, kw_only=True, omit_defaults=True, tag="volts_standing"):
    """Its own side is live though the engine stands and no start was told.

    Back-feed, or a sense lead on the wrong side of the transfer gear. Back-feed kills whoever takes
    the terminals, or the line outside, for dead.

    Stay away from the terminals and keep others away. A licensed person looks at the transfer gear
    first.

    50 % of nominal for 60 s by a second reading, and no crank in the 5 min before they came; common
    practice, no source.
    """

    nominal_v: Volts
    last_at: Moment
    volts: Volts


def _volts_standing(facts: VoltsStanding, f: Found, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Volts on a standing set",
        seen=f"{_volts(facts.volts)} on the set's side since {moment(f.since, zone, now)} while "
        "the engine stands: back-feed, or a sense lead on the mains side." + unchecked(facts),
        do=f"{AWAY} A licensed person looks at the transfer gear first.",
    )


VOLTS_STANDING = Row(
    facts=VoltsStanding,
    family="supply",
    severities=("act_now",),
    alarm=DANGER,
    concern="danger",
    quiet=OF_A_DANGER,
    readiness=Readies(
        not_ready=ALL,
        doubtful=NEVER,
        reason="volts stand on its output while it stands still",
        where=always,
    ),
    cover=None,
    cover_at=NEVER,
    job="by_severity",
    sends=True,
    say=_volts_standing,
)


class StrayVolts(Metered, frozen=True, kw_only=True, omit_defaults=True, tag="stray_volts"):
    """Some volts on its own side while the engine stands: too few for a supply.

    Most often an open sense lead picks them up. Take the circuit for live until it is proven dead.

    Have the sense leads looked at at the next visit.

    From 10 % of nominal on, under 50 %; common practice, no source.
    """

    nominal_v: Volts
    last_at: Moment
    volts: Volts


def _stray_volts(facts: StrayVolts, f: Found, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Stray volts",
        seen=f"{_volts(facts.volts)} on the set's side since {moment(f.since, zone, now)} while "
        "the engine stands: too little for back-feed, perhaps an open lead picking it up.",
        do="Have the sense leads looked at, at the next visit, and take the circuit for live.",
    )


STRAY_VOLTS = Row(
    facts=StrayVolts,
    family="supply",
    severities=("note",),
    alarm=STATE,
    concern="other",
    quiet=Quiet(set_aside="note", unchecked="note", answered_by="visit", outage="nothing"),
    readiness=READY,
    cover=None,
    cover_at=NEVER,
    job="by_severity",
    sends=True,
    say=_stray_volts,
)


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
    nominal: float
    runs_at: float
    runs: int


def _wrong_nominal(facts: WrongNominal, f: Found, zone: str, now: int) -> Sentence:
    if facts.quantity == "battery":
        return Sentence(
            title="Battery nominal may be wrong",
            seen=f"The register says a battery of {_volts(facts.nominal)}, and its volts fit one of "
            f"{_volts(facts.runs_at)} on every day since {moment(f.since, zone, now)}: it is not "
            "judged.",
            do="Read the label of the battery and put it right in the register.",
        )
    said = _volts if facts.quantity == "volts" else _hertz
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


WRONG_NOMINAL = Row(
    facts=WrongNominal,
    family="supply",
    severities=("note",),
    alarm=STATE,
    concern="other",
    quiet=Quiet(set_aside="note", unchecked="note", answered_by="nothing", outage="nothing"),
    readiness=READY,
    cover=None,
    cover_at=NEVER,
    job="by_severity",
    sends=False,
    say=_wrong_nominal,
)

OfSupply: TypeAlias = (
    VoltageOut
    | FrequencyOut
    | VoltageDrift
    | FrequencyDrift
    | Hunting
    | Unbalance
    | LegOut
    | OpenNeutral
    | OverVoltage
    | NoOutput
    | VoltsStanding
    | StrayVolts
    | WrongNominal
)
"""What is found of volts and hertz."""


def group(facts: OfSupply) -> Group:
    """What the page of volts and hertz lists it under."""
    match facts:
        case VoltsStanding() | OpenNeutral() | OverVoltage() | NoOutput() | LegOut():
            return "Danger"
        case VoltageOut() | FrequencyOut():
            return "Out of tolerance"
        case VoltageDrift() | FrequencyDrift():
            return "Drifting out"
        case Hunting() | Unbalance():
            return "Unsteady or unbalanced"
        case StrayVolts() | WrongNominal():
            return "To look into"
        case _:
            assert_never(facts)


def share_of(facts: OfSupply) -> float | None:
    """How far it is, as a part of the way to its limit; None where it has none."""
    match facts:
        case OutOfBand() | Drifting() | Hunting() | Unbalance():
            return facts.share
        case _:
            return None
