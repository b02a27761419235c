"""docs/findings.md: an entry a kind, out of its record's docstring, its row, its limits and its pair."""

from __future__ import annotations

import inspect
import re
import textwrap
from collections.abc import Sequence
from pathlib import Path

from finding_pairs.pair import Pair, example
from finding_pairs.worlds import NOW, ZONE
from fleet import words
from fleet.findings import Facts
from fleet.findings.catalogue import AnyRow

ROOT = next(p for p in Path(__file__).resolve().parents if (p / "pyproject.toml").exists())
PAGE = ROOT / "docs" / "findings.md"
WIDE = 110
PARTS = ("Seen.", "Why it matters.", "What to do.", "Limits.")
"""The paragraphs of a record's docstring, in this order; what follows tells of its fields."""
FAMILIES = {
    "starting": "Starting",
    "battery": "Starter battery and charger",
    "service": "Service and engine hours",
    "exercise": "Exercise",
    "fuel": "Fuel",
    "mains": "Mains and outages",
    "supply": "Volts and hertz",
    "reporting": "How its device reports",
    "this_service": "This service itself",
}
REASONS = {
    "failed_start": "starting.md#how-a-demand-ends",
    "shut_down": "readiness.md#states",
    "not_in_auto": "readiness.md#states",
    "starts_unreliable": "reliability.md#triggers",
    "harder_starting": "reliability.md#harder-starting",
    "battery_weak": "battery.md#cranking",
    "battery_failed_cell": "battery.md#failed-cell",
    "charger_fault": "battery.md#on-charge",
    "over_charge": "battery.md#on-charge",
    "battery_runs_down": "battery.md#on-charge",
    "battery_old": "battery.md#age",
    "service_due": "service.md#due",
    "oil_check_in_run": "service.md#oil-in-a-long-run",
    "meter_reset": "hours.md#roll-over-and-reset",
    "meter_rolled_over": "hours.md#roll-over-and-reset",
    "meter_disagrees": "hours.md#cross-check",
    "hour_format_asked": "hours.md#how-it-writes",
    "uses_integrated_hours": "hours.md#standing",
    "exercise_missed": "exercise.md#verdicts",
    "exercise_short": "exercise.md#verdicts",
    "exercise_under_loaded": "exercise.md#verdicts",
    "exercise_time": "exercise.md#matching",
    "code_exercise_not_met": "exercise.md#sets-under-a-code",
    "fuel_low": "fuel.md#low",
    "mains_lost": "mains.md#absent-and-back",
    "mains_outage": "outage.md#which-belong-together",
    "voltage_out": "supply.md#out-of-band",
    "frequency_out": "supply.md#out-of-band",
    "voltage_drift": "supply.md#drift",
    "frequency_drift": "supply.md#drift",
    "hunting": "supply.md#hunting",
    "unbalance": "supply.md#unbalance",
    "wrong_nominal": "supply.md#wrong-nominal",
    "leg_out": "supply.md#circuits-dead-or-low",
    "open_neutral": "supply.md#open-neutral",
    "over_voltage": "supply.md#over-voltage",
    "no_output": "supply.md#without-output",
    "volts_standing": "supply.md#volts-on-a-standing-set",
    "stray_volts": "supply.md#volts-on-a-standing-set",
    "not_reporting": "reporting.md#silence",
    "clock_wrong": "ingest.md#times",
    "sequence_gaps": "reporting.md#numbered-messages",
    "sim_ending": "reporting.md#data-card",
    "data_budget": "reporting.md#data-card",
    "own_line": "outage.md#our-own-line",
    "undelivered": "alarms.md#messages",
}
"""Where the book of the house has the reasons of a kind, page and heading."""
BOOK = ROOT / "docs" / "engineering"
BACK = "Findings: "
"""How the paragraph of a page of the book begins that leads back to the entries."""
SET_ASIDE = " Of a set laid up or out for work a Note."
UNCHECKED = {
    "note": " A Note until a meter was on the reading.",
    "note_unless_seen": " A Note until a meter was on the reading, or an earlier run showed volts.",
    "note_unless_compared": " A Note until a meter was on the reading, unless held against the set's "
    "own past.",
    "stays": " As grave before a meter was on the reading, and says so.",
}
HEAD = """# Findings

What can be found of a set, an area or this service, an entry a kind: what is seen, why it matters, what to
do, and the limits with their source. How each number is worked out stands in [rules.md](rules.md), how an
alert lives and who is woken in [alerts.md](alerts.md).

Each kind has an example that must speak and a healthy twin that must stay silent, both invented, told in raw
readings and run by the tests through the real rules; what stands under *Speaks* is what was really said.
They happen on Tuesday, 24 November 2026, at noon, to a 20 kW, 230 V, 50 Hz diesel unless they say otherwise.
This page is written by the tests (`pytest -k finding_page --write-findings`).
"""
SEVERITIES = """
## How grave

| word | what it means |
|---|---|
| Act now | people are in danger, or a site has no cover: call, send a van |
| Same day | it will have no cover soon, or is being harmed |
| Next visit | work for the next round |
| No word | it is not heard: unknown, which is not ready |
| Note | information; it opens no alert, but that of an outage |
"""


