"""What people recorded of a set, in words, for its page. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from dashboard import authors
from dashboard.pages import forms
from dashboard.views.named import staff_name
from fleet import words
from fleet.model import Record, RecordKind, Scope
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
