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
    """The set's volts are outside their band.

    What it feeds runs badly or is damaged. Put a meter on its output under load, then look at the
    voltage regulator. The band and its source are named in `by`.
    """

    value: Volts
    worst: Volts
    low: Volts
    high: Volts
    nominal: Volts


class FrequencyOut(OutOfBand, frozen=True, kw_only=True, omit_defaults=True, tag="frequency_out"):
    """The set's hertz are outside their band.

    Clocks, motors and transfer gear go wrong. Put a meter on its output under load, then look at the
    governor and its fuel. The band and its source are named in `by`.
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
    seen = (
        f"{name} {'above' if high else 'below'} the band since {began(f, zone, now)}: "
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
    """The set's volts move towards the edge of their band, run by run.

    One day they are out of it. Put a meter on its output, then look at the voltage regulator at the
    next visit. Told by runs at like load against those as commissioned (EWMA, Theil-Sen, Mann-Kendall).

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
    """The set's hertz move towards the edge of their band, run by run.

    One day they are out of it. Put a meter on its output, then look at the governor, its linkage and
    the fuel at the next visit. Told by runs at like load against those as commissioned (EWMA,
    Theil-Sen, Mann-Kendall).

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
    """The set's hertz swing wider inside a run than the steady band allows.

    Its governor does not settle; one day it stalls or overspeeds. Look at fuel, air and the governor's
    linkage at the next visit. The newest run and two of the newest three (common practice, no source);
    the width is that of the class named in `by`.

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
    """The set's line voltages lie further apart than they may.

    Motors on it run hot. Look at how the load is spread, then at the windings, at the next visit. 3 %
    by the formula of NEMA MG 1, in the newest run and two of the newest three.

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
    """One phase or leg is dead, or far too low, while the rest of the output is alive.

    What hangs on it is dark, and motors on the rest burn out. Call the site: motors off at their own
    breakers; send a licensed person. Act now where it is dead, Same day where it is far too low, Next
    visit where no run of a year showed volts there (common practice, no source).

    volts: at worst, of nominal_v on that circuit. not_yet: its device has never read volts there.
    """

    channel: str
    phases: str | None
    volts: Volts
    nominal_v: Volts
    last_at: Moment
    not_yet: bool = False


def _circuit(facts: LegOut | OverVoltage) -> str:
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
    """One phase or leg is far too high while another is far too low: the neutral is open.

    What is plugged in burns. Call the site: everything sensitive off at its own breakers; send a
    licensed person. One over 110 % of its volts, another under 90 % (common practice, no source).

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
    """The set's volts are so high that they destroy what is plugged in.

    Call the site: load off at its breakers; send a van to stop the set. The limit is that of the rule
    on dangers, or the controller's own word.

    volts: at worst (None: only its controller says so), of nominal_v. channel, phases: the circuit, where
    it is one of several.
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
    """The engine runs and gives no volts.

    Nobody is covered. Call the site about its output breaker, send the nearest van. The limit is that
    of the rule on dangers.

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
    """Volts on the set's side while the engine stands.

    Back-feed, which kills on the line, or a sense lead on the mains side. Stay away from the terminals;
    a licensed person looks at the transfer gear first. The limit is that of the rule on dangers.
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
    """A few volts on the set's side while the engine stands.

    Too little for back-feed, perhaps an open lead that picks them up; take the circuit for live all
    the same. Have the sense leads looked at, at the next visit.
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
    """Every run of the set was at another nominal than the register says.

    It is judged by a figure that is not its own. Read the nameplate and put it right in the register.
    Every run near one other usual nominal (common practice, no source).

    quantity: whether nominal and runs_at are volts [V] or hertz [Hz].
    """

    quantity: Literal["volts", "hertz"]
    nominal: float
    runs_at: float
    runs: int


def _wrong_nominal(facts: WrongNominal, f: Found, zone: str, now: int) -> Sentence:
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
