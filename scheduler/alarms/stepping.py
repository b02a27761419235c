"""What changes in the alerts of one subject: the findings of now against the episodes that are open.

At most one episode is open per (subject, kind, part). What was told is never recomputed: an
episode is its appended steps. A finding that comes back before anybody has seen that it was over
is the same episode again. A Note is information and opens none.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence

import msgspec

from fleet.findings import row_of
from fleet.findings.mains import MainsOutage
from fleet.findings.row import LATE_S
from fleet.model import SEVERITIES, Episode, Finding, Step, StepKind
from scheduler.alarms.lifecycle import (
    SILENT,
    grown,
    lapsed_at,
    newest,
    next_step,
    over_after_s,
    state_of,
)

ANSWER_S = 7 * 86_400
"""An Act now alert that is over waits so long for somebody to say they saw it. Common practice, no
source."""
FORGET_S = 86_400
"""The other severities; then it is closed and its history says that nobody answered. Common
practice, no source."""


class Quiet(msgspec.Struct, frozen=True, kw_only=True):
    """Why alerts of a subject may be silent now.

    aside: out of service for work, or laid up. visit: id of an open visit, which silences its set.
    silence_of: id of the outage or of the alert on our own line that explains its silence. silent:
    nothing is heard of it, so what was measured last stays. back_at: when it was put back into
    service last (UTC seconds); before, what was found of it were Notes. taken_at: when the firm took
    the set on (UTC seconds); what was so before is told with all else of its import, but dangers.
    """

    aside: bool = False
    visit: str = ""
    silence_of: str = ""
    silent: bool = False
    back_at: int = 0
    taken_at: int = 0


LOUD = Quiet()
TAKEN_OVER = "taken over"
"""Why an alert was raised that nobody is told of by itself: it was so when its set was taken on."""


def found_at_import(finding: Finding, quiet: Quiet) -> bool:
    """Whether a finding is older than the firm's knowledge of its set, and no danger."""
    return finding.since < quiet.taken_at and not row_of(finding.facts).endangers


def step(
    open_episodes: Iterable[Episode],
    subject: str,
    findings: Iterable[Finding],
    now: int,
    quiet: Quiet = LOUD,
) -> tuple[list[Episode], list[Step]]:
    """What changes between the open episodes of a subject and what is found of it now.

    Returns the episodes to open, each with its first steps inside, and the steps to append to
    those that are open. Nothing for what stays as it was, so a restart tells nobody anything twice.
    """
    standing = _by_key(findings)
    known = {(e.kind, e.part): e for e in open_episodes if e.subject == subject and not e.closed_at}
    opened = [
        opening(subject, finding, now, quiet)
        for key, finding in standing.items()
        if key not in known
    ]
    steps: list[Step] = []
    for key, episode in sorted(known.items()):
        steps += proceed(episode, standing.get(key), now, quiet)
    return opened, steps


def opening(
    subject: str, finding: Finding, now: int, quiet: Quiet = LOUD, name: str = ""
) -> Episode:
    """A new episode: raised, and held back at once where it has a cause. name: its id, if any."""
    finding = learned(finding, None, now, quiet)
    name = name or episode_id(subject, finding.kind, finding.part, now)
    empty = Episode(
        id=name,
        subject=subject,
        kind=finding.kind,
        part=finding.part,
        severity=finding.severity,
        opened_at=now,
        finding=finding,
    )
    cause = TAKEN_OVER if found_at_import(finding, quiet) else ""
    made = grown(empty, [next_step(empty, "raised", now, finding=finding, cause=cause)])
    kind, cause = _held_back(finding, quiet)
    if kind == "suppressed":
        made = grown(made, [next_step(made, kind, now, cause=cause)])
    return made


def proceed(episode: Episode, found: Finding | None, now: int, quiet: Quiet = LOUD) -> list[Step]:
    """The steps of one open episode, given what is found of it now (None: nothing)."""
    state = state_of(episode)
    if state in SILENT:
        return _leave(episode, found, now, quiet)
    hold, cause = _held_back(episode.finding, quiet)
    if hold == "removed" and found is not None:
        hold = None  # due work and the like go on being said of a set that is set aside
    if hold is not None and state != "returned":
        return [next_step(episode, hold, now, cause=cause)]
    if found is not None:
        return _holds(episode, found, now, quiet)
    return _gone(episode, now, quiet)


def learned(finding: Finding, before: Finding | None, now: int, quiet: Quiet) -> Finding:
    """The finding with the moment people could first learn of it, where its news came late (buffered
    in a device without a link; this service stopped): raised at `now` though it was to be known
    over ten minutes ago. before: what was told of it last, whose moment stays."""
    if before is not None and before.since == finding.since:
        return msgspec.structs.replace(finding, learned_at=before.learned_at)
    row = row_of(finding.facts)
    if not row.alarm.known_at_once and not row.endangers:
        return finding
    known_at = max(finding.learned_at or finding.since, quiet.back_at)
    return finding if now - known_at <= LATE_S else msgspec.structs.replace(finding, learned_at=now)


