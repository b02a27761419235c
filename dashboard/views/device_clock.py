"""What was learned of the clocks of the devices that speak for a set."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta

from dashboard.views.contract import View
from fleet.model import Pulse
from fleet.words import device_clock as words


class DeviceClockView(View, frozen=True, kw_only=True):
    """A device's clock, by its stamps and their receipts."""

    device: str
    count: Annotated[int, Meta(description="of messages compared; few say nothing yet")]
    stamps: Annotated[str, Meta(description="zoned, or bare: written without a zone")]
    read_as: Annotated[str, Meta(description="what the digits of its stamps are taken for")]
    read_as_since_at: Annotated[int | None, Meta(description="null: as they are given")]
    off_since_at: Annotated[int | None, Meta(description="since when they do not fit that")]
    ahead_s: Annotated[int, Meta(description="of receipts; negative: behind, or late")]
    steps_s: Annotated[int, Meta(description="in which stamps come; 0: not known")]
    gains_s_month: Annotated[float | None, Meta(description="in 30 days; null: not known")]
    set_at: Annotated[int | None, Meta(description="when it was last seen to be set")]
    set_by_s: int
    sentences: tuple[str, ...]


def device_clock(pulse: Pulse, zone: str, now: int) -> DeviceClockView:
    """The clock of a device. zone: of the site; now [s UTC]."""
    clock = pulse.clock
    return DeviceClockView(
        device=pulse.device,
        count=clock.messages,
        stamps=clock.stamps,
        read_as=words.read_as(clock),
        read_as_since_at=clock.zone_since if clock.zone else None,
        off_since_at=clock.off_since,
        ahead_s=clock.offset_s,
        steps_s=clock.grain_s,
        gains_s_month=clock.drift_s_month,
        set_at=clock.stepped_at,
        set_by_s=clock.stepped_s,
        sentences=tuple(words.sentences(clock, zone, now)),
    )