def sections(facts: type[Facts]) -> dict[str, str]:
    """What a record's docstring says, by part. Raises ValueError where a part is missing."""
    told = inspect.cleandoc(facts.__doc__ or "").split("\n\n")
    found = dict(zip(PARTS, (" ".join(part.split()) for part in told), strict=False))
    if len(found) < len(PARTS):
        raise ValueError(f"{facts.__name__} says {len(found)} of {', '.join(PARTS)}")
    return found


def page(rows: Sequence[AnyRow], pairs: Sequence[Pair]) -> str:
    """The whole page. rows: every kind's; pairs: a pair each at least."""
    text = HEAD + SEVERITIES + "\n## Cautions\n\n"
    text += _wrapped("Wherever somebody is sent to a set, these go with it:") + "\n\n"
    text += "".join(_item(caution) for caution in words.CAUTIONS)
    for family, title in FAMILIES.items():
        text += f"\n## {title}\n"
        for row in rows:
            if row.family == family:
                text += _entry(row, [pair for pair in pairs if pair.kind == row.kind])
    return text


def _entry(row: AnyRow, pairs: Sequence[Pair]) -> str:
    said = [words.sentence(example(pair), ZONE, NOW) for pair in pairs]
    text = f"\n### `{row.kind}`\n\n"
    text += _wrapped(_behaves(row)) + "\n"
    for part, body in sections(row.facts).items():
        if part == "What to do." and row.sends:
            body += " The [cautions](#cautions) go with it."
        text += "\n" + _wrapped(f"**{part}** {body}") + "\n"
    text += f"\n**Why so.** {_reason(row.kind)}\n"
    for pair, sentence in zip(pairs, said, strict=True):
        severity = words.severity(example(pair).severity)
        text += "\n" + _wrapped(f"**Speaks.** {pair.speaks.caption}") + "\n"
        spoken = f"**{severity}: {sentence.title}.** {sentence.text}".replace("?.**", "?**")
        text += "\n" + _wrapped(spoken, "> ") + "\n"
        text += "\n" + _wrapped(f"**Silent.** {pair.silent.caption}") + "\n"
    return text


def _reason(kind: str) -> str:
    """The heading of the book that has the reasons, in its own words, with a link to it."""
    page, _, anchor = REASONS[kind].partition("#")
    lines = (BOOK / page).read_text().splitlines()
    title = lines[0].removeprefix("# ")
    (heading,) = [n for n in heads(lines) if _anchor(n) == anchor]
    return f"[{title}: {heading}](engineering/{page}#{anchor})"


def heads(lines: Sequence[str]) -> list[str]:
    """The headings of a page of the book under its title."""
    return [line.removeprefix("## ") for line in lines if line.startswith("## ")]


def _anchor(heading: str) -> str:
    """The anchor of a heading, as a forge makes it."""
    return re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-")


def led_back(page: str, text: str) -> str:
    """A page of the book with the links to the entries it has the reasons of, under its first words."""
    kinds = [kind for kind, place in REASONS.items() if place.partition("#")[0] == page]
    paragraphs = [part for part in text.split("\n\n") if not part.startswith(BACK)]
    if kinds:
        links = ", ".join(f"[`{kind}`](../findings.md#{kind})" for kind in kinds)
        first = next(n for n, part in enumerate(paragraphs) if part.startswith("## "))
        paragraphs.insert(first, _wrapped(f"{BACK}{links}."))
    return "\n\n".join(paragraphs)


def _behaves(row: AnyRow) -> str:
    """How grave it may be, and what makes it say less."""
    text = ", ".join(words.severity(one) for one in row.severities) + "."
    quiet = row.quiet
    if quiet.set_aside == "not_looked_for":
        text += " Not looked for on a set laid up or out for work."
    if row.severities != ("note",):
        text += SET_ASIDE if quiet.set_aside == "note" else ""
        text += UNCHECKED.get(quiet.unchecked, "")
    if quiet.answered_by == "visit":
        text += " Answered by a visit, task or part on record."
    elif quiet.answered_by == "meter":
        text += " Answered by a meter on the reading."
    over_s = row.alarm.over_after_s
    gone = f"once it has been gone for {words.span(over_s)}" if over_s else "as soon as it is gone"
    text += f" Over {gone}."
    return text


def _wrapped(text: str, mark: str = "") -> str:
    return textwrap.fill(
        text,
        WIDE,
        initial_indent=mark,
        subsequent_indent=mark,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _item(text: str) -> str:
    filled = textwrap.fill(text, WIDE, initial_indent="* ", subsequent_indent="  ")
    return filled + "\n"
