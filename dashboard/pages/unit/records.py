"""What people recorded of a set, in words, and what they are asked to record, for its page. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import urlencode

from dashboard import authors
from dashboard.pages import forms
from dashboard.views.audience import Say
from dashboard.views.named import staff_name
from fleet import words
from fleet.findings import AnyFacts
from fleet.findings.service import HourFormatAsked, MeterDisagrees, MeterReset
from fleet.model import Finding, Record, RecordKind, Scope
from fleet.registry.facts.rows import ListedRecord


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordLine:
    """A record in words. word: its kind as addresses write it; superseded: a later one corrects it."""

    at: str
    kind: str
    by: str
    job: str
    facts: str
    id: str
    word: RecordKind
    superseded: bool


def record_line(listed: ListedRecord, zone: str, now: int, scope: Scope) -> RecordLine:
    """A record in words."""
    record: Record = listed.record
    return RecordLine(
        at=words.moment(record.at, zone, now),
        kind=forms.KINDS[record.kind].name,
        by=staff_name(scope, authors.said(record.by, record.entered_by, record.via, record.named)),
        job=record.job if scope.everything else "",
        facts=forms.facts_words(record, zone, now),
        id=record.id,
        word=record.kind,
        superseded=listed.superseded_by is not None,
    )


def standing(recorded: Sequence[ListedRecord], id: str) -> str:
    """The id of a record that nothing has corrected; '' where there is none."""
    mine = (r for r in recorded if r.record.id == id and r.superseded_by is None)
    return id if next(mine, None) is not None else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteLine:
    """A Note: what is seen and what to do; href, verb: the form its advice leads to ('' for none)."""

    seen: str
    do: str
    href: str = ""
    verb: str = ""


def note_line(finding: Finding, unit: str, zone: str, now: int, say: Say) -> NoteLine:
    """A Note in words, with the form that answers it, filled in as far as it is known."""
    said = say(finding, zone, now)
    kind, sent = _answer(finding.facts)
    return NoteLine(
        seen=said.seen,
        do=said.do,
        href=f"/units/{unit}/record/{kind}{f'?{urlencode(sent)}' if sent else ''}" if kind else "",
        verb=forms.KINDS[kind].verb if kind else "",
    )


def _answer(facts: AnyFacts) -> tuple[RecordKind | None, dict[str, str]]:
    """The kind of record that answers a Note on the metering, and what is known of its fields."""
    match facts:
        case MeterReset():
            sent = {"old_hours": f"{facts.before_h:g}", "new_hours": f"{facts.after_h:g}"}
            return "meter_replaced", sent
        case HourFormatAsked():
            return "hour_format", {"format": facts.writes}
        case MeterDisagrees():
            return "hour_meter", {}
    return None, {}
