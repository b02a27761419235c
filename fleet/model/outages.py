"""An outage of the mains, and how each set carries it."""

from __future__ import annotations

import msgspec

from fleet.findings import Cover
from fleet.model.register import Criticality


class OutageMember(msgspec.Struct, frozen=True, kw_only=True):
    """One set in an outage. All moments UTC seconds.

    lost_at: when its mains was gone, within (lost_earliest, lost_at]; here: seen by the set itself,
    not only at its neighbours. since: when its cover became so. ran: spans it was seen to run.
    covered_s, uncovered_s, unproven_s: how long its mains was off so far and the site had cover,
    none, or none proven. heard_again_at: first word after the mains was back.
    """

    unit: str
    site: str
    customer: str
    criticality: Criticality
    cover: Cover
    since: int
    lost_at: int
    lost_earliest: int | None = None
    here: bool = True
    back_at: int | None = None
    heard_at: int | None = None
    heard_again_at: int | None = None
    fuel_h: float | None = None
    ran: tuple[tuple[int, int], ...] = ()
    covered_s: int = 0
    uncovered_s: int = 0
    unproven_s: int = 0


class Outage(msgspec.Struct, frozen=True, kw_only=True):
    """An outage: an episode of subject area:NAME (or site:ID, where it is that site's own).

    began_at: the first loss, within (began_earliest, began_at]. told: how often people were told of
    it, told_at: when last, told_open: how many sites had no cover or none proven then. into: the
    outage of the area that this one of a single site turned out to be part of. lat, lon: where it
    began, for sets that belong to no area.
    """

    id: str
    subject: str
    area: str
    opened_at: int
    began_at: int
    began_earliest: int | None = None
    ended_at: int | None = None
    zone: str = "UTC"
    told: int = 0
    told_at: int = 0
    told_open: int = 0
    into: str = ""
    lat: float | None = None
    lon: float | None = None
    members: tuple[OutageMember, ...] = ()

    @property
    def alone(self) -> bool:
        """Whether one site alone has lost its mains: its own main switch or a fuse."""
        return self.subject.startswith("site:")
