"""Fuel: how much is left, and how long it lasts."""

from __future__ import annotations

from fleet.model import Finding
from fleet.words.saying import CAUTIONS, Sentence, Speaker, moment

BY = {
    "chart": "by a chart from its rating",
    "energy": "from its rating, the fuel's energy and an engine of 20 %",
    "trend": "as it has burnt",
}


def by(how: str, since: int | None, filled: bool, zone: str, now: int) -> str:
    """What the hours are reckoned by. since, filled: of its own fall, from when it counts, and
    whether it was filled then."""
    said = BY.get(how, how)
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


def _fuel_low(f: Finding, zone: str, now: int) -> Sentence:
    facts = f.facts
    seen = f"The tank stands at {facts['level_pct']:.0f} %, low since {moment(f.since, zone, now)}"
    hours = facts.get("hours_h")
    if isinstance(hours, int | float):
        load = at_load(facts.get("load_share"), str(facts.get("at_load")))
        how = by(
            str(facts.get("by") or ""),
            facts.get("trend_from"),
            bool(facts.get("filled")),
            zone,
            now,
        )
        seen += f": {lasts(hours)} {load}".rstrip() + f", {how}"
        wanted = facts.get("agreed_h")
        if isinstance(wanted, int | float):
            word = "agreed" if facts.get("agreed") else "usual practice"
            seen += f"; {wanted:.0f} h are {word}"
    seen += "."
    if facts.get("dual"):
        return Sentence(
            title="Fuel low, dual fuel",
            seen=f"{seen} It can burn another fuel too, whose supply is not seen.",
            do="Look at both fuels at the next visit.",
            cautions=CAUTIONS,
        )
    return Sentence(
        title=f"Fuel low, {facts['level_pct']:.0f} %",
        seen=seen,
        do="Have it filled today, with the engine stopped and cooled.",
        cautions=CAUTIONS,
    )


SPEAKERS: dict[str, Speaker] = {"fuel_low": _fuel_low}
SENDS_A_PERSON = frozenset({"fuel_low"})
