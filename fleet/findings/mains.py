"""The mains: gone at a site, and gone at many."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, TypeAlias, assert_never

from fleet.findings.row import (
    AT_ONCE,
    NEVER,
    READY,
    STATE,
    AnyRow,
    Count,
    Facts,
    Found,
    Moment,
    Quiet,
    Row,
    Sentence,
    Volts,
)
from fleet.findings.saying import count, moment
from fleet.findings.states import Cover

ONE_MOMENT_S = 120
"""A loss that lies between two reports no further apart is said with one time. Common practice, no
source."""
FARE: tuple[tuple[Cover, str], ...] = (
    ("failed", "would not start"),
    ("not_running", "stand still with the mains off"),
    ("bad_output", "run with bad output"),
    ("no_voltage", "run without volts"),
    ("unproven", "without proof of cover"),
    ("waiting", "not heard yet"),
    ("low_fuel", "with little fuel"),
    ("covered", "covered"),
    ("mains_back", "with mains again"),
)


def tally_words(cover: Mapping[Cover, int]) -> str:
    """How many sets fare how: "2 would not start, 5 without proof of cover, 31 covered"."""
    parts = [f"{cover[name]} {words}" for name, words in FARE if cover.get(name)]
    return ", ".join(parts)


def lost_since(since: int, earliest: int | None, zone: str, now: int) -> str:
    """ "since 14:05", or "since between 13:50 and 14:05" where it was seen only between reports."""
    latest = moment(since, zone, now)
    if earliest is None or since - earliest < ONE_MOMENT_S:
        return f"since {latest}" if earliest is not None else f"since {latest} at the latest"
    return f"since between {moment(earliest, zone, now)} and {latest}"


class MainsLost(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="mains_lost"):
    """The site's own supply is gone, as the set's mains sense reads it or its device says.

    From here on the set has to carry the site. It is information until it does not.

    Nothing where the set runs. Where sets nearby have mains it is the site's own main switch or a
    fuse: call and ask what they see.

    Under 50 % of nominal for 60 s and by a second reading; there again from 51 % on. Common
    practice, no source.

    earliest_at: the last report that still had mains. mains_v: as last read. alone: what sets
    nearby say, `alone`, `shared` or `unknown`.
    """

    since: Moment
    nominal_v: Volts
    earliest_at: Moment | None = None
    mains_v: Volts | None = None
    alone: Literal["alone", "shared", "unknown"] | None = None


def _mains_lost(facts: MainsLost, f: Found, zone: str, now: int) -> Sentence:
    seen = f"No mains at the site {lost_since(f.since, facts.earliest_at, zone, now)}."
    if facts.mains_v is not None:
        seen += f" It last read {facts.mains_v:.0f} V of {facts.nominal_v:.0f} V."
    do = ""
    if facts.alone == "alone":
        seen += " Sets nearby have mains: it is this site's own, its main switch or a fuse."
        do = "Call the site and ask what they see."
    return Sentence(title="No mains", seen=seen, do=do)


MAINS_LOST = Row(
    facts=MainsLost,
    family="mains",
    severities=("note",),
    alarm=STATE,
    concern="other",
    quiet=Quiet(
        set_aside="stays", unchecked="no_reading", answered_by="nothing", outage="told_by_it"
    ),
    readiness=READY,
    cover=None,
    cover_at=NEVER,
    job="by_severity",
    sends=False,
    say=_mains_lost,
)


class MainsOutage(Facts, frozen=True, kw_only=True, omit_defaults=True, tag="mains_outage"):
    """Several sites of an area lost their mains together, or one site alone did.

    One alert instead of one a set: who has cover, who has none, who is to be called first.

    Work down the call list; send a van where there is no power. Nobody at a site is asked to touch
    the set.

    2 sites, and 3 sets or 25 % of the area, within 5 min; Act now while a site has no cover or none
    proven. Common practice, no source.

    told: how often it was told so far. cover: how many sets fare how. first: the unit called first,
    or ''. place, zone: as people call it, and the time zone there.
    """

    area: str
    alone: bool
    told: Count
    sets: Count
    sites: Count
    cover: dict[Cover, Count]
    earliest_at: Moment | None = None
    ended_at: Moment | None = None
    first: str = ""
    place: str = ""
    zone: str = ""


def _mains_outage(facts: MainsOutage, f: Found, zone: str, now: int) -> Sentence:
    began, earliest = moment(f.since, zone, now), facts.earliest_at
    if earliest is not None and f.since - earliest >= ONE_MOMENT_S:
        began = f"between {moment(earliest, zone, now)} and {began}"
    if facts.alone:
        seen = (
            f"No mains at this site since {began}; sets nearby have it or say nothing: it may be "
        )
        seen += "its own main switch or a fuse."
    else:
        where = f"in {facts.area or 'the area'}"
        if facts.area.startswith("near "):  # sets that no area holds, about one site
            where = facts.place[:1].lower() + facts.place[1:] if facts.place else "at sites nearby"
        seen = f"No mains {where} since {began}: {count(facts.sets, 'set')} at "
        seen += f"{count(facts.sites, 'site')}."
    told = tally_words(facts.cover)
    seen += f" {told[:1].upper()}{told[1:]}." if told else ""
    if facts.ended_at is not None:
        seen += f" The mains was back at {moment(facts.ended_at, zone, now)}."
    urgent = f.severity == "act_now" and facts.ended_at is None
    return Sentence(
        title="Mains out" if facts.alone else "Outage",
        seen=seen,
        do="Work down the call list, send a van where there is no power." if urgent else "",
    )


MAINS_OUTAGE = Row(
    facts=MainsOutage,
    family="mains",
    severities=("act_now", "same_day", "note"),
    alarm=AT_ONCE,
    concern="no_cover",
    quiet=Quiet(set_aside="stays", unchecked="no_reading", answered_by="nothing", outage="nothing"),
    readiness=READY,
    cover=None,
    cover_at=NEVER,
    job="by_severity",
    sends=True,
    say=_mains_outage,
)


def where(facts: Facts) -> tuple[str, str]:
    """(what people call the place, its time zone) of an outage's finding; '' and '' of any other."""
    return (facts.place, facts.zone) if isinstance(facts, MainsOutage) else ("", "")


MainsFacts: TypeAlias = MainsLost | MainsOutage
"""What is found of the mains and of outages."""


def row_of(facts: MainsFacts) -> AnyRow:
    """How such a finding behaves."""
    match facts:
        case MainsLost():
            return MAINS_LOST
        case MainsOutage():
            return MAINS_OUTAGE
        case _:
            assert_never(facts)
