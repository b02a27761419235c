"""Exercise of a unit: in words for its page and the Due page, for programs in numbers. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Annotated

from markupsafe import Markup
from msgspec import Meta

from dashboard import phrases, svg
from dashboard.views.audience import Say
from dashboard.views.contract import FORMS, Form, Next, View, view_of
from fleet import words
from fleet.calendar import local_date
from fleet.findings import exercise
from fleet.findings.exercise import ExerciseMissed, ExerciseShort
from fleet.model import Finding, Severity, Unit
from scheduler.assess import Assessment
from scheduler.rules.exercise import (
    ByItself,
    CodeMonth,
    Exercise,
    ExerciseVerdict,
    LightLoad,
    UnderCode,
    Word,
    YearHours,
)
from scheduler.rules.exercise.exercise_verdict import TIME_OFF_S
from scheduler.rules.exercise.year import TESTING_H

REMINDED = (exercise.EXERCISE_MISSED.kind, exercise.EXERCISE_SHORT.kind)
"""Findings that remind of an exercise; the others are Notes on the unit's page."""
VERDICTS: dict[Word, str] = {
    "done": "done",
    "short": "cut short",
    "under_loaded": "too little load",
    "failed": "did not start",
    "missed": "missed",
    "excused": "excused",
    "not_seen": "could not be seen",
}
STANDS_ON = {
    "run": "a run seen",
    "meter": "the hour meter",
    "counter": "the start counter",
    "events": "start events",
    "readings": "its readings",
    "": "",
}
SURE = {"high": "", "medium": "likely", "low": "perhaps"}
WEEKDAYS = {
    "MO": "Monday",
    "TU": "Tuesday",
    "WE": "Wednesday",
    "TH": "Thursday",
    "FR": "Friday",
    "SA": "Saturday",
    "SU": "Sunday",
}


FORMS[LightLoad] = Form(name="LightLoadOut")
FORMS[ByItself] = Form(name="ByItselfOut")


class ExerciseVerdictView(ExerciseVerdict, View, frozen=True, kw_only=True):
    """One occurrence. due_at: as agreed; expected_at: by the set's own clock."""

    form = Form(
        moments=frozenset({"run_start"}), about={"wall": "agreed time on the site's wall, no zone"}
    )


class YearView(YearHours, View, frozen=True, kw_only=True):
    """Hours of runs by reason in a calendar year of the site's zone."""

    form = Form(
        renamed={"testing": "testing_h", "total": "total_h"},
        about={"unseen_h": "gained by the hour meter beyond the runs seen"},
    )
    testing: Annotated[float, Meta(description="exercise and by hand")]
    total: float


class ExerciseView(View, frozen=True, kw_only=True):
    """What was agreed, what became of it, hours by reason."""

    form = Form(
        about={
            "rule": "RFC 5545, local time of the site; empty: none agreed",
            "offset_s": "the set's own time less the agreed; null: not learned",
            "items": "newest first; of this calendar year of the site and the one before",
            "light_load": "diesels under 30 % of nameplate in a row",
        }
    )
    unit: str
    rule: str
    refusal: str
    length_min: float | None
    load_pct: float | None
    next_at: int | None
    next_wall: str
    offset_s: int | None
    items: tuple[ExerciseVerdictView, ...]
    years: tuple[YearView, ...]
    light_load: LightLoad | None
    last_by_itself: ByItself | None
    next: Next = None


