"""How a device hands its readings over: one by one, or kept back and sent together. Pure.

Learned from receipts, as differences: the span of the readings of a delivery less the span in which
its messages came is what it kept back, whatever the device's clock says.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from fleet.model import Delivery, Reading

TOGETHER_S = 30
"""Messages received no further apart are one delivery, and less than that is kept back by none.
Common practice, no source."""
NOTED_AFTER_S = 180
"""A delivery is noted when so long nothing came before it: a set that runs speaks more often, and
how it does then shall not push out how it does at rest. Common practice, no source."""
NOTED_SHARE = 4
"""And where it is known to keep readings back, a quarter of that time. Common practice, no source."""
KEPT = 6
"""Newest deliveries that are noted. Definition."""


def delivered(
    before: Delivery | None,
    noted: tuple[Delivery, ...],
    readings: Sequence[Reading],
    received_at: int,
) -> tuple[Delivery, tuple[Delivery, ...]]:
    """(the newest delivery, those noted) after a message with readings, received at received_at.

    before: the newest delivery so far. Of a device that sends one by one none is noted.
    """
    oldest = newest = readings[0].at
    for reading in readings:
        oldest, newest = min(oldest, reading.at), max(newest, reading.at)
    if before is None:
        one = Delivery(received_at, received_at, oldest, newest)
    elif received_at - before.last_at > TOGETHER_S:
        wait_s = received_at - before.last_at
        one = Delivery(received_at, received_at, oldest, newest, wait_s, before.held_s)
    else:
        one = msgspec.structs.replace(
            before,
            last_at=max(before.last_at, received_at),
            oldest=min(before.oldest, oldest),
            newest=max(before.newest, newest),
        )
    if noted and noted[-1].at == one.at:
        return one, (*noted[:-1], one)
    going_on = before is not None and before.at == one.at
    if (one.held_s > TOGETHER_S or (noted and not going_on)) and _seldom(one.wait_s, noted):
        noted = _with(one, noted)
    return one, noted


def _with(one: Delivery, noted: tuple[Delivery, ...]) -> tuple[Delivery, ...]:
    found = (*noted, one)[-KEPT:]
    return found if any(other.held_s > TOGETHER_S for other in found) else ()


def _seldom(wait_s: int | None, noted: Sequence[Delivery]) -> bool:
    usual = sorted(one.held_s for one in noted)[-2] if len(noted) > 1 else 0
    return wait_s is None or wait_s >= max(NOTED_AFTER_S, usual // NOTED_SHARE)
