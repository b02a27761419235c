"""The condition of a unit in the trade's words, and since when."""

from __future__ import annotations

from dataclasses import dataclass

from fleet.model import Condition, Run, StartDemand
from fleet.registry.facts.rows import UnitInputs
from scheduler.assess.last_known import Aside, Silence, newest
from scheduler.day import Spell
from scheduler.rules.starting import CYCLES, LAG_S

ON_LOAD_SHARE = 0.03
ON_LOAD_KW = 0.2
"""On load: more than 3 % of the rated power and 0.2 kW. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Now:
    """The open state of a unit at `now`: what is going on, and what is not known."""

    now: int
    silence: Silence
    silent: bool
    aside: Aside | None
    run: Run | None
    demand: StartDemand | None
    in_auto: Spell | None
    last_stop: int | None
    came_on_at: int | None = None
    """When it was last said to turn, where that has not become a run: no later word has it standing."""
    dark_at: int | None = None
    """When another channel had the engine turning while its running signal had it at rest."""
    running_known_s: int = 2**62
    """How long after its last reading a set that was seen running is known to run [s]."""
    mains_v: float | None = None
    """What the mains is nominally at where it is read [V]; None: as the set's own nominal."""


def condition(inputs: UnitInputs, at: Now) -> tuple[Condition, int | None]:
    """The condition and the moment it began (UTC seconds, None: not known).

    Set aside by people comes before silence, silence before anything a device said: a value
    that is no longer fresh does not say that a set is running. A set that the register gives no
    device is not silent: nothing will ever be heard of it.

    Gives: a word and since when [UTC s]. Definition.
    """
    if at.aside is not None:
        word: Condition = "laid_up" if at.aside.condition == "laid_up" else "out_of_service"
        return word, at.aside.from_at
    if not at.silence.fitted:
        return "no_device", None
    if at.silent or at.silence.heard_at is None:
        return "not_reporting", at.silence.heard_at
    return active(inputs, at)


def ran_at(inputs: UnitInputs, at: Now) -> int | None:
    """When a set was last heard running that is not known to run now, and of which nothing since
    has it standing; None: otherwise, also where people set it aside.

    Gives: [UTC s], or none. Definition.
    """
    if at.aside is not None or at.silence.heard_at is None:
        return None
    word, since = active(inputs, at)
    return since if word == "last_heard_running" else None


def puzzling_since(at: Now) -> int | None:
    """Since when its device speaks and is not understood, where nothing else is heard of the set;
    None: otherwise, also where people set it aside.

    Gives: [UTC s], or none. Definition.
    """
    if at.aside is not None or not (at.silent or at.silence.heard_at is None):
        return None
    return at.silence.puzzling_since


def two_devices(at: Now) -> str:
    """The id of the device as which two seem to speak, where the set is not set aside; or empty.

    Gives: a word. Definition.
    """
    return "" if at.aside is not None else at.silence.two_devices


def active(inputs: UnitInputs, at: Now) -> tuple[Condition, int | None]:
    """The condition by what the device last said.

    A set whose running signal was on when it was last read, and was not read since, was last heard
    running: its run is counted up to there, and that is no word of it standing. Nor is a start of
    which nothing but its beginning was heard. Nor does one stand whose engine another channel has
    turning: its own volts may be what is missing.

    Gives: a word and since when [UTC s]. Definition.
    """
    if at.run is not None and at.run.end is None:
        if at.now - at.run.last_on_at > at.running_known_s:
            return "last_heard_running", at.run.last_on_at
        return _running(inputs, at.run, at)
    turned_at = at.came_on_at if at.came_on_at is not None else at.dark_at
    if turned_at is not None:
        known = at.now - turned_at <= at.running_known_s
        return "running" if known else "last_heard_running", turned_at
    if at.run is not None and at.run.end_seen == "gap":
        return "last_heard_running", at.run.last_on_at
    until = cranking_until(inputs, at.demand)
    if at.demand is not None and until is not None and at.now < until:
        return "cranking", at.demand.at
    if at.in_auto is not None and at.in_auto.value == 0:
        return "not_in_auto", at.in_auto.since
    since = at.in_auto.since if at.in_auto is not None else None
    moments = [moment for moment in (at.last_stop, since) if moment is not None]
    return "standing_by", max(moments, default=None)


def cranking_until(inputs: UnitInputs, demand: StartDemand | None) -> int | None:
    """When the cranking window of an unanswered demand is over; None: there is none.

    Gives: [UTC s], or none. Definition.
    """
    if demand is None or demand.end != "unknown" or demand.attempts < 1:
        return None
    cycle_s = inputs.unit.cranking_cycle_s or CYCLES[inputs.unit.engine_class].total_s
    return demand.at + cycle_s + LAG_S


def _running(inputs: UnitInputs, run: Run, at: Now) -> tuple[Condition, int | None]:
    """On load, or cooling down: the load it carried is gone and the mains is back."""
    now = at.now
    load = newest(inputs, "load_kw", now)
    if load is None or load.at < run.start:
        return "running", run.start
    least = max(ON_LOAD_KW, ON_LOAD_SHARE * (inputs.unit.rated_kw or 0.0))
    if load.value > least:
        return "on_load", run.start
    mains = newest(inputs, "mains_v", now)
    healthy = mains is not None and mains.value > (at.mains_v or inputs.unit.nominal_v) / 2
    carried = run.peak_load_kw is not None and run.peak_load_kw > least
    return ("cooling_down" if healthy and carried else "running"), run.start
