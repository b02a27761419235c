"""What could say that the engine runs: thresholds proposed from a recorded test run, or refused.

Whoever ran the test says when the engine turned; the run should hold idle, choke and load, and
some rest on both sides. Proposed are thresholds inside the gap between what was read at rest and
what was read running. All numbers: common practice, no source
(docs/engineering/signal.md#proposed-from-a-test-run).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import msgspec
import numpy as np

from fleet.channels import AC_VOLTS, BATTERY_VOLTS
from fleet.model import Series
from scheduler.rules.trend import Floats

CANDIDATES = (
    "running",
    "ac_v",
    "ac_l1_v",
    "ac_l12_v",
    "charge_v",
    "frequency_hz",
    "speed_rpm",
    "oil_pressure_kpa",
)
"""Channels that may say it, the surest first."""
Why = Literal[
    "too_few",
    "overlap",
    "floats",
    "tied_to_battery",
    "mains_side",
    "not_reported",
]


class ProposeRules(msgspec.Struct, frozen=True, kw_only=True):
    """edge_s: left out around start and stop, as people's watches differ. rest_s: rest looked at on
    each side. least: readings needed of each kind. on_share, off_share: where in the gap.

    gap_share: the gap must be this share of the running level. float_mean, float_sd: at rest a
    mean and a noise above these shares of the running level float. tied_v: at rest within this
    of the battery [V]. live_share: of nominal, above which AC at rest is live.
    """

    edge_s: int = 30
    rest_s: int = 3_600
    least: int = 5
    on_share: float = 0.60
    off_share: float = 0.40
    gap_share: float = 0.10
    float_mean: float = 0.05
    float_sd: float = 0.01
    tied_v: float = 1.0
    live_share: float = 0.25

    def __post_init__(self) -> None:
        if not 0 < self.off_share < self.on_share < 1:
            raise ValueError("off_share must lie above 0 and under on_share, on_share under 1")
        if self.least < 3 or self.edge_s < 0 or self.rest_s < 60:
            raise ValueError("least is at least 3, edge_s at least 0, rest_s at least 60")
        shares = (self.gap_share, self.float_mean, self.float_sd, self.live_share)
        if not all(0 < share < 1 for share in shares) or self.tied_v <= 0:
            raise ValueError("shares lie between 0 and 1, tied_v above 0")


class Population(msgspec.Struct, frozen=True, kw_only=True):
    """Readings of one kind, in the channel's unit."""

    n: int
    low: float
    high: float
    mean: float
    sd: float


class Proposal(msgspec.Struct, frozen=True, kw_only=True):
    """Running at or above `on`, standing at or below `off`. notes: what the test did not show."""

    channel: str
    on: float
    off: float
    rest: Population
    running: Population
    notes: tuple[str, ...] = ()


class Refused(msgspec.Struct, frozen=True, kw_only=True):
    """Why a channel cannot say it, and what to do about it (a sentence)."""

    channel: str
    why: Why
    sentence: str
    rest: Population | None = None
    running: Population | None = None


def propose(
    series: Mapping[str, Series],
    start: int,
    end: int,
    nominal_v: float,
    battery_v: float,
    rules: ProposeRules | None = None,
) -> tuple[Proposal | Refused, ...]:
    """An answer for every candidate channel that was reported, proposals first.

    on = highest at rest + 0.6 x gap, off = highest at rest + 0.4 x gap, the gap from there to the
    lowest running. series: calibrated readings from rest before to rest after. start, end: when the
    engine was running (UTC s), by whoever stood there. nominal_v, battery_v: nominal volts. Raises
    ValueError when the end does not come after the start.

    Gives: records, thresholds in the channel's unit. Common practice, no source.
    """
    rules = rules or ProposeRules()
    if end - start <= 2 * rules.edge_s:
        raise ValueError(f"the run must be longer than {2 * rules.edge_s} s: give start, then end")
    answers = [
        _one(name, series, start, end, nominal_v, battery_v, rules)
        for name in CANDIDATES
        if len(series.get(name, _NONE))
    ]
    if not answers:
        sentence = (
            "None of the channels that could say it was reported in that time: connect output "
            "volts or the charging output, or give the times of a recorded run."
        )
        return (Refused(channel="", why="not_reported", sentence=sentence),)
    return tuple(sorted(answers, key=lambda a: isinstance(a, Refused)))


_NONE = Series(np.empty(0, np.int64), np.empty(0, np.float64))


