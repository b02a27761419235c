"""Volts and hertz: out of band, drifting, apart, too high, none, or where none belong."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from fleet.model import Finding
from fleet.words.saying import CAUTIONS, Sentence, Speaker, began, day, moment, unchecked, when

AWAY = "Stay away from the terminals and keep others away: they may be live though nothing turns."


def _volts(value: object) -> str:
    return f"{float(str(value)):.0f} V"


def _hertz(value: object) -> str:
    return f"{float(str(value)):.1f} Hz"


def _out(f: Finding, zone: str, now: int, volts: bool) -> Sentence:
    facts = f.facts
    said = _volts if volts else _hertz
    name = "Volts" if volts else "Hertz"
    high = float(facts["worst"]) > float(facts["nominal"])
    seen = (
        f"{name} {'above' if high else 'below'} the band since {began(f, zone, now)}: "
        f"{said(facts['worst'])} at worst, {said(facts['value'])} last; allowed are "
        f"{said(facts['low'])} to {said(facts['high'])} ({facts['by']})."
    )
    if isinstance(changed := facts.get("changed_at"), int):
        what = "regulator" if volts else "governor"
        seen += (
            f" Its {what}, device or calibration was changed after that, {moment(changed, zone, now)}: "
            "no run since says whether it still holds."
        )
    part = "the voltage regulator" if volts else "the governor and its fuel"
    return Sentence(
        title=f"{name} too {'high' if high else 'low'}",
        seen=seen + unchecked(f),
        do=f"Put a meter on its output under load, then look at {part} {when(f)}.",
        cautions=CAUTIONS,
    )


def _voltage_out(f: Finding, zone: str, now: int) -> Sentence:
    return _out(f, zone, now, True)


def _frequency_out(f: Finding, zone: str, now: int) -> Sentence:
    return _out(f, zone, now, False)


def _drift(f: Finding, zone: str, now: int, volts: bool) -> Sentence:
    facts = f.facts
    unit, name = ("V", "Volts") if volts else ("Hz", "Hertz")
    figures = 1 if volts else 2
    moved = float(facts["moved"])
    like = {
        "droop line": "the load it carried taken into account",
        "no load": "runs without load only",
        "like load": "runs with like load only",
        "runs without an outage": "its load is not measured",
    }.get(str(facts.get("by")), "")
    seen = (
        f"{name} have moved {'up' if moved > 0 else 'down'} by {abs(moved):.{figures}f} {unit} since "
        f"{moment(int(facts['from_at']), zone, now)}, over {facts['runs']} runs"
    )
    seen += f" ({like})." if like else "."
    crosses, first = facts.get("crosses_at"), facts.get("crosses_from")
    if crosses is not None and int(crosses) <= now:
        seen += " They are at the edge of the band."
    elif crosses is not None:
        seen += f" At this rate they leave the band about {_date(crosses, zone)}"
        seen += f", not before {_date(max(int(first), now), zone)}." if first is not None else "."
    else:
        seen += f" That is {float(facts['share']):.0%} of the way to the limit."
    part = "the voltage regulator" if volts else "the governor, its linkage and the fuel"
    return Sentence(
        title=f"{name} drifting",
        seen=seen + unchecked(f),
        do=f"Put a meter on its output, then look at {part} at the next visit.",
        cautions=CAUTIONS,
    )


def _date(at: object, zone: str) -> str:
    """The local day of a moment: a forecast is no finer."""
    then = datetime.fromtimestamp(int(str(at)), UTC).astimezone(ZoneInfo(zone))
    return day(then.date().isoformat())


def _voltage_drift(f: Finding, zone: str, now: int) -> Sentence:
    return _drift(f, zone, now, True)


def _frequency_drift(f: Finding, zone: str, now: int) -> Sentence:
    return _drift(f, zone, now, False)


def _hunting(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    return Sentence(
        title="Hunting",
        seen=f"Its speed does not settle: hertz swing {facts['width_hz']:.2f} Hz wide inside a run, "
        f"{facts['limit_hz']:.2f} Hz are usual; in {facts['runs']} of its last {facts['of']} runs."
        + unchecked(f),
        do="Look at fuel, air and the governor's linkage at the next visit.",
        cautions=CAUTIONS,
    )


def _unbalance(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    return Sentence(
        title="Phases unbalanced",
        seen=f"Its line voltages lie {facts['pct']:.2f} % apart by NEMA MG 1 "
        f"({facts['limit_pct']:.0f} % is the limit): motors on it run hot." + unchecked(f),
        do="Look at how the load is spread, then at the windings, at the next visit.",
        cautions=CAUTIONS,
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


def _circuit(f: Finding) -> str:
    """`L3 to neutral`; on a split-phase set `its second leg`."""
    channel = str(f.facts.get("channel", ""))
    if f.facts.get("phases") == "split" and channel in ("ac_l1_v", "ac_l2_v"):
        return "its first leg" if channel == "ac_l1_v" else "its second leg"
    return CIRCUITS.get(channel, "one of its circuits")


def _leg_out(f: Finding, zone: str, now: int) -> Sentence:
    facts, where = f.facts, _circuit(f)
    name = where[0].upper() + where[1:]
    seen = (
        f"{name} gave {_volts(facts['volts'])} where {_volts(facts['nominal_v'])} belong, since "
        f"{began(f, zone, now)}, while the rest of its output is alive."
    )
    if facts.get("not_yet"):
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
        seen=seen + unchecked(f),
        do=do,
        cautions=CAUTIONS,
    )


def _open_neutral(f: Finding, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Open neutral",
        seen=f"One phase or leg is over 110 % of its volts while another is under 90 %, since "
        f"{began(f, zone, now)}: the neutral is open, and what is plugged in burns." + unchecked(f),
        do="Call the site: everything sensitive off at its own breakers; send a licensed person.",
        cautions=CAUTIONS,
    )


def _over_voltage(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    much = f"{_volts(facts['volts'])} on" if facts.get("volts") else "Its controller says so on"
    of = f"a set of {_volts(facts['nominal_v'])}"
    if facts.get("channel") and facts["channel"] != "ac_v":
        of = f"{_circuit(f)}, where {_volts(facts['nominal_v'])} belong,"
    return Sentence(
        title="Over-voltage",
        seen=f"{much} {of} since {began(f, zone, now)}: "
        "appliances on it are being destroyed." + unchecked(f),
        do="Call the site: load off at its breakers; send a van to stop the set.",
        cautions=CAUTIONS,
    )


def _no_output(f: Finding, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Runs without output",
        seen=f"The engine ran from {moment(f.since, zone, now)} on and gave no volts "
        f"({_volts(f.facts.get('volts', 0))} at most seen): nobody is covered." + unchecked(f),
        do="Call the site about its output breaker, send the nearest van.",
        cautions=CAUTIONS,
    )


def _volts_standing(f: Finding, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Volts on a standing set",
        seen=f"{_volts(f.facts['volts'])} on the set's side since {moment(f.since, zone, now)} while "
        "the engine stands: back-feed, or a sense lead on the mains side." + unchecked(f),
        do=f"{AWAY} A licensed person looks at the transfer gear first.",
        cautions=CAUTIONS,
    )


def _stray_volts(f: Finding, zone: str, now: int) -> Sentence:
    return Sentence(
        title="Stray volts",
        seen=f"{_volts(f.facts['volts'])} on the set's side since {moment(f.since, zone, now)} while "
        "the engine stands: too little for back-feed, perhaps an open lead picking it up.",
        do="Have the sense leads looked at, at the next visit, and take the circuit for live.",
        cautions=CAUTIONS,
    )


def _wrong_nominal(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    said = _volts if f.part == "volts" else _hertz
    return Sentence(
        title="Nominal may be wrong",
        seen=f"The register says {said(facts['nominal'])}, and {_every(f, zone, now)} was at about "
        f"{said(facts['runs_at'])}: it is judged by a figure that is not its own.",
        do="Read the nameplate and put it right in the register.",
    )


def _every(f: Finding, zone: str, now: int) -> str:
    """ "every one of its 12 runs since 3 Mar 14:05", as far back as they were looked at."""
    runs = int(f.facts.get("runs") or 1)
    since = moment(f.since, zone, now)
    return f"its one run, {since}," if runs == 1 else f"every one of its {runs} runs since {since}"


SPEAKERS: dict[str, Speaker] = {
    "voltage_out": _voltage_out,
    "frequency_out": _frequency_out,
    "voltage_drift": _voltage_drift,
    "frequency_drift": _frequency_drift,
    "hunting": _hunting,
    "unbalance": _unbalance,
    "open_neutral": _open_neutral,
    "over_voltage": _over_voltage,
    "leg_out": _leg_out,
    "no_output": _no_output,
    "volts_standing": _volts_standing,
    "stray_volts": _stray_volts,
    "wrong_nominal": _wrong_nominal,
}
SENDS_A_PERSON = frozenset(SPEAKERS) - {"wrong_nominal"}
