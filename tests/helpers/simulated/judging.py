"""What was said against what was true: Act now and Same day, right or wrong, per unit-day.

An alert is right where the truth kept apart bears it out at the moment it was told. An outage that was
told for want of proof is `honest` where every site had cover, but one of them truly had not been heard
though its next report was due: nobody could know better.
"""

from __future__ import annotations

import json
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from scipy.stats import chi2

from fleet.findings.mains import MainsOutage
from fleet.findings.service import OilCheckInRun
from fleet.findings.starting import FailedStart
from fleet.findings.this_service import OwnLine
from fleet.model import EVERYTHING, Episode, Finding
from fleet.registry.base.engine import Registry
from fleet.registry.told import alerts
from simulated.lives import DAY_S, Life, World, inside

AROUND_S = 1800
OVERDUE_S = 600
LONG_RUN_S = 7 * 3600
"""An air-cooled engine that has run so long wants its oil looked at within the day."""
LOUD = ("act_now", "same_day")


@dataclass
class Score:
    """Counts by (severity, kind, verdict); wrong ones in words. unit_days: exposure."""

    unit_days: float = 0.0
    outages: int = 0
    found: Counter[tuple[str, str, str]] = field(default_factory=Counter)
    amid: Counter[tuple[str, str]] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)

    def add(self, other: Score) -> None:
        self.unit_days += other.unit_days
        self.outages += other.outages
        self.found += other.found
        self.amid += other.amid
        self.wrong += other.wrong

    def count(self, severity: str, verdict: str) -> int:
        return sum(n for (s, _, v), n in self.found.items() if s == severity and v == verdict)

    def table(self) -> str:
        """One line for each severity, then the wrong ones."""
        lines = [f"{self.unit_days:.0f} unit-days, {self.outages} outages of an area"]
        for severity in LOUD:
            right, honest, wrong = (self.count(severity, v) for v in ("right", "honest", "wrong"))
            most = exact_upper(wrong) / self.unit_days
            amid = ", ".join(
                f"{what} {n}" for (s, what), n in sorted(self.amid.items()) if s == severity
            )
            lines.append(
                f"{severity}: {right} right, {honest} for want of proof, {wrong} wrong"
                f" = {wrong / self.unit_days:.2g} a unit-day, at most {most:.2g} (95 %); {amid}"
            )
        return "\n".join([*lines, *self.wrong])


def exact_upper(count: int, confidence: float = 0.95) -> float:
    """Upper end of the exact two-sided interval of a Poisson mean (Garwood 1936)."""
    return float(chi2.ppf(0.5 + confidence / 2, 2 * (count + 1)) / 2)


def judge(registry: Registry, made: World, recorded: Path) -> Score:
    """Every alert of a followed recording against the world it was made of."""
    receipts = _receipts(recorded)
    lives = {life.unit: life for life in made.lives}
    score = Score(unit_days=made.unit_days, outages=len(made.fronts))
    for episode in alerts.history(registry, EVERYTHING, 0):
        for at, finding in _told(episode):
            about = _about(episode, finding, made, lives)
            verdict = _verdict(finding, at, about, receipts)
            score.found[finding.severity, finding.kind, verdict] += 1
            if verdict == "wrong":
                for what in _circumstances(at, about, made):
                    score.amid[finding.severity, what] += 1
                said = finding.facts if len(about) != 1 else about[0].manner
                score.wrong.append(
                    f"seed {made.seed} +{(at - made.begin) / 3600:.2f} h {finding.severity} "
                    f"{finding.kind} of {episode.subject}: {said}"
                )
    return score


def _told(episode: Episode) -> Iterator[tuple[int, Finding]]:
    """(when, what) was told at its gravest: once an alert, however often it was changed."""
    said = [(s.at, s.finding) for s in episode.steps if s.finding is not None]
    for severity in LOUD:
        first = next(((at, f) for at, f in said if f.severity == severity), None)
        if first is not None:
            yield first
            return


def _about(episode: Episode, finding: Finding, made: World, lives: dict[str, Life]) -> list[Life]:
    """The sets an alert speaks of: one, those of a site, of an area, or all."""
    kind, _, name = episode.subject.partition(":")
    if kind == "unit":
        return [lives[name]]
    if kind == "area":
        return [life for life in made.lives if life.area == name]
    if kind == "site" and isinstance(finding.facts, MainsOutage) and finding.facts.first:
        return [lives[finding.facts.first]]
    if kind == "site":
        return [life for life in made.lives if life.site.lower().replace(" ", "-") in name]
    return list(made.lives)


def _verdict(
    finding: Finding, at: int, about: Sequence[Life], receipts: dict[str, list[int]]
) -> str:
    facts = finding.facts
    if isinstance(facts, FailedStart):
        held = about[0]
        near = any(abs(f.at - finding.since) < AROUND_S for f in held.failures)
        return "right" if near or held.uncovered(finding.since) else "wrong"
    if isinstance(facts, MainsOutage):
        if any(life.without(at - back) for life in about for back in range(0, 600, 60)):
            return "right"
        return "honest" if any(_overdue(life, at, receipts) for life in about) else "wrong"
    if isinstance(facts, OwnLine):
        return "wrong"  # the line of the service never fails here
    if isinstance(facts, OilCheckInRun):
        long = [(a, b) for a, b in about[0].runs if a <= at <= b + DAY_S]
        return "right" if any(min(at, b) - a > LONG_RUN_S for a, b in long) else "wrong"
    if finding.kind == "starts_unreliable":
        return "right" if len(about[0].failures) >= 3 else "wrong"
    return "wrong"


def _overdue(life: Life, at: int, receipts: dict[str, list[int]]) -> bool:
    """Whether nothing came of it though, by its true cadence, something should have."""
    if not inside(life.mains_off, at):
        return False
    came = receipts.get(life.unit, [])
    n = bisect_right(came, at)
    every_s = life.manner.standing_s * life.manner.batch
    return not n or at - came[n - 1] >= max(OVERDUE_S, every_s)


def _circumstances(at: int, about: Sequence[Life], made: World) -> set[str]:
    found = set()
    for life in about:
        m = life.manner
        if any(a - 600 <= at <= b + 7200 for a, b in life.mains_off):
            found.add("in an outage")
        if m.batch > 1:
            found.add("batches")
        if any(a - 600 <= at <= b + 7200 for a, b in life.cut):
            found.add("gaps")
        if m.clock != "good":
            found.add("poor clocks")
    return found


def _receipts(recorded: Path) -> dict[str, list[int]]:
    """When something of each device was received, its last will left out."""
    found: dict[str, list[int]] = {}
    with recorded.open() as file:
        for text in file:
            line = json.loads(text)
            if line["payload"] != {"state": "offline"}:
                found.setdefault(line["topic"].split("/")[2], []).append(line["received_at"])
    return found
