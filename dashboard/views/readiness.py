"""Would this one start now? Readiness with its proof, the mains, the fuel, and what is not seen."""

from __future__ import annotations

from dataclasses import dataclass

from dashboard import phrases
from dashboard.views.audience import readiness_for
from dashboard.views.contract import Form, View, view_of
from fleet import words
from fleet.findings import fuel as say_fuel
from fleet.model import MainsNow, Readiness, ReadinessNow, Run, Scope, UnitSummary
from fleet.registry.lists.rows import Counts
from fleet.words import readiness_sentences
from scheduler.assess import Assessment
from scheduler.rules import mains
from scheduler.rules.fuel import FuelSeen

BLIND_SHORT = {
    "starts": "start attempts",
    "switch": "panel switch",
    "mains": "mains",
    "fuel": "fuel",
    "charger": "battery and charger",
    "hours": "hour meter",
    "volts": "output volts",
    "transfer": "load, so the transfer gear",
}
"""What a device does not report, in a few words."""
YEAR_S = 365 * 86_400
"""A year of 365 days [s]. Arithmetic."""


class ReadinessView(ReadinessNow, View, frozen=True, kw_only=True):
    """Would it start now and carry its load: its word, what decided it, and its proof."""

    form = Form(
        moments=frozenset({"ran_at", "puzzling_since"}),
        about={
            "ran_at": "last heard running, where it is not known to run now and nothing since has it standing",
            "puzzling_since": "its device speaks and is not understood",
            "two_devices": "the id as which two devices seem to speak; neither is believed",
            "state": "ready, doubtful, not_ready, unknown or set_aside",
            "why": "what decided it",
            "others": "what else says the same",
            "proof_at": "newest run that began by itself",
            "blind": "what is not wired: not seen, never good",
        },
    )
    sentence: str


def readiness_view(
    held: ReadinessNow | None, zone: str, now: int, scope: Scope
) -> ReadinessView | None:
    """A verdict with its sentence; None before the first one."""
    if held is None:
        return None
    return view_of(ReadinessView, held, sentence=readiness_for(scope, held, zone, now))


class MainsView(MainsNow, View, frozen=True, kw_only=True):
    """The mains at the site. state unknown: not wired, or stale; `last` is what was said last, and
    the moments belong to it: it came in (since_earliest, since], and was last reported at `at`."""

    form = Form(moments=frozenset({"since_earliest"}))


class ReadinessCountView(View, frozen=True, kw_only=True):
    """Today's sentence as numbers; the five words together are all units."""

    units: int
    ready: int
    doubtful: int
    not_ready: int
    unknown: int
    unknown_silent: int
    unknown_too_new: int
    set_aside: int

    @property
    def parts(self) -> list[tuple[Readiness, int]]:
        """(word, number of sets), in the order in which a page shows them."""
        return [
            ("ready", self.ready),
            ("doubtful", self.doubtful),
            ("not_ready", self.not_ready),
            ("unknown", self.unknown),
            ("set_aside", self.set_aside),
        ]


def readiness_count(counts: Counts) -> ReadinessCountView:
    """How many sets would carry their load if the mains failed everywhere now."""
    by = counts.by_readiness
    return ReadinessCountView(
        units=counts.units,
        ready=by.get("ready", 0),
        doubtful=by.get("doubtful", 0),
        not_ready=by.get("not_ready", 0),
        unknown=counts.silent + counts.too_new,
        unknown_silent=counts.silent,
        unknown_too_new=counts.too_new,
        set_aside=by.get("set_aside", 0),
    )


