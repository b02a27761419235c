"""How an alert is shown in a line, wherever it is listed: whose, what was seen, its life so far."""

from __future__ import annotations

from dataclasses import dataclass, replace

from msgspec import structs

from dashboard import phrases
from dashboard.request_context import Services
from dashboard.views.audience import sentence_for
from dashboard.views.findings import AlertView, alert_view
from dashboard.views.named import set_name, staff_name
from fleet import words
from fleet.findings import mains
from fleet.findings.mains import MainsOutage
from fleet.findings.service import ServiceDue
from fleet.model import Episode, Scope, UnitSummary
from fleet.registry import lists
from fleet.registry.facts.rows import UnitInputs
from fleet.registry.lists.unit import UnitRow
from fleet.words import alert_sentences
from scheduler import alarms
from scheduler.alarms.lifecycle import newest

SUPPRESSED_BY: dict[str, str] = {"visit": "an open visit", "o": "an outage", "e": "our own line"}
"""What an alert is held back by, after its cause's kind or its first letter."""
ANSWERS = ("acknowledged", "shelved", "unshelved")


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """Whom an alert is about. id and href: of the set, '' where it is about none.

    zone: the time zone its moments are shown in; phone: whom to call, '' where nobody is known.
    """

    title: str
    id: str = ""
    href: str = ""
    zone: str = "UTC"
    phone: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertLine:
    """One alert, as the interface tells it, and in words: whose, and what became of it.

    page: where a message about it leads; seen: one sentence a finding that stands in this line;
    since, life: moments in the subject's zone; may: the answers it can take now.
    """

    alert: AlertView
    subject: Subject
    page: str
    seen: tuple[str, ...]
    do: str
    since: str
    state_words: str
    crossed: str
    life: tuple[str, ...]
    may: tuple[str, ...]

    @property
    def closed(self) -> bool:
        """Whether it is over and done with."""
        return self.alert.closed_at is not None

    @property
    def has_call_list(self) -> bool:
        """Whether it is an outage, whose page is a list of whom to call."""
        return self.page.startswith("/outages/")


def lines(services: Services, scope: Scope, found: list[Episode], now: int) -> list[AlertLine]:
    """One line per cause: due work of one set, one severity and one state stands together."""
    rows: dict[tuple[object, ...], AlertLine] = {}
    for episode in found:
        apart = "" if isinstance(episode.finding.facts, ServiceDue) else episode.id
        state = alarms.state_of(episode)
        key = (episode.subject, episode.kind, episode.severity, state, episode.closed_at, apart)
        row = line(services, scope, episode, now)
        first = rows.get(key)
        rows[key] = replace(first, seen=(*first.seen, *row.seen)) if first else row
    return list(rows.values())


def line(services: Services, scope: Scope, episode: Episode, now: int) -> AlertLine:
    """One episode: whose, what was seen, and what became of it."""
    row = _row(services, scope, episode)
    about = _subject(row, episode)
    state = alarms.state_of(episode)
    if row is not None:
        episode = with_age(episode, row.summary)
    said = sentence_for(scope)(episode.finding, about.zone, now)
    return AlertLine(
        alert=alert_view(episode, about.zone, now, scope),
        subject=about,
        page=page_of(episode),
        seen=(said.seen,),
        do=said.do,
        since=phrases.since(episode.finding.since, about.zone, now),
        state_words=state_words(episode, about.zone, now, scope),
        crossed=alert_sentences.crossings_words(alarms.crossings(episode)),
        life=life(episode, about.zone, now, scope),
        may=tuple(k for k in ANSWERS if (state, k) in alarms.TRANSITIONS and state != "normal"),
    )


def page_of(episode: Episode) -> str:
    """Where a message about it leads."""
    outage = isinstance(episode.finding.facts, MainsOutage)
    return f"/outages/{episode.id}" if outage else f"/alerts/{episode.id}"


def subject(services: Services, scope: Scope, episode: Episode) -> Subject:
    """Whom it is about: a set of this Scope, a place, or the service itself."""
    return _subject(_row(services, scope, episode), episode)


def _row(services: Services, scope: Scope, episode: Episode) -> UnitRow | None:
    """The set it is about, where it is about one that this Scope sees."""
    kind, _, name = episode.subject.partition(":")
    return lists.unit(services.registry, scope, name) if kind == "unit" else None


def with_age(episode: Episode, summary: UnitSummary | None) -> Episode:
    """An open alert with when its value was heard last, where that is too long ago; what was told is
    of the moment it was told."""
    if summary is None or episode.closed_at is not None:
        return episode
    key = (episode.kind, episode.part)
    stands = next((f for f in summary.findings if (f.kind, f.part) == key), None)
    since = stands.unheard_since if stands is not None else None
    if stands is None and summary.condition == "not_reporting":
        since = summary.heard_at
    if since is None:
        return episode
    return structs.replace(episode, finding=structs.replace(episode.finding, unheard_since=since))


def _subject(row: UnitRow | None, episode: Episode) -> Subject:
    kind, _, name = episode.subject.partition(":")
    if row is not None:
        unit, site, customer, _ = row
        named = set_name(unit, site, customer)
        return Subject(
            title=named.title,
            id=named.id,
            href=named.href,
            zone=site.time_zone,
            phone=site.phone or unit.phone or customer.phone,
        )
    place, zone = mains.where(episode.finding.facts)
    return Subject(
        title=place or ("This service" if kind == "service" else name),
        zone=zone or "UTC",
    )


def state_words(episode: Episode, zone: str, now: int, scope: Scope) -> str:
    """Where it stands, with who or until when: "Ann has it", "Shelved until 18:00"."""
    state = alarms.state_of(episode)
    if state == "acknowledged":
        step = newest(episode, "acknowledged")
        who = staff_name(scope, step.by) if step else ""
        return f"{who} has it" if who else alert_sentences.STATES[state]
    if state == "shelved":
        step = newest(episode, "shelved")
        if step is not None and step.until is not None:
            return f"Shelved until {words.moment(step.until, zone, now)}"
    if state == "suppressed":
        step = newest(episode, "suppressed")
        cause = step.cause if step else ""
        kind = cause.partition(":")[0] if ":" in cause else cause[:1]
        return f"Held back by {SUPPRESSED_BY.get(kind, 'its cause')}"
    if episode.closed_at is not None:
        return "Over"
    return alert_sentences.STATES[state]


def life(episode: Episode, zone: str, now: int, scope: Scope) -> tuple[str, ...]:
    """Its steps in words; the off-delay's own steps are counted, not listed."""
    return tuple(
        alert_sentences.step_words(step, staff_name(scope, step.by), zone, now)
        for step in episode.steps
        if step.kind not in ("lapsed", "resumed")
    )


def open_visit_words(inputs: UnitInputs | None, scope: Scope, zone: str, now: int) -> str:
    """Who is at the set now, as the open visit says; '' where nobody is known to be."""
    found = alarms.open_visit(inputs, now) if inputs else None
    if found is None:
        return ""
    record, begun = found
    who = staff_name(scope, record.by)
    return (
        f"A visit is open{f' by {who}' if who else ''} {phrases.since(begun, zone, now)}: "
        "its alerts are held back until it is closed."
    )
