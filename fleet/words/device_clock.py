"""What was learned of a device's clock, in words."""

from __future__ import annotations

from fleet.findings.saying import count, moment, span
from fleet.model.device_clock import GIVEN_DIGITS, SITE_DIGITS, UTC_DIGITS, DeviceClock

TOLD_FROM = 3
"""Comparisons before anything is said. Common practice, no source."""
OFF_S = 60
DRIFT_S_MONTH = 10
"""A clock within these is right as far as anybody minds. Common practice, no source."""


def sentences(clock: DeviceClock, zone: str, now: int) -> list[str]:
    """What there is to say; empty while too little is known. zone: the site's; now [s UTC]."""
    if clock.messages < TOLD_FROM:
        return []
    said = [_zone(clock, zone, now)]
    if clock.off_since is not None:
        said.append(
            f"Since {moment(clock.off_since, zone, now)} its stamps do not fit that: its clock was "
            "changed, or its messages wait somewhere."
        )
    elif not clock.coarse:
        said.append(_offset(clock.offset_s))
    if clock.coarse:
        said.append(
            f"Its stamps come in steps of {clock.grain_s} s, too coarse to tell its messages apart: "
            "the time of receipt is used."
        )
    elif clock.grain_s == 60:
        said.append("Its stamps are whole minutes.")
    drift = clock.drift_s_month
    if drift is not None and abs(drift) >= DRIFT_S_MONTH:
        said.append(f"It {'gains' if drift > 0 else 'loses'} {span(round(abs(drift)))} in 30 days.")
    if clock.stepped_at is not None:
        how = "forward" if clock.stepped_s > 0 else "back"
        said.append(
            f"It was set {how} by {span(abs(clock.stepped_s))}, seen "
            f"{moment(clock.stepped_at, zone, now)}."
        )
    return [sentence for sentence in said if sentence]


def read_as(clock: DeviceClock) -> str:
    """How its digits are read, in a few words."""
    if clock.zone == SITE_DIGITS or (clock.zone == GIVEN_DIGITS and clock.stamps == "bare"):
        return "the site's wall clock"
    return "UTC" if clock.zone in (UTC_DIGITS, GIVEN_DIGITS) else f"UTC{clock.zone}"


def _zone(clock: DeviceClock, zone: str, now: int) -> str:
    written = "carry no zone" if clock.stamps == "bare" else "say UTC"
    if clock.zone == GIVEN_DIGITS:
        return (
            "Its stamps carry no zone and are read in the site's time zone."
            if clock.stamps == "bare"
            else ""
        )
    since = moment(clock.zone_since, zone, now) if clock.zone_since is not None else "the start"
    joined = "and" if clock.stamps == "bare" else "and mean"
    is_ = "are" if clock.stamps == "bare" else ""
    meant = " ".join(filter(None, (joined, is_, read_as(clock))))
    return (
        f"Its stamps {written} {meant}, learned from {count(clock.messages, 'message')}: what came "
        f"after {since} is put right."
    )


def _offset(offset_s: int) -> str:
    if abs(offset_s) <= OFF_S:
        return "Its clock is right to a minute."
    if offset_s > 0:
        return f"Its clock is {span(offset_s)} ahead."
    return f"Its clock is {span(-offset_s)} behind, or its messages take so long."
