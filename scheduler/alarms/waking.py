"""Who is woken for what: criticality of the site x what was found x whether the mains is off.

The table is data and the owner edits it. The default: no cover while the mains is off wakes, at a
life site with the mains healthy too; what endangers people wakes always; all else waits
for the end of the quiet hours of whoever is told (docs/engineering/alarms.md#who-is-woken).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import get_args

from fleet.model import Criticality, Finding, Severity, Waking, WakingRow

CRITICALITIES: tuple[Criticality, ...] = get_args(Criticality)
DANGERS = frozenset({"volts_standing", "open_neutral", "over_voltage"})
"""They wake whatever the table says: people or appliances are in danger."""
NO_COVER = frozenset(
    {"failed_start", "no_output", "leg_out", "not_in_auto", "no_proof_of_cover", "shut_down"}
)
CONCERNS: dict[str, str] = {
    "no_cover": "No cover: failed to start, no volts, not in auto, no proof of it",
    "silent": "Not reporting",
    "losing": "Will lose cover soon: fuel, battery, charger",
    "other": "Everything else",
}
"""What the rows of the table are about, in the words of its page."""

DEFAULT: dict[tuple[str, Criticality, str], str] = {
    **{("no_cover", c, "off"): "wake" for c in CRITICALITIES},
    ("no_cover", "life", "on"): "wake",
    ("silent", "life", "on"): "wake",
    **{("silent", c, "off"): "wake" for c in CRITICALITIES},
}
"""Common practice, no source; what is not here waits for the morning."""


def concern_of(kind: str, severity: Severity) -> str:
    """The row of the table that a finding belongs to."""
    if kind in NO_COVER:
        return "no_cover"
    if kind in ("not_reporting", "own_line"):
        return "silent"
    return "losing" if severity == "same_day" and kind in LOSING else "other"


LOSING = frozenset(
    {
        "fuel_low",
        "battery_weak",
        "battery_failed_cell",
        "battery_runs_down",
        "charger_fault",
        "over_charge",
    }
)


def wakes(waking: Waking, finding: Finding, criticality: Criticality, *, mains_off: bool) -> bool:
    """Whether this finding at such a site wakes the holder of the duty phone."""
    if finding.kind in DANGERS:
        return True
    return says(waking, concern_of(finding.kind, finding.severity), criticality, mains_off)


def says(waking: Waking, concern: str, criticality: Criticality, mains_off: bool) -> bool:
    """What the table says: the owner's row where there is one, else the default."""
    mains = "off" if mains_off else "on"
    for row in reversed(waking.rows):
        if (row.concern, row.criticality, row.mains) == (concern, criticality, mains):
            return row.wake == "wake"
    return DEFAULT.get((concern, criticality, mains)) == "wake"


def table(waking: Waking) -> list[tuple[str, Criticality, str, bool, bool]]:
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


def changed(chosen: Iterable[tuple[str, Criticality, str, bool]]) -> Waking:
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
