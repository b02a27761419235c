"""How what a message said changes what is known of its device. Pure.

Ingest is the only writer of pulses: it keeps them in memory and merges there.
"""

from __future__ import annotations

from fleet.channels import CHANNELS
from fleet.model import Latest, Pulse, Reading, Status
from ingest.sequence import Numbering, heard
from ingest.wire.nouns import UNKNOWN_AT_MOST, Decoded

_NAMES = frozenset(CHANNELS)


class Opened:
    """One device's state while a batch is merged into it; `close` gives the new one."""

    __slots__ = (
        "_clock_right_at", "_clock_wrong_at", "_firmware", "_forgiven", "_habit", "_heard_at",
        "_newest_at", "_next_due_at", "_online", "_pulse", "_seeds", "_status_at", "_unknown",
        "days", "group", "numbering", "readings",
    )  # fmt: skip

    def __init__(self, pulse: Pulse, numbering: Numbering, group: str) -> None:
        self._pulse = pulse
        self.numbering = numbering
        self.group = group
        self.readings: list[Reading] = []
        self.days: set[int] = set()
        self._seeds: list[Reading] = []
        self._heard_at = pulse.heard_at
        self._newest_at = pulse.newest_at
        self._next_due_at = pulse.next_due_at
        self._online, self._status_at = pulse.online, pulse.status_at
        self._firmware, self._habit = pulse.firmware, pulse.habit
        self._clock_wrong_at: int | None = None
        self._clock_right_at: int | None = None
        self._forgiven: dict[str, int] = {}
        self._unknown: dict[str, str] = {}

    def hear(self, said: Decoded, received_at: int, retained: bool) -> None:
        """Merge one message. received_at [s UTC] is never later than the present."""
        if said.status is not None:
            self._status(said.status, received_at)
        elif retained:
            self._seeds.extend(said.seeds)
            return
        else:
            self._by_device(received_at)
        if said.readings:
            self._newest(said)
        if said.sequence:
            self.numbering = heard(self.numbering, said.sequence, self._pulse.newest_at)
        if said.clock_wrong:
            self._clock_wrong_at = max(received_at, self._clock_wrong_at or 0)
        elif said.clock_right:
            self._clock_right_at = max(received_at, self._clock_right_at or 0)
        for what, count in said.forgiven.items():
            self._forgiven[what] = self._forgiven.get(what, 0) + count
        if said.unknown:
            self._unknown.update(said.unknown)
        for event in said.events:
            self.days.add(event.at // 86_400)

    def close(self) -> Pulse:
        """The device's new state; `days` then holds every UTC day that was touched."""
        old = self._pulse
        latest = dict(old.latest)
        self._merge_latest(latest)
        for reading in self.readings:
            self.days.add(reading.at // 86_400)
        wrong_since, wrong_at = self._clock()
        return Pulse(
            device=old.device,
            heard_at=self._heard_at,
            newest_at=self._newest_at,
            latest=latest,
            online=self._online,
            status_at=self._status_at,
            firmware=self._firmware,
            habit=self._habit,
            next_due_at=self._next_due_at,
            clock_wrong_since=wrong_since,
            clock_wrong_at=wrong_at,
            forgiven=_added(old.forgiven, self._forgiven) if self._forgiven else old.forgiven,
            unknown=_joined(old.unknown, self._unknown) if self._unknown else old.unknown,
            sequence_gaps=self.numbering.gaps,
            last_seq=self.numbering.last,
        )

    def _by_device(self, received_at: int) -> None:
        """The device itself spoke: it is heard, and not offline if that was said before."""
        if self._heard_at is None or received_at > self._heard_at:
            self._heard_at = received_at
        if self._online is False and received_at >= (self._status_at or 0):
            self._online = True

    def _status(self, status: Status, received_at: int) -> None:
        """A birth or a last will. Retained: seeds what is unknown, is never fresh.

        A last will is the broker's word, not the device's: it is never heard from the device, and
        one that is older than a message of the device is ignored.
        """
        if status.retained:
            self._seed(status)
            return
        self.days.add(received_at // 86_400)
        if status.state == "offline":
            if received_at >= max(self._heard_at or 0, self._status_at or 0):
                self._online, self._status_at = False, received_at
            return
        self._by_device(received_at)
        if received_at < (self._status_at or 0):
            self._seed(status)
            return
        self._online, self._status_at = True, received_at
        self._firmware = status.firmware or self._firmware
        self._habit = status.habit or self._habit

    def _seed(self, status: Status) -> None:
        if self._online is None:
            self._online = status.state == "online"
        newer = status.at is not None and status.at > (self._status_at or 0)
        if status.firmware and (newer or not self._firmware):
            self._firmware = status.firmware
        if status.habit is not None and (newer or self._habit is None):
            self._habit = status.habit

    def _newest(self, said: Decoded) -> None:
        self.readings.extend(said.readings)
        newest = said.readings[0].at
        for reading in said.readings:
            if reading.at > newest:
                newest = reading.at
        if self._newest_at is None or newest >= self._newest_at:
            self._newest_at = newest
            if said.kind == "readings":
                report = said.next_report
                self._next_due_at = None if report is None else report[0] + report[1]

    def _merge_latest(self, latest: dict[str, Latest]) -> None:
        """Newer time wins for each channel; of one second's values the larger, as in the store."""
        readings = self.readings
        for reading in sorted(readings, key=_at, reverse=True) if len(readings) > 1 else readings:
            at = reading.at
            for name, value in reading.values.items():
                known = latest.get(name)
                if known is None:
                    if name in _NAMES:
                        latest[name] = Latest(at, value)
                elif at > known.at or (at == known.at and value > known.value):
                    latest[name] = Latest(at, value)
        for seed in self._seeds:
            for name in seed.values.keys() & _NAMES:
                latest.setdefault(name, Latest(seed.at, seed.values[name]))

    def _clock(self) -> tuple[int | None, int | None]:
        """(wrong since, last seen wrong at): a good time that came later ends it."""
        since, at = self._pulse.clock_wrong_since, self._pulse.clock_wrong_at
        wrong, right = self._clock_wrong_at, self._clock_right_at
        if wrong is not None:
            at = max(wrong, at or 0)
            since = since if since is not None else wrong
            self.days.add(wrong // 86_400)
        if right is not None and since is not None and right > (at or 0):
            since = None
            self.days.add(right // 86_400)
        return since, at


def _at(reading: Reading) -> int:
    return reading.at


def _added(old: dict[str, int], new: dict[str, int]) -> dict[str, int]:
    return {name: old.get(name, 0) + new.get(name, 0) for name in {**old, **new}}


def _joined(old: dict[str, str], new: dict[str, str]) -> dict[str, str]:
    joined = {**old, **new}
    return dict(list(joined.items())[:UNKNOWN_AT_MOST])
