"""Fuel: how much is left, and how long it lasts."""

from __future__ import annotations

from typing import TypeAlias, assert_never

from fleet.findings.row import (
    MEASURED,
    NEVER,
    TOLD,
    AnyRow,
    Facts,
    Found,
    Hours,
    Litres,
    Moment,
    Percent,
    Quiet,
    Readies,
    Row,
    Sentence,
    Share,
    always,
)
from fleet.findings.saying import moment

BY = {
    "chart": "by a chart from its rating",
    "energy": "from its rating, the fuel's energy and an engine",
    "trend": "as it has burnt",
}


def by(
    how: str, since: int | None, filled: bool, zone: str, now: int, engine: float | None = None
) -> str:
    """What the hours are reckoned by. since, filled: of its own fall, from when it counts, and
    whether it was filled then. engine: the share of the fuel's energy that it gives, where it is by
    that."""
    said = BY.get(how, how)
    if how == "energy" and engine is not None:
        said += f" of {100 * engine:.0f} %"
    if since is None or how != "trend":
        return said
    return f"{said} since {'its last refill, ' if filled else ''}{moment(since, zone, now)}"


def lasts(hours: float) -> str:
    """About how long fuel lasts: `about 6 h`, `about 40 min`; `about 3 days` from two days on."""
    if hours < 1.5:
        return f"about {max(5, 5 * round(hours * 12))} min"
    return f"about {round(hours)} h" if hours < 48 else f"about {round(hours / 24)} days"


def at_load(share: float | None, which: str) -> str:
    """ "at half load", "at the 62 % load it carries", or nothing."""
    if share is None:
        return ""
    return "at half load" if which == "half" else f"at the {100 * share:.0f} % load it carries"


class FuelLow(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="fuel_low"):
    """The tank is nearly down to what cannot be burnt, or holds less than the hours agreed for this
    site.

    It starts, runs, and stops in the middle of the outage. A diesel run dry has to be bled before
    it starts again.

    Have it filled the same day, engine stopped and cooled. Of dual fuel nobody knows which one
    burns: look at both at the next visit.

    10 % of what can be burnt, or fewer hours than agreed, else than 24 h at a life site, 12 h at a
    business and 8 h at a home, at most 25 % of what a full tank gives; by a second reading 60 s
    later; ends 2.0 points above. Common practice, no source. Propane: what can be burnt is 80 down
    to 20 % (NFPA 58, from memory).

    level_pct, with limit_pct the level at which it is low. hours_h: how long it lasts, at load_share of
    nameplate, reckoned `by` a chart, the fuel's energy or its own fall since trend_from. agreed_h:
    hours wanted, by agreement or by usual practice. engine: the share of the fuel's energy that the
    engine gives, where it is reckoned so. dual: it burns another fuel too, whose supply is not seen.
    """

    level_pct: Percent
    limit_pct: Percent
    at: Moment
    agreed: bool
    hours_h: Hours | None = None
    agreed_h: Hours | None = None
    load_share: Share | None = None
    at_load: str | None = None
    by: str | None = None
    trend_from: Moment | None = None
    filled: bool | None = None
    litres_l: Litres | None = None
    engine: Share | None = None
    dual: bool = False


def _fuel_low(facts: FuelLow, f: Found, zone: str, now: int) -> Sentence:
    seen = f"The tank stands at {facts.level_pct:.0f} %, low since {moment(f.since, zone, now)}"
    if facts.hours_h is not None:
        load = at_load(facts.load_share, facts.at_load or "")
        how = by(facts.by or "", facts.trend_from, bool(facts.filled), zone, now, facts.engine)
        seen += f": {lasts(facts.hours_h)} {load}".rstrip() + f", {how}"
        if facts.agreed_h is not None:
            word = "agreed" if facts.agreed else "usual practice"
            seen += f"; {facts.agreed_h:.0f} h are {word}"
    seen += "."
    if facts.dual:
        return Sentence(
            title="Fuel low, dual fuel",
            seen=f"{seen} It can burn another fuel too, whose supply is not seen.",
            do="Look at both fuels at the next visit.",
        )
    return Sentence(
        title=f"Fuel low, {facts.level_pct:.0f} %",
        seen=seen,
        do="Have it filled today, with the engine stopped and cooled.",
    )


FUEL_LOW = Row(
    facts=FuelLow,
    family="fuel",
    severities=("same_day", "note"),
    alarm=MEASURED,
    concern="losing",
    quiet=Quiet(
        set_aside="not_looked_for",
        unchecked="no_reading",
        answered_by="nothing",
        outage="nothing",
    ),
    readiness=Readies(not_ready=NEVER, doubtful=TOLD, reason="fuel is low", where=always),
    cover="low_fuel",
    cover_at=TOLD,
    job="by_severity",
    sends=True,
    say=_fuel_low,
)


FuelFacts: TypeAlias = FuelLow
"""What is found of fuel."""


def row_of(facts: FuelFacts) -> AnyRow:
    """How such a finding behaves."""
    match facts:
        case FuelLow():
            return FUEL_LOW
        case _:
            assert_never(facts)
