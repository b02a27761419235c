"""What one look makes of alerts: a shape alone, which the derived rows carry."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from fleet.model import (
    Episode,
    Notice,
    Step,
)


class AlertChanges(msgspec.Struct, frozen=True, kw_only=True):
    """What one look makes of alerts, whoever they are about: a unit, an outage, the service.

    opened: new episodes; steps: new steps (those inside `opened` need not be repeated).
    notices: what people are told of these steps; withdrawn: episodes whose notices that have not
    left yet need not any more.
    """

    opened: Sequence[Episode] = ()
    steps: Sequence[Step] = ()
    notices: Sequence[Notice] = ()
    withdrawn: Sequence[str] = ()
