"""The values of one entry: names to channels, units and codes, and everything forgiven of them."""

from __future__ import annotations

import json
import re
from typing import Any

from fleet.channels import CHANNELS
from ingest.profiles import Profile
from ingest.wire.message import UNKNOWN_AT_MOST, Decoded, clean
from ingest.wire.numbers import number, unfit
from ingest.wire.objects import Object

_UNKNOWN_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_.-]{0,63}")


class Values:
    """Reads values by a profile; unknown names and what was forgiven go into `said`."""

    def __init__(self, profile: Profile, said: Decoded) -> None:
        self.profile = profile
        self.said = said
        self.named = False

    def read(self, entry: Object, fields: frozenset[str]) -> tuple[dict[str, float], list[str]]:
        """Values by channel, and what was wrong with those not among them.

        fields: names of the entry that are no values, beside those every entry has.
        """
        profile = self.profile
        fixed = fields | {profile.at, profile.seq, profile.next_s, profile.values, "device"}
        kept: dict[str, float] = {}
        faults: list[str] = []
        nested = entry.get(profile.values)
        if nested is not None and not isinstance(nested, Object):
            faults.append("values is not an object")
        for source in (entry, nested):
            if not isinstance(source, Object):
                continue
            for name, raw in source.items():
                if source is entry and name in fixed:
                    continue
                self._value(name, raw, name in source.twice, kept, faults)
        return kept, faults

    def _value(
        self, name: str, raw: Any, twice: bool, kept: dict[str, float], faults: list[str]
    ) -> None:
        mapped = self.profile.channels.get(name)
        channel = CHANNELS.get(mapped.to if mapped else name)
        if channel is None:
            self._unknown(name, raw, kept)
            return
        self.named = True
        shown = clean(name, 64) if mapped else channel.name
        if twice:
            faults.append(f"{shown} is given twice with different values")
            kept.pop(channel.name, None)
            return
        unit = mapped.unit if mapped and mapped.unit else channel.unit
        read = number(raw, unit, channel.role == "state")
        if read.forgiven:
            self.forgive(read.forgiven)
        value = read.value
        if value is None:
            if read.fault:
                faults.append(f"{shown} {read.fault}: {clean(repr(raw), 60)}")
            return
        if mapped is not None:
            if value in mapped.sentinels:
                faults.append(f"{shown} is the code for 'not available': {value:g}")
                return
            value = mapped.scaled(value)
        fault = unfit(channel, value)
        if fault:
            faults.append(f"{shown} {fault}")
        elif kept.setdefault(channel.name, value) != value:
            faults.append(f"{shown} is given twice with different values")
            del kept[channel.name]

    def _unknown(self, name: str, raw: Any, kept: dict[str, float]) -> None:
        """List an unknown name; keep its value too where both are fit to be kept."""
        unknown = self.said.unknown
        shown = clean(name, 64)
        if shown not in unknown and len(unknown) >= UNKNOWN_AT_MOST:
            return
        unknown[shown] = clean(raw if isinstance(raw, str) else json.dumps(raw), 40)
        is_number = isinstance(raw, int | float) and not isinstance(raw, bool)
        if is_number and _UNKNOWN_NAME.fullmatch(name) and abs(raw) < 1e300 and raw == raw:
            kept[name] = float(raw)

    def whole(self, raw: Any, low: int, high: int, name: str) -> int | None:
        """A whole number of a fixed field; what is none is overlooked and counted."""
        if raw is None:
            return None
        read = number(raw, "", False).value
        if read is None or not read.is_integer() or not low <= read <= high:
            self.forgive(f"bad_{name}")
            return None
        return int(read)

    def forgive(self, what: str) -> None:
        """Count what was overlooked, by its name."""
        self.said.forgiven[what] = self.said.forgiven.get(what, 0) + 1