def _one(
    name: str,
    series: Mapping[str, Series],
    start: int,
    end: int,
    nominal_v: float,
    battery_v: float,
    rules: ProposeRules,
) -> Proposal | Refused:
    at_rest, at_work = _split(series[name], start, end, rules)
    if len(at_rest) < rules.least or len(at_work) < rules.least:
        return Refused(
            channel=name,
            why="too_few",
            sentence=f"{len(at_rest)} readings at rest and {len(at_work)} running: at least "
            f"{rules.least} of each are needed. Record a longer run, with rest on both sides.",
        )
    rest, work = _population(at_rest), _population(at_work)
    said = _electrical(name, series, start, end, rest, nominal_v, rules) or _apart(
        rest, work, rules
    )
    if said is not None:
        return Refused(channel=name, why=said[0], sentence=said[1], rest=rest, running=work)
    gap = work.low - rest.high
    return Proposal(
        channel=name,
        on=_rounded(rest.high + rules.on_share * gap, gap),
        off=_rounded(rest.high + rules.off_share * gap, gap),
        rest=rest,
        running=work,
        notes=_notes(name, series, start, end, work, battery_v, rules),
    )


def _split(one: Series, start: int, end: int, rules: ProposeRules) -> tuple[Floats, Floats]:
    """(at rest, running)."""
    edge = rules.edge_s
    before = (one.t >= start - rules.rest_s) & (one.t < start - edge)
    after = (one.t > end + edge) & (one.t <= end + rules.rest_s)
    inside = (one.t >= start + edge) & (one.t <= end - edge)
    return one.v[before | after], one.v[inside]


def _population(values: Floats) -> Population:
    return Population(
        n=len(values),
        low=float(values.min()),
        high=float(values.max()),
        mean=round(float(values.mean()), 3),
        sd=round(float(values.std()), 4),
    )


def _electrical(
    name: str,
    series: Mapping[str, Series],
    start: int,
    end: int,
    rest: Population,
    nominal_v: float,
    rules: ProposeRules,
) -> tuple[Why, str] | None:
    """Wiring under which a channel never says it, whatever its numbers."""
    live = rest.high >= rules.live_share * nominal_v and rest.mean >= 0.1 * nominal_v
    if name in AC_VOLTS and live:
        mains, _ = _split(series.get("mains_v", _NONE), start, end, rules)
        on = bool(len(mains)) and float(np.median(mains)) >= nominal_v / 2
        return (
            "mains_side",
            f"{rest.high:.0f} V were read with the engine stopped"
            f"{' and the mains on' if on else ''}: the sense leads may sit on the mains side of "
            "the transfer gear, and would say running whenever the mains is on. Have a licensed "
            "person move them to the set's side; test at rest with the mains on and with it off.",
        )
    if name == "charge_v":
        battery, _ = _split(series.get("battery_v", _NONE), start, end, rules)
        if len(battery) and abs(rest.mean - float(battery.mean())) <= rules.tied_v:
            return (
                "tied_to_battery",
                f"At rest it reads {rest.mean:.1f} V and the battery {float(battery.mean()):.1f} V:"
                " the charging output is tied to the battery, so it would always say running. "
                "Take it from before the rectifier or regulator, or use output volts.",
            )
    return None


def _apart(rest: Population, work: Population, rules: ProposeRules) -> tuple[Why, str] | None:
    """Numbers between which no threshold can stand."""
    level = abs(work.mean)
    if rest.mean > rules.float_mean * level and rest.sd > rules.float_sd * level:
        return (
            "floats",
            f"At rest it wanders about {rest.mean:.2f} ({rest.low:.2f} to {rest.high:.2f}): the "
            "input floats, as when the charging negative is not bonded to the common ground. Bond "
            "it, then record the run again.",
        )
    if work.low - rest.high <= max(rules.gap_share * level, 1e-9):
        return (
            "overlap",
            f"At rest it read {rest.low:.2f} to {rest.high:.2f}, running {work.low:.2f} to "
            f"{work.high:.2f}: these are not far enough apart for any threshold. Check that the "
            "times are right; else use another channel, or two together.",
        )
    return None


def _notes(
    name: str,
    series: Mapping[str, Series],
    start: int,
    end: int,
    work: Population,
    battery_v: float,
    rules: ProposeRules,
) -> tuple[str, ...]:
    notes = []
    if name in AC_VOLTS:
        mains, _ = _split(series.get("mains_v", _NONE), start, end, rules)
        if not len(mains):
            notes.append("the mains is not reported: look at rest with the mains on and off")
        notes.append("a set that turns without output is not seen by its output volts")
    if name in BATTERY_VOLTS and work.high < 0.75 * battery_v:
        notes.append("running it reads far under the battery: look at the range of this input")
    if work.sd < 0.002 * abs(work.mean):
        notes.append("it hardly moved: were idle, choke and load all in the run?")
    return tuple(notes)


def _rounded(value: float, gap: float) -> float:
    """To about a hundredth of the gap: 1, 0.1 or 0.01."""
    return round(value, 0 if gap >= 50 else 1 if gap >= 5 else 2)