class FuelView(FuelSeen, View, frozen=True, kw_only=True):
    """Fuel: smoothed level, and how long it lasts at load_share of the rating."""

    form = Form(
        hidden=frozenset({"trend_from"}),
        about={
            "left_share": "of what can be burnt",
            "by": "chart, energy, trend, supplied, or empty: not known",
        },
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadinessPanel:
    """The top of a unit's page: its word, the sentence without it, and what stands beside it.

    others: what else says the same; facts: (name, words); limits: what it cannot be sure of yet.
    """

    state: Readiness
    said: str
    others: list[str]
    facts: list[tuple[str, str]]
    limits: list[str]


def panel(
    summary: UnitSummary | None, verdict: Assessment | None, zone: str, now: int, scope: Scope
) -> ReadinessPanel:
    """The top of a unit's page: its word, the sentence without it, and the facts beside it."""
    held = summary.readiness if summary else None
    said = readiness_for(scope, held, zone, now).partition(": ")[2]
    said = said[:1].upper() + said[1:]
    state: Readiness = held.state if held else "unknown"
    if not scope.everything:  # what else is known of it is in the installer's words
        return ReadinessPanel(state=state, said=said, others=[], facts=[], limits=[])
    facts = []
    if summary is not None:
        facts.append(("Mains here", readiness_sentences.mains_now(summary.mains, zone, now)))
    if verdict is not None:
        facts.append(("Fuel", fuel(verdict.fuel)))
    if held is not None and held.blind:
        names = ", ".join(BLIND_SHORT.get(name, name) for name in held.blind)
        facts.append(("Not seen", f"{names}. Never counted as good."))
    return ReadinessPanel(
        state=state,
        said=said,
        others=readiness_sentences.others(held, zone, now) if held else [],
        facts=facts,
        limits=limits(summary, zone, now),
    )


def limits(summary: UnitSummary | None, zone: str, now: int) -> list[str]:
    """What keeps the verdict from being sure for a while."""
    found = []
    held = summary.readiness if summary else None
    told = held is not None and "adopted" in (held.why, *held.others)
    if summary is not None and summary.adopted and not told:
        found.append("No meter has been on its volts yet: what it reads of them is not checked.")
    if summary is not None and summary.learning_until is not None:
        until = words.moment(summary.learning_until, zone, now)
        found.append(f"New here: what is usual for it is being learned until {until}.")
    return found


def fuel(seen: FuelSeen) -> str:
    """How much is left and how long it lasts, or why that is not known."""
    if seen.by == "supplied":
        return "Mains gas, supplied from outside."
    if seen.level_pct is None:
        return "Not seen: its level is not measured."
    said = f"{seen.level_pct:.0f} %"
    if seen.hours_h is None:
        return f"{said}; how long it lasts is not known: {seen.reason}."
    load = say_fuel.at_load(seen.load_share, seen.at_load)
    load = "by its own use" if seen.by == "trend" else load
    return f"{said}, {say_fuel.lasts(seen.hours_h)} {load}."


def supplies(
    verdict: Assessment | None, runs: list[Run], zone: str, now: int
) -> list[tuple[str, str]]:
    """(name, words) of fuel and mains for their own panel; [] before the first verdict."""
    if verdict is None:
        return []
    seen = verdict.fuel
    rows = [("Fuel", fuel(seen))]
    if seen.hours_h is not None:
        filled = seen.trend_from == seen.refill_at
        said = say_fuel.by(seen.by, seen.trend_from, filled, zone, now, seen.engine)
        rows.append(("Reckoned", said))
    if seen.litres_l is not None:
        rows.append(("Can be burnt", f"{phrases.quantity(seen.litres_l)} L"))
    if seen.agreed_h is not None:
        kind = "agreed" if seen.agreed else "usual practice"
        rows.append(("Wanted", f"{seen.agreed_h:.0f} h, {kind}"))
    if seen.factor is not None:
        rows.append(("Its own refuels", f"{seen.factor:.2f} times what the chart says"))
    if seen.refill_at is not None:
        rows.append(("Last filled", words.moment(seen.refill_at, zone, now)))
    return rows + outages(verdict, runs, zone, now)


def outages(verdict: Assessment, runs: list[Run], zone: str, now: int) -> list[tuple[str, str]]:
    """Outages of a year at its own site, and how much of them it ran through."""
    if verdict.mains.last == "unknown":
        return []
    lately = [one for one in verdict.outages if one.lost > now - YEAR_S]
    if not lately:
        first = verdict.mains.since if verdict.mains.since_earliest is None else None
        if first is not None and first > now - YEAR_S:
            return [("Outages here", f"none seen {phrases.since(first, zone, now)}")]
        return [("Outages here", "none seen in a year")]
    parts = [mains.covered_s(one, runs, verdict.at) for one in lately]
    ran, without = (sum(part[n] for part in parts) for n in (0, 1))
    said = f"{phrases.count(len(lately), 'outage')} in a year, {phrases.span_words(ran + without)}"
    return [
        ("Outages here", said),
        ("Ran through", phrases.span_words(ran)),
        ("Without power", phrases.span_words(without)),
    ]
