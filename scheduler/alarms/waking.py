"""Who is woken for what: criticality of the site x what was found x whether the mains is off.

The table is data and the owner edits it. The default: no cover while the mains is off wakes, at a
life site with the mains healthy too; a failed start where nothing tells of the mains, because a
set that tries to start by itself mostly does so when the mains went; what endangers people wakes
always; all else waits for the end of the quiet hours of whoever is told (docs/engineering/alarms.md#who-is-woken).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import get_args

from fleet.findings import Concern, row_of
from fleet.model import Criticality, Finding, Waking, WakingRow
from fleet.model.duty import WakingMains

CRITICALITIES: tuple[Criticality, ...] = get_args(Criticality)
CONCERNS: dict[Concern, str] = {
    "no_cover": "No cover: failed to start, no volts, not in auto, no proof of it",
    "start_failed": "Failed to start, and nothing tells whether the mains is off",
    "silent": "Not reporting",
    "losing": "Will lose cover soon: fuel, battery, charger",
    "other": "Everything else",
}
"""What the rows of the table are about, in the words of its page."""

UNSENSED: tuple[WakingMains, ...] = ("not_sensed",)
SENSED: tuple[WakingMains, ...] = ("off", "on")

DEFAULT: dict[tuple[Concern, Criticality, WakingMains], str] = {
    **{("no_cover", c, "off"): "wake" for c in CRITICALITIES},
    ("no_cover", "life", "on"): "wake",
    **{("start_failed", c, "not_sensed"): "wake" for c in CRITICALITIES},
    ("silent", "life", "on"): "wake",
    **{("silent", c, "off"): "wake" for c in CRITICALITIES},
}
"""Common practice, no source; what is not here waits for the morning."""


def mains_of(concern: Concern) -> tuple[WakingMains, ...]:
    """For which states of the mains a concern has a row."""
    return UNSENSED if concern == "start_failed" else SENSED


def concern_of(finding: Finding, mains: WakingMains) -> Concern:
    """What a finding is to who sleeps. What will lose cover is so only where it is Same day; a failed
    start is a concern of its own only where nothing tells of the mains."""
    concern = row_of(finding.facts).concern
    if concern == "start_failed" and mains != "not_sensed":
        return "no_cover"
    return "other" if concern == "losing" and finding.severity != "same_day" else concern


def wakes(waking: Waking, finding: Finding, criticality: Criticality, mains: WakingMains) -> bool:
    """Whether this finding at such a site wakes the holder of the duty phone."""
    concern = concern_of(finding, mains)
    if mains not in mains_of(concern):
        mains = "on"  # only that row tells a mains that is not sensed from one not known to be off
    return concern == "danger" or says(waking, concern, criticality, mains)


def says(waking: Waking, concern: Concern, criticality: Criticality, mains: WakingMains) -> bool:
    """What the table says: the owner's row where there is one, else the default."""
    for row in reversed(waking.rows):
        if (row.concern, row.criticality, row.mains) == (concern, criticality, mains):
            return row.wake == "wake"
    return DEFAULT.get((concern, criticality, mains)) == "wake"


def table(waking: Waking) -> list[tuple[Concern, Criticality, WakingMains, bool, bool]]:
    """Every row: (concern, criticality, mains, wakes, by default), in the order of the page."""
    return [
        (
            concern,
            criticality,
            mains,
            says(waking, concern, criticality, mains),
            DEFAULT.get((concern, criticality, mains)) == "wake",
        )
        for concern in CONCERNS
        for criticality in CRITICALITIES
        for mains in mains_of(concern)
    ]


def changed(chosen: Iterable[tuple[Concern, Criticality, WakingMains, bool]]) -> Waking:
    """A waking table of what was chosen: only what differs from the default is kept."""
    return Waking(
        rows=tuple(
            WakingRow(
                concern=concern,
                criticality=criticality,
                mains=mains,
                wake="wake" if wake else "morning",
            )
            for concern, criticality, mains, wake in chosen
            if wake != (DEFAULT.get((concern, criticality, mains)) == "wake")
        )
    )
