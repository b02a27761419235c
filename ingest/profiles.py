"""Device profiles: plain data that turns what a device says into the wire's words.

A profile is a TOML file in DATA/profiles; its name is the file's name. Example:

    at = "ts"                       # the device's name for the time; likewise seq, next_s, values

    [channels.vbat]
    to = "battery_v"                # a channel of the glossary
    scale = 0.1                     # value = raw x scale + offset
    sentinels = [65535, -32768]     # raw codes that mean "not available"
    unit = "V"                      # the suffix the device writes, where it is not the channel's
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import msgspec

from fleet.channels import CHANNELS
from fleet.model import ID


class ProfileFault(ValueError):
    """A profile cannot be used. Says which file or key, what is wrong and what to write instead."""


class Mapped(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One of the device's names. channel value = raw x scale + offset, unless raw is a sentinel."""

    to: str
    scale: float = 1.0
    offset: float = 0.0
    sentinels: tuple[float, ...] = ()
    unit: str = ""

    def scaled(self, raw: float) -> float:
        """raw x scale + offset, without the dust of binary fractions (0.1 x 126 is 12.6)."""
        value = raw * self.scale + self.offset
        return float(f"{value:.12g}") if math.isfinite(value) else value


class Profile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How one kind of device speaks: its names for the fixed fields and for its channels."""

    name: str = ""
    at: str = "at"
    seq: str = "seq"
    next_s: str = "next_s"
    values: str = "values"
    event: str = "event"
    channels: dict[str, Mapped] = {}


NO_PROFILE = Profile()


def profile_from(name: str, data: Mapping[str, Any]) -> Profile:
    """Check plain data and make a Profile of it. Raises ProfileFault with the sentence to show."""
    try:
        profile = msgspec.convert({**data, "name": name}, Profile)
    except msgspec.ValidationError as fault:
        raise ProfileFault(f"profile {name}: {fault}") from fault
    if not ID.fullmatch(name):
        raise ProfileFault(f"profile {name!r}: a name is letters, digits, _ and -, at most 64")
    fixed = (profile.at, profile.seq, profile.next_s, profile.values, profile.event)
    if len(set(fixed)) < len(fixed):
        raise ProfileFault(f"profile {name}: two of at, seq, next_s, values, event share a name")
    for said, mapped in profile.channels.items():
        _check(name, said, mapped, fixed)
    return profile


def _check(name: str, said: str, mapped: Mapped, fixed: tuple[str, ...]) -> None:
    where = f"profile {name}: channels.{said}"
    if said in fixed:
        raise ProfileFault(f"{where}: is already the name of a fixed field")
    if mapped.to not in CHANNELS:
        known = ", ".join(CHANNELS)
        raise ProfileFault(f"{where}: there is no channel {mapped.to!r}; known are {known}")
    if mapped.scale == 0 or not math.isfinite(mapped.scale) or not math.isfinite(mapped.offset):
        raise ProfileFault(f"{where}: scale must be a number other than 0, offset a number")