def episode_id(subject: str, kind: str, part: str, opened_at: int) -> str:
    """The same id whenever the same episode is worked out again."""
    text = "\x1f".join((subject, kind, part, str(opened_at)))
    return "e" + hashlib.sha256(text.encode()).hexdigest()[:31]


def look_again(episodes: Iterable[Episode], now: int) -> int | None:
    """The next moment at which an episode changes by itself: off-delay met, shelf over."""
    moments: list[int] = []
    for episode in episodes:
        since, shelf = lapsed_at(episode), newest(episode, "shelved")
        if since is not None:
            moments.append(since + over_after_s(episode, since))
        if state_of(episode) == "shelved" and shelf is not None and shelf.until is not None:
            moments.append(shelf.until)
    return min((moment for moment in moments if moment > now), default=None)


def after_turn(
    episodes: Sequence[Episode], opened: Sequence[Episode], steps: Sequence[Step]
) -> list[Episode]:
    """Every episode of a turn as it will be kept: those opened, and those that were open, grown."""
    return [*opened, *(grown(episode, steps) for episode in episodes)]


def _held_back(finding: Finding, quiet: Quiet) -> tuple[StepKind | None, str]:
    """The step that holds back such a finding now, and its cause; None: nothing does."""
    if quiet.visit:
        return "suppressed", quiet.visit
    if quiet.silence_of and row_of(finding.facts).quiet.outage == "held_back":
        return "suppressed", quiet.silence_of
    if quiet.aside:
        return "removed", ""
    return None, ""


RELEASE: Mapping[str, StepKind] = {
    "shelved": "unshelved",
    "out_of_service": "restored",
    "suppressed": "unsuppressed",
}


def _leave(episode: Episode, found: Finding | None, now: int, quiet: Quiet) -> list[Step]:
    """Out of a silent state once its reason has ended; judged anew then."""
    state = state_of(episode)
    hold, _ = _held_back(episode.finding, quiet)
    if state == "shelved":
        shelf = newest(episode, "shelved")
        if shelf is not None and shelf.until is not None and now < shelf.until:
            return []
    elif hold is not None:
        return []
    if found is None and not _stale(episode, quiet):
        return [next_step(episode, "cleared", now)]
    if found is not None:
        found = learned(found, _last_told(episode), now, quiet)
    return [next_step(episode, RELEASE[state], now, finding=found)]


def _holds(episode: Episode, found: Finding, now: int, quiet: Quiet) -> list[Step]:
    state = state_of(episode)
    if state == "returned":
        found = learned(found, _last_told(episode), now, quiet)
        return [next_step(episode, "recurred", now, finding=found)]
    steps: list[Step] = []
    if lapsed_at(episode) is not None:
        steps.append(next_step(episode, "resumed", now))
        episode = grown(episode, steps)
    if _is_news(episode, found):
        graver = SEVERITIES.index(found.severity) < SEVERITIES.index(episode.severity)
        again = state == "acknowledged" and (graver or found.severity == episode.severity)
        kind: StepKind = "realarmed" if again else "changed"
        found = learned(found, _last_told(episode), now, quiet)
        steps.append(next_step(episode, kind, now, finding=found))
    return steps


def _gone(episode: Episode, now: int, quiet: Quiet) -> list[Step]:
    state = state_of(episode)
    if state == "returned":
        ended = newest(episode, "returned")
        wait_s = ANSWER_S if episode.severity == "act_now" else FORGET_S
        if ended is not None and now - ended.at >= wait_s:
            return [next_step(episode, "acknowledged", now, cause="nobody answered")]
        return []
    since = lapsed_at(episode)
    off_s = over_after_s(episode, now if since is None else since)
    if since is None and _stale(episode, quiet):
        return []
    if since is None and off_s > 0:
        return [next_step(episode, "lapsed", now)]
    if since is not None and now - since < off_s:
        return []
    return [next_step(episode, "returned" if state == "unacknowledged" else "cleared", now)]


def _stale(episode: Episode, quiet: Quiet) -> bool:
    """Whether it is only not seen any more because nothing is heard."""
    return quiet.silent and row_of(episode.finding.facts).alarm.stays_while_silent


def _by_key(findings: Iterable[Finding]) -> dict[tuple[str, str], Finding]:
    """By (kind, part), the gravest of each; without Notes; in a fixed order."""
    kept: dict[tuple[str, str], Finding] = {}
    order = sorted(findings, key=lambda f: (f.kind, f.part, SEVERITIES.index(f.severity), f.since))
    for finding in order:
        if finding.severity != "note":
            kept.setdefault((finding.kind, finding.part), finding)
    return kept


def _is_news(episode: Episode, found: Finding) -> bool:
    last = _last_told(episode)
    if found.severity != last.severity:
        return True
    if _times_told(found) != _times_told(last):
        return True
    return row_of(found.facts).alarm.each_is_news and found.since > last.since


def _times_told(finding: Finding) -> int | None:
    """How often an outage was told; None of anything else."""
    return finding.facts.told if isinstance(finding.facts, MainsOutage) else None


def _last_told(episode: Episode) -> Finding:
    last = episode.finding
    for told in episode.steps:
        last = told.finding or last
    return last
