"""Volts that endanger: on a circuit that is dead or far too high, none at all, or where none belong."""

from __future__ import annotations

from fleet.findings.row import (
    ALL,
    BY_RUNS,
    DANGER,
    NEVER,
    READY,
    STATE,
    TOLD,
    F,
    Found,
    Metered,
    Moment,
    Percent,
    Quiet,
    Readies,
    Row,
    Say,
    Sentence,
    Severities,
    Severity,
    Volts,
    always,
)
from fleet.findings.saying import began, circuit, moment, unchecked, volts
from fleet.findings.states import Cover

AWAY = "Stay away from the terminals and keep others away: they may be live though nothing turns."
ACT_NOW: Severities = frozenset({"act_now"})


def _danger(
    facts: type[F], say: Say[F], readiness: Readies, *, cover: Cover | None = None
) -> Row[F]:
    """A danger to people or to what they own: Act now, and nothing but a visit makes it say less.
    cover: how its site fares in an outage while the set runs."""
    return Row(
        facts=facts,
        family="supply",
        severities=("act_now",),
        alarm=DANGER,
        concern="danger",
        quiet=Quiet(set_aside="stays", unchecked="stays", answered_by="visit", outage="nothing"),
        readiness=readiness,
        cover=cover,
        cover_at=ACT_NOW if cover else NEVER,
        job="by_severity",
        sends=True,
        say=say,
    )


def _no_voltage(
    facts: type[F],
    say: Say[F],
    severities: tuple[Severity, ...],
    readiness: Readies,
    *,
    cover_at: Severities,
    cover: Cover = "no_voltage",
) -> Row[F]:
    """It runs, and what hangs on it is dark in whole or in part: judged by whole runs, and told by the
    outage it happens in."""
    return Row(
        facts=facts,
        family="supply",
        severities=severities,
        alarm=BY_RUNS,
        concern="no_cover",
        quiet=Quiet(
            set_aside="note",
            unchecked="note_unless_seen",
            answered_by="visit",
            outage="told_by_it",
        ),
        readiness=readiness,
        cover=cover,
        cover_at=cover_at,
        job="by_severity",
        sends=True,
        say=say,
    )


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


def _leg_out(facts: LegOut, f: Found, zone: str, now: int) -> Sentence:
    where = circuit(facts.channel, facts.phases)
    name = where[0].upper() + where[1:]
    seen = (
        f"{name} gave {volts(facts.volts)} where {volts(facts.nominal_v)} belong, since "
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


LEG_OUT = _no_voltage(
    LegOut,
    _leg_out,
    ("act_now", "same_day", "next_visit", "note"),
    Readies(
        not_ready=ACT_NOW,
        doubtful=TOLD,
        reason="a phase or leg of its output was dead or far from its volts while it ran",
        where=always,
    ),
    cover="bad_output",
    cover_at=ACT_NOW,
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


OPEN_NEUTRAL = _danger(
    OpenNeutral,
    _open_neutral,
    Readies(
        not_ready=ACT_NOW,
        doubtful=TOLD,
        reason="its phases or legs stand apart as with an open neutral",
        where=always,
    ),
    cover="bad_output",
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
    much = f"{volts(facts.volts)} on" if facts.volts else "Its controller says so on"
    of = f"a set of {volts(facts.nominal_v)}"
    if facts.channel and facts.channel != "ac_v":
        of = f"{circuit(facts.channel, facts.phases)}, where {volts(facts.nominal_v)} belong,"
    return Sentence(
        title="Over-voltage",
        seen=f"{much} {of} since {began(f, zone, now)}: "
        "appliances on it are being destroyed." + unchecked(facts),
        do="Call the site: load off at its breakers; send a van to stop the set.",
    )


OVER_VOLTAGE = _danger(
    OverVoltage,
    _over_voltage,
    Readies(not_ready=ACT_NOW, doubtful=TOLD, reason="its volts are far too high", where=always),
    cover="bad_output",
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
        f"({volts(facts.volts)} at most seen): nobody is covered." + unchecked(facts),
        do="Call the site about its output breaker, send the nearest van.",
    )


NO_OUTPUT = _no_voltage(
    NoOutput,
    _no_output,
    ("act_now", "note"),
    Readies(not_ready=TOLD, doubtful=NEVER, reason="it ran and gave no voltage", where=always),
    cover_at=TOLD,
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
        seen=f"{volts(facts.volts)} on the set's side since {moment(f.since, zone, now)} while "
        "the engine stands: back-feed, or a sense lead on the mains side." + unchecked(facts),
        do=f"{AWAY} A licensed person looks at the transfer gear first.",
    )


VOLTS_STANDING = _danger(
    VoltsStanding,
    _volts_standing,
    Readies(
        not_ready=ALL,
        doubtful=NEVER,
        reason="volts stand on its output while it stands still",
        where=always,
    ),
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
        seen=f"{volts(facts.volts)} on the set's side since {moment(f.since, zone, now)} while "
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
