"""Who is woken for what: criticality of the site x what was found x whether the mains is off.

The table is data and the owner edits it. The default: no cover while the mains is off wakes, at a
life site with the mains healthy too; what endangers people wakes always; all else waits
for the end of the quiet hours of whoever is told (docs/engineering/alarms.md#who-is-woken).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import get_args

from fleet.findings import Concern, row_of
from fleet.model import Criticality, Finding, Waking, WakingRow

CRITICALITIES: tuple[Criticality, ...] = get_args(Criticality)
CONCERNS: dict[Concern, str] = {
    "no_cover": "No cover: failed to start, no volts, not in auto, no proof of it",
    "silent": "Not reporting",
    "losing": "Will lose cover soon: fuel, battery, charger",
    "other": "Everything else",
}
"""What the rows of the table are about, in the words of its page."""

DEFAULT: dict[tuple[Concern, Criticality, str], str] = {
    **{("no_cover", c, "off"): "wake" for c in CRITICALITIES},
    ("no_cover", "life", "on"): "wake",
    ("silent", "life", "on"): "wake",
    **{("silent", c, "off"): "wake" for c in CRITICALITIES},
}
"""Common practice, no source; what is not here waits for the morning."""


def concern_of(finding: Finding) -> Concern:
    """What a finding is to who sleeps. What will lose cover is so only where it is Same day."""
    concern = row_of(finding.facts).concern
    return "other" if concern == "losing" and finding.severity != "same_day" else concern


def wakes(waking: Waking, finding: Finding, criticality: Criticality, *, mains_off: bool) -> bool:
    """Whether this finding at such a site wakes the holder of the duty phone."""
    concern = concern_of(finding)
    return concern == "danger" or says(waking, concern, criticality, mains_off)


def says(waking: Waking, concern: Concern, criticality: Criticality, mains_off: bool) -> bool:
    """What the table says: the owner's row where there is one, else the default."""
    mains = "off" if mains_off else "on"
    for row in reversed(waking.rows):
        if (row.concern, row.criticality, row.mains) == (concern, criticality, mains):
            return row.wake == "wake"
    return DEFAULT.get((concern, criticality, mains)) == "wake"


def table(waking: Waking) -> list[tuple[Concern, Criticality, str, bool, bool]]:
    """Every row: (concern, criticality, mains, wakes, by default), in the order of the page."""
    return [
        (
            concern,
            criticality,
            mains,
            says(waking, concern, criticality, mains == "off"),
            DEFAULT.get((concern, criticality, mains)) == "wake",
        )
        for concern in CONCERNS
        for criticality in CRITICALITIES
        for mains in ("off", "on")
    ]


def changed(chosen: Iterable[tuple[Concern, Criticality, str, bool]]) -> Waking:
    """A waking table of what was chosen: only what differs from the default is kept."""
    return Waking(
        rows=tuple(
            WakingRow(
                concern=concern,
                criticality=criticality,
                mains="off" if mains == "off" else "on",
                wake="wake" if wake else "morning",
            )
            for concern, criticality, mains, wake in chosen
            if wake != (DEFAULT.get((concern, criticality, mains)) == "wake")
        )
    )
