"""What ingest keeps in memory of each device, so that no message waits for a query."""

from __future__ import annotations

import logging
import time
import tomllib
from datetime import UTC, tzinfo
from functools import lru_cache
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from fleet.model import Pulse
from fleet.registry import unscoped
from fleet.registry.base.engine import Registry
from fleet.registry.facts.intake import UNREGISTERED_AT_MOST
from ingest.profiles import NO_PROFILE, Profile, ProfileFault, profile_from
from ingest.pulses import Opened
from ingest.sequence import Numbering
from ingest.wire import Speaker

LOOK_EVERY_S = 1.0
"""How often the register is asked whether it changed. A pace of ours."""

_NOBODY = Speaker()
_log = logging.getLogger(__name__)


class Cache:
    """Devices as last read from the registry, and the pulses and numberings since.

    profiles: folder of device profiles, read again whenever the register changed.
    """

    def __init__(self, profiles: Path) -> None:
        self._folder = profiles
        self._version: int | None = None
        self._looked_at = 0.0
        self._speakers: dict[str, Speaker] = {}
        self._registered: set[str] = set()
        self._known: set[str] = set()
        self._pulses: dict[str, Pulse] = {}
        self._numberings: dict[str, Numbering] = {}
        self.newest_heard_at: int | None = None
        """Receipt of the newest message of any device [s UTC]."""
        self.put_right: set[str] = set()
        self.too_coarse: set[str] = set()
        """Devices whose stamps are read otherwise than written, and those whose receipts are used."""
        self.faults: list[str] = []
        """Sentences about profiles that cannot be used."""

    def refresh(self, registry: Registry) -> None:
        """Read the register again if it changed. Raises RegistryDown."""
        now = time.monotonic()
        if self._version is not None and now - self._looked_at < LOOK_EVERY_S:
            return
        version = unscoped.facts_version(registry)
        if version != self._version:
            self._load(registry)
            self._version = version
        self._looked_at = now

    def speaker(self, device: str) -> Speaker:
        """Zone and profile of a device; UTC and none for one that is not registered."""
        return self._speakers.get(device, _NOBODY)

    def welcomes(self, device: str) -> bool:
        """False for a device that is neither known nor among the first unregistered ones."""
        if device in self._known:
            return True
        if len(self._known) - len(self._registered) >= UNREGISTERED_AT_MOST:
            return False
        self._known.add(device)
        return True

    def open(self, device: str, group: str) -> Opened:
        """The device's state, to merge a batch into."""
        pulse = self._pulses.get(device)
        if pulse is None:
            pulse = Pulse(device=device)
        numbering = self._numberings.get(device)
        if numbering is None:
            numbering = Numbering(pulse.last_seq, pulse.sequence_gaps)
        return Opened(pulse, numbering, group, self.speaker(device))

    def keep(self, pulses: list[Pulse], opened: dict[str, Opened]) -> None:
        """Remember the states of a batch that is now in the registry."""
        for pulse in pulses:
            self._pulses[pulse.device] = pulse
            self._numberings[pulse.device] = opened[pulse.device].numbering
            self._known.add(pulse.device)
            self._heard(pulse)
            self._note_clock(pulse)

    def _note_clock(self, pulse: Pulse) -> None:
        for noted, which in (
            (pulse.clock.zone, self.put_right),
            (pulse.clock.coarse, self.too_coarse),
        ):
            if noted:
                which.add(pulse.device)
            elif which:
                which.discard(pulse.device)

    def _load(self, registry: Registry) -> None:
        profiles, self.faults = load_profiles(self._folder)
        for fault in self.faults:
            _log.warning("%r", fault)
        facts = unscoped.device_facts(registry)
        self._speakers = {
            device: Speaker(
                zone_of(known.zone), self._profile(profiles, known.profile), known.unit or ""
            )
            for device, known in facts.items()
        }
        self._registered = {device for device, known in facts.items() if known.registered}
        self._known |= facts.keys()
        for device, known in facts.items():
            if known.pulse is not None:
                self._pulses.setdefault(device, known.pulse)
                self._heard(known.pulse)
                self._note_clock(self._pulses[device])

    def _heard(self, pulse: Pulse) -> None:
        if pulse.heard_at is not None and pulse.heard_at > (self.newest_heard_at or 0):
            self.newest_heard_at = pulse.heard_at

    def _profile(self, profiles: dict[str, Profile], name: str) -> Profile:
        if not name:
            return NO_PROFILE
        if name not in profiles:
            fault = f"the register names device profile {name!r}, which is not in {self._folder}"
            if fault not in self.faults:
                self.faults.append(fault)
                _log.warning("%s", fault)
            return NO_PROFILE
        return profiles[name]


@lru_cache(maxsize=1024)
def zone_of(name: str) -> tzinfo:
    """The zone of that IANA name; UTC where there is none such."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        return UTC


def load_profiles(folder: Path) -> tuple[dict[str, Profile], list[str]]:
    """Every `*.toml` of a folder as (profiles by name, sentences about those that are unusable)."""
    profiles: dict[str, Profile] = {}
    faults: list[str] = []
    for path in sorted(folder.glob("*.toml")) if folder.is_dir() else ():
        try:
            data = tomllib.loads(path.read_text("utf-8"))
            profiles[path.stem] = profile_from(path.stem, data)
        except ProfileFault as fault:
            faults.append(str(fault))
        except (OSError, ValueError) as fault:
            faults.append(f"profile {path.stem}: cannot be read as TOML: {fault}")
    return profiles, faults
