"""Who is told of a step in an alert's life, when, and in which words.

The words are of the alert as it stands when they are written: `worded` writes them when a notice is
made, and again before each try to deliver it.

A notice's id is a hash of cause, step, person and way: the same step worked out again is the same
notice. Nothing is told of an alert in a silent state, of a finding that a new set may not tell yet,
or of a set's own trouble inside an outage of its area, whose call list says it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence

import msgspec

from fleet import words
from fleet.findings import row_of
from fleet.findings.mains import MainsOutage
from fleet.model import (
    AlertPlace,
    Contact,
    Criticality,
    DeliveryMethod,
    Episode,
    Notice,
    NoticeKind,
    Rota,
    Step,
    Waking,
)
from fleet.model.duty import WakingMains
from fleet.words import alert_sentences
from scheduler.alarms.lifecycle import SILENT, lapsed_at, newest, state_of
from scheduler.alarms.quiet_hours import awake_from, morning_of_holder, next_up, zone_of
from scheduler.alarms.rota import contact_of, in_line, recipient_at
from scheduler.alarms.stepping import TAKEN_OVER
from scheduler.alarms.waking import wakes

SENT = frozenset({"act_now", "same_day", "no_word"})
"""Next visit and Note are for the pages; they send nobody a message."""
NEWS = frozenset(
    {"raised", "recurred", "realarmed", "changed", "unshelved", "restored", "unsuppressed"}
)
OVER = frozenset({"returned", "cleared"})
STILL_UP_S = 3 * 3600
"""Who was woken hears at once that it is over for so long; later it waits like all else. Common
practice, no source."""
ESCALATE_FOR_S = 6 * 3600
"""Unanswered for longer, it is handed on to nobody more. Common practice, no source."""


class Office(msgspec.Struct, frozen=True, kw_only=True):
    """Who can be told, whose week it is, and who is woken for what."""

    people: tuple[Contact, ...] = ()
    rota: Rota = Rota()
    waking: Waking = Waking()


class AlertNews(msgspec.Struct, frozen=True, kw_only=True):
    """An episode with the steps it took just now (inside it already), and where it is.

    place: what the site is called; zone: the site's; path: the page a message opens. grouped: an
    outage of the area tells of this set. learning, adopted: as the unit's summary says. life:
    a critical site among several, for an outage.
    """

    episode: Episode
    steps: tuple[Step, ...]
    place: str
    zone: str = "UTC"
    criticality: Criticality = "home"
    mains: WakingMains = "on"
    grouped: bool = False
    learning: bool = False
    adopted: bool = False
    phone: str = ""
    unit: str = ""
    customer: str = ""
    path: str = ""


def tell(cases: Iterable[AlertNews], office: Office, now: int) -> list[Notice]:
    """The notices of these steps, for whoever holds the duty phone when they may leave.

    What wakes leaves at any hour. Act now and Same day leave at once outside the quiet hours of the
    holder, else at the first moment at which whoever holds the phone then has none; No word waits
    for the end of the quiet hours in any case. An all-clear is made for everybody; the registry
    keeps those of the people who were told of the alert.
    """
    found: list[Notice] = []
    for case in cases:
        step = _newsworthy(case)
        if step is not None:
            found += _notices(case, step, office, now)
    return found


def withdrawn(cases: Iterable[AlertNews]) -> list[str]:
    """Episodes whose notices that have not left yet are news no more: over, or held back."""
    return [
        case.episode.id
        for case in cases
        if case.steps and (case.steps[-1].kind in OVER or state_of(case.episode) in SILENT)
    ]


def escalate(notices: Iterable[Notice], office: Office, now: int) -> list[Notice]:
    """For waking notices that nobody answered: the next in line is told, then the one after.

    notices: of alerts that are still unanswered, their escalations among them or not.
    """
    found: list[Notice] = []
    rota = office.rota
    first = [n for n in notices if n.wakes and n.kind in ("alert", "changed", "outage")]
    for notice in {(n.cause, n.step): n for n in first}.values():
        if now - notice.made_at > ESCALATE_FOR_S:
            continue
        line = in_line(rota, notice.made_at)
        due = min(len(line) - 1, (now - notice.made_at) // max(60, rota.escalate_s))
        for turn in range(1, due + 1):
            contact = contact_of(office.people, line[turn])
            for way in contact.ways if contact else ():
                step = f"{notice.step}.{turn}"
                found.append(
                    msgspec.structs.replace(
                        notice,
                        id=notice_id(notice.cause, step, line[turn], way),
                        step=step,
                        person=line[turn],
                        way=way,
                        kind="escalated",
                        made_at=now,
                        not_before=now,
                        subject=alert_sentences.one_line(f"Nobody has answered: {notice.subject}"),
                    )
                )
    return found


def worded(notice: Notice, episode: Episode, now: int) -> Notice:
    """The notice with the words of its alert as it stands at `now` (UTC seconds): over, in somebody's
    hand, not seen any more, or as grave as it is. What is over is said as of its end."""
    place = notice.place
    if place is None:
        return notice
    finding, state = episode.finding, state_of(episode)
    ended = _ended_at(episode)
    said = words.sentence(finding, place.zone, now if ended is None else ended)
    kind: NoticeKind = "alert"
    if ended is not None:
        kind = "cleared"
    elif state == "unacknowledged" and notice.kind == "escalated":
        kind = "escalated"
    return msgspec.structs.replace(
        notice,
        subject=alert_sentences.subject(finding, said, place.name, kind),
        body=alert_sentences.body(
            said,
            place.name,
            place.phone,
            notice.way,
            ended="" if ended is None else words.moment(ended, place.zone, now),
            unchecked=place.unsure and row_of(finding.facts).endangers,
            standing=_in_hand(episode, place.zone, now),
        ),
    )


def _ended_at(episode: Episode) -> int | None:
    """When an alert that is over was so; None while it stands."""
    if state_of(episode) not in ("returned", "normal"):
        return None
    over = newest(episode, "returned", "cleared")
    return over.at if over is not None else episode.closed_at


def _in_hand(episode: Episode, zone: str, now: int) -> str:
    """Who has it, or that it is not seen any more; '' for neither."""
    gone, taken = lapsed_at(episode), newest(episode, "acknowledged")
    said = []
    if state_of(episode) == "acknowledged" and taken is not None:
        said.append(alert_sentences.in_hand(taken.by, words.moment(taken.at, zone, now)))
    if gone is not None:
        said.append(alert_sentences.not_seen_since(words.moment(gone, zone, now)))
    return " ".join(said)


def notice_id(cause: str, step: str, person: str, way: str) -> str:
    """The same id whenever the same notice is worked out again."""
    text = "\x1f".join((cause, step, person, way))
    return "n" + hashlib.sha256(text.encode()).hexdigest()[:31]


def is_woken(case: AlertNews, office: Office) -> bool:
    """Whether this alert wakes: an outage by the sites in it, any other by the waking table."""
    finding = case.episode.finding
    if isinstance(finding.facts, MainsOutage):
        return finding.severity == "act_now" and wakes(
            office.waking, finding, case.criticality, "off"
        )
    return wakes(office.waking, finding, case.criticality, case.mains)


def _newsworthy(case: AlertNews) -> Step | None:
    """The newest of the steps that is told, if any."""
    finding = case.episode.finding
    if not case.steps or state_of(case.episode) in SILENT or finding.severity not in SENT:
        return None
    row = row_of(finding.facts)
    if case.learning and not row.alarm.while_learning:
        return None
    if case.grouped and row.quiet.outage == "told_by_it":
        return None
    if isinstance(finding.facts, MainsOutage) and not finding.facts.told:
        return None
    told = [s for s in case.steps if s.kind in NEWS | OVER]
    if not told or _told_with_import(case, told[-1]):
        return None
    return told[-1]


def _told_with_import(case: AlertNews, step: Step) -> bool:
    """Whether it stands in the one message about the sets that were taken over. What leaves a site
    without cover while its mains is off is told at once."""
    return step.kind == "raised" and step.cause == TAKEN_OVER and case.mains != "off"


def _notices(case: AlertNews, step: Step, office: Office, now: int) -> list[Notice]:
    woken = is_woken(case, office)
    if step.kind in OVER:
        return _all_clears(case, step, office, now, woken)
    not_before = _when(case, office, now)
    who = recipient_at(office.rota, office.people, not_before)
    if who is None:
        return []
    ways: Sequence[DeliveryMethod] = who.ways if woken else who.ways[:1]
    return [_notice(case, step, who.person, way, woken, now, not_before) for way in ways]


def _all_clears(case: AlertNews, step: Step, office: Office, now: int, woken: bool) -> list[Notice]:
    """To everybody, outside their own quiet hours or at once to who was woken a short while ago:
    the phone may have passed on since, and the next in line may have been asked."""
    begun = max((s.at for s in case.episode.steps if s.kind in NEWS), default=now)
    soon = woken and now - begun < STILL_UP_S
    found: list[Notice] = []
    for who in office.people:
        zone = zone_of(who, office.rota)
        not_before = now if soon else awake_from(who.quiet, now, zone)
        for way in who.ways if woken else who.ways[:1]:
            found.append(_notice(case, step, who.person, way, False, now, not_before))
    return found


def _when(case: AlertNews, office: Office, now: int) -> int:
    """When the notice may leave, to whoever holds the duty phone at that moment (UTC seconds)."""
    if is_woken(case, office):
        return now
    if case.episode.finding.severity == "no_word":
        return morning_of_holder(office.people, office.rota, now)
    return next_up(office.people, office.rota, now)


def _notice(
    case: AlertNews,
    step: Step,
    person: str,
    way: DeliveryMethod,
    woken: bool,
    now: int,
    not_before: int,
) -> Notice:
    episode, finding = case.episode, case.episode.finding
    over = step.kind in OVER
    kind: NoticeKind = "alert" if step.kind != "changed" else "changed"
    if isinstance(finding.facts, MainsOutage):
        kind = "outage"
    kind = "cleared" if over else kind
    made = Notice(
        id=notice_id(episode.id, str(step.n), person, way),
        cause=episode.id,
        step=str(step.n),
        person=person,
        way=way,
        kind=kind,
        subject="",
        body="",
        made_at=now,
        not_before=not_before,
        wakes=woken,
        path=case.path or f"/alerts/{episode.id}",
        unit=case.unit,
        customer=case.customer,
        place=AlertPlace(
            name=case.place,
            zone=case.zone,
            phone=case.phone,
            unsure=case.learning or case.adopted,
        ),
    )
    return worded(made, episode, now)