def exercise_view(
    unit: Unit,
    verdict: Assessment | None,
    verdicts: Sequence[ExerciseVerdict] = (),
    following: str | None = None,
) -> ExerciseView:
    """The exercise of a unit as its newest assessment has it. verdicts: those to tell, newest first;
    following: where the list goes on."""
    held = verdict.exercise if verdict else None
    return ExerciseView(
        unit=unit.id,
        rule=unit.exercise,
        refusal=held.refusal if held else "",
        length_min=unit.exercise_minutes,
        load_pct=unit.exercise_load,
        next_at=held.next_at if held else None,
        next_wall=held.next_wall if held else "",
        offset_s=held.offset_s if held else None,
        items=tuple(view_of(ExerciseVerdictView, v) for v in verdicts),
        years=tuple(
            view_of(YearView, y, testing=y.testing_h, total=y.total_h)
            for y in (verdict.years if verdict else ())
        ),
        light_load=verdict.light_load if verdict else None,
        last_by_itself=verdict.by_itself if verdict else None,
        next=following,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Occurrence:
    """One occurrence in words. bad: it asks for somebody."""

    agreed: str
    verdict: str
    bad: bool
    ran: str
    length: str
    evidence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Year:
    """Hours of one calendar year by reason, in words. rows: (reason, hours)."""

    name: str
    rows: list[tuple[str, str]]
    testing: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Month:
    """One month under NFPA 110, in words."""

    name: str
    word: str
    bad: bool
    ran: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Code:
    """NFPA 110 month by month, in words."""

    title: str
    months: list[Month]
    supplemental: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ExercisePanel:
    """The Exercise panel; empty where there is nothing to say. facts: (name, words)."""

    agreed: str
    refusal: str
    facts: list[tuple[str, str]]
    picture: Markup | None
    tally: str
    rows: list[Occurrence]
    years: list[Year]
    light: str
    code: Code | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reminder:
    """An exercise to be reminded of. to: whom, in a word."""

    severity: Severity
    title: str
    seen: str
    do: str
    to: str


def panel(unit: Unit, verdict: Assessment | None, zone: str, now: int) -> ExercisePanel | None:
    """Everything the Exercise panel says; None before the unit was first assessed."""
    if verdict is None:
        return None
    held = verdict.exercise
    last = held.last if held else ()
    return ExercisePanel(
        agreed=agreed(unit),
        refusal=held.refusal if held else "",
        facts=_facts(held, verdict, zone, now),
        picture=svg.verdict_strip([v.verdict for v in last], tally(last)) if last else None,
        tally=tally(last),
        rows=[row(v, zone, now) for v in reversed(last)],
        years=[year(y, now, zone) for y in verdict.years],
        light=_light(verdict, zone, now),
        code=code(verdict.code),
    )


CODE_WORDS = {"met": "met", "not_met": "Not met", "not_measured": "load not measured"}


def code(held: UnderCode | None) -> Code | None:
    """NFPA 110 month by month, for a set under it; None for any other."""
    if held is None:
        return None
    count = sum(month.met == "met" for month in held.months)
    supplemental = {
        "": "No supplemental run is asked for.",
        "met": "A run of 90 min at 75 % or more stands for the year's supplemental run.",
        "not_met": "The year's supplemental run (30 min at 50 %, then 60 min at 75 %) was not seen.",
        "not_measured": "Whether the year's supplemental run was done cannot be told from its load.",
    }
    return Code(
        title=f"NFPA 110, monthly exercise: met in {count} of {len(held.months)} whole months"
        if held.months
        else "NFPA 110, monthly exercise: no whole month seen yet",
        months=[
            Month(
                name=f"{date.fromisoformat(m.month + '-01'):%B %Y}",
                word=CODE_WORDS[m.met],
                bad=m.met == "not_met",
                ran=_code_run(m),
            )
            for m in held.months
        ],
        supplemental=supplemental[held.supplemental]
        + " The adopted edition and the local authority come first.",
    )


def _code_run(month: CodeMonth) -> str:
    if month.length_s is None:
        return "no run"
    text = f"best run {round(month.length_s / 60)} min"
    return text if month.share is None else f"{text} at {100 * month.share:.0f} % of nameplate"


def agreed(unit: Unit) -> str:
    """What was agreed: "every Tuesday at 10:00, 20 min"; the rule itself where it is another kind."""
    if not unit.exercise:
        return ""
    parts = dict(
        part.split("=", 1)
        for part in unit.exercise.partition("RRULE:")[2].strip().split(";")
        if "=" in part
    )
    start = unit.exercise.partition("DTSTART:")[2][:15]
    clock = f"{start[9:11]}:{start[11:13]}"
    every = _every(parts, start)
    rule = ";".join(f"{name}={value}" for name, value in parts.items())
    text = f"{every} at {clock}" if every else f"by its rule ({rule}), first at {clock}"
    if unit.exercise_minutes:
        text += f", {unit.exercise_minutes:g} min"
    if unit.exercise_load:
        text += f", at {unit.exercise_load:g} % load"
    return text


def _every(parts: dict[str, str], start: str) -> str:
    """The recurrence in words, where it is one of the plain kinds; else ""."""
    known = {"FREQ", "INTERVAL", "BYDAY", "WKST"}
    if set(parts) - known:
        return ""
    step = parts.get("INTERVAL", "1")
    days = [WEEKDAYS.get(day, "") for day in parts.get("BYDAY", "").split(",") if day]
    if not all(days):
        return ""
    if parts.get("FREQ") == "WEEKLY":
        named = " and ".join(days) if days else "week"
        return f"every {named}" if step == "1" else f"every {step} weeks on {named}"
    if parts.get("FREQ") == "DAILY" and not days:
        return "every day" if step == "1" else f"every {step} days"
    if parts.get("FREQ") == "MONTHLY" and not days:
        day = start[6:8].lstrip("0")
        return (
            f"on day {day} of every month" if step == "1" else f"every {step} months on day {day}"
        )
    return ""


def _facts(
    held: Exercise | None, verdict: Assessment, zone: str, now: int
) -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    if held is not None and held.next_at is not None:
        today = phrases.site_today(zone, now)
        on = phrases.day_words(local_date(held.next_at, zone), today)
        rows.append(("Next agreed", f"{on} {held.next_wall[11:16]}"))
    if held is not None and held.offset_s is not None:
        late = "late" if held.offset_s > 0 else "early"
        off = abs(held.offset_s)
        near = f"within {words.span(off)} of the agreed" if off >= 60 else "as agreed"
        said = f"{words.span(off)} {late}" if off >= TIME_OFF_S else near
        rows.append(("Its own time", said))
    if verdict.by_itself is not None:
        one = verdict.by_itself
        why = "in an outage" if one.why == "outage" else "for its exercise"
        sure = "" if one.by_itself == "yes" and one.confidence == "high" else " (likely)"
        rows.append(("Last began by itself", f"{words.moment(one.at, zone, now)} {why}{sure}"))
    return rows


def tally(last: Iterable[ExerciseVerdict]) -> str:
    """ "The last 12: 10 done, 1 excused, 1 missed"."""
    counted = Counter(v.verdict for v in last)
    if not counted:
        return ""
    parts = [f"{counted[word]} {said}" for word, said in VERDICTS.items() if counted[word]]
    return f"The last {sum(counted.values())}: {', '.join(parts)}"


def row(v: ExerciseVerdict, zone: str, now: int) -> Occurrence:
    """One occurrence with what its verdict stands on."""
    evidence = [part for part in (v.reason, _by(v)) if part]
    if v.ran_at is not None:
        evidence.append(f"it ran for that long at {words.moment(v.ran_at, zone, now)}")
    if v.mean_kw is not None:
        evidence.append(f"{v.mean_kw:.1f} kW on average")
    return Occurrence(
        agreed=words.moment(v.due_at, zone, now),
        verdict=" ".join(filter(None, (SURE[v.confidence], VERDICTS[v.verdict]))),
        bad=v.verdict in ("missed", "failed", "short"),
        ran=words.moment(v.run_start, zone, now) if v.run_start is not None else "",
        length=phrases.span_words(v.length_s) if v.length_s is not None else "",
        evidence="; ".join(evidence),
    )


def _by(v: ExerciseVerdict) -> str:
    return "" if v.reason and v.verdict == "missed" else STANDS_ON[v.by]


def year(held: YearHours, now: int, zone: str) -> Year:
    """Hours of one calendar year by reason, in words."""
    rows = [
        ("Exercise", held.exercise_h),
        ("Outage", held.outage_h),
        ("By hand", held.by_hand_h),
        ("Reason not known", held.unknown_h),
    ]
    if held.unseen_h >= 0.5:
        rows.append(("On the meter, not seen as runs", held.unseen_h))
    name = str(held.year)
    if not held.since.endswith("01-01"):
        name += f", seen since {words.day(held.since)}"
    return Year(
        name=name,
        rows=[(what, f"{hours:.1f} h") for what, hours in rows],
        testing=f"Testing, by exercise and by hand: {held.testing_h:.1f} h. "
        f"40 CFR 63 subpart ZZZZ allows an emergency engine {TESTING_H:.0f} h of it in a year.",
    )


def _light(verdict: Assessment, zone: str, now: int) -> str:
    held = verdict.light_load
    if held is None:
        return ""
    since = phrases.since(held.since_at, zone, now)
    return (
        f"{phrases.count(held.runs, 'run')} in a row ({held.hours_h:.1f} h) under 30 % of "
        f"nameplate, {since}."
    )


def reminder(finding: Finding, zone: str, now: int, say: Say) -> Reminder:
    """An exercise to be reminded of, for the Due page."""
    said, facts = say(finding, zone, now), finding.facts
    return Reminder(
        severity=finding.severity,
        title=said.title,
        seen=said.seen,
        do=said.do,
        to=facts.remind if isinstance(facts, ExerciseMissed | ExerciseShort) else "installer",
    )
