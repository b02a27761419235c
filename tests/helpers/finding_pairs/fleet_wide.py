"""What concerns several sets, the service itself, or how a device speaks."""

from __future__ import annotations

from typing import Any

from finding_pairs.fleets import Fleet, message, quarters
from finding_pairs.pair import Pair
from finding_pairs.worlds import NOW, ago
from fleet.model import Notice
from ingest.wire import Message

BEGAN = ago(hours=6)
DARK = ago(minutes=30)
SILENT = ago(hours=2)


def street(volts: float) -> tuple[Message, ...]:
    """Six sets; at 11:30 the mains of the first four reads so many volts."""
    sent: list[Message] = []
    for n in range(1, 7):
        sent += quarters(n, BEGAN, DARK - 1)
        sent += quarters(n, DARK, NOW, mains_v=volts if n <= 4 else 233.0)
    return tuple(sent)


def running_street(volts: float, low_pct: float = 80.0) -> tuple[Message, ...]:
    """Six sets; from 11:31 the first four run and report each minute. low_pct: the tank of the first."""
    sent: list[Message] = []
    for n in range(1, 7):
        fuel: dict[str, Any] = {"fuel_pct": low_pct if n == 1 else 80.0}
        sent += quarters(n, BEGAN, DARK - 1, **fuel)
        if n > 4:
            sent += quarters(n, DARK, NOW, **fuel)
            continue
        sent += quarters(n, DARK, DARK, mains_v=volts, **fuel)
        on = {"running": 1.0, "ac_v": 231.0, "load_kw": 6.0, "mains_v": volts, **fuel}
        for at in range(DARK + 60, NOW + 1, 60):
            sent.append(
                message(n, at, {"at": at, "values": on | {"battery_v": 14.2, "in_auto": 1.0}})
            )
    return tuple(sent)


def gone(*, dark: bool) -> tuple[Message, ...]:
    """Ten sets, of which seven were last heard at 10:00; dark: each said first that its mains went."""
    sent: list[Message] = []
    for n in range(1, 11):
        sent += quarters(n, BEGAN, SILENT if n <= 7 else NOW)
        if n <= 7 and dark:
            at = SILENT + 20 + n
            sent.append(message(n, at, {"at": at, "event": "mains_lost"}, "event"))
    return tuple(sent)


def notice(age_s: int) -> Notice:
    return Notice(
        id="n" + "1" * 31,
        cause="e1",
        step="1",
        person="ann",
        way="email",
        kind="alert",
        subject="Act now",
        body="It would not start.",
        made_at=NOW - age_s,
        not_before=NOW - age_s,
    )


PAIRS: tuple[Pair, ...] = (
    Pair(
        "mains_outage",
        Fleet(
            caption="Four of six sets in a street lose their mains at 11:30, and none has run since.",
            others=frozenset({"mains_lost"}),
            sets=6,
            messages=street(0.0),
        ),
        Fleet(
            caption="The same four read 120 V: the whole street dims, and nothing is out.",
            sets=6,
            messages=street(120.0),
        ),
    ),
    Pair(
        "mains_outage",
        Fleet(
            caption="Four of six sets in a street lose their mains at 11:30 and carry their houses; one has 5 % in its tank.",
            others=frozenset({"mains_lost", "fuel_low"}),
            sets=6,
            messages=running_street(0.0, 5.0),
        ),
        Fleet(
            caption="The same four run beside a mains of 233 V, one of them with 5 % in its tank.",
            others=frozenset({"fuel_low"}),
            sets=6,
            messages=running_street(233.0, 5.0),
        ),
        case="fuel",
    ),
    Pair(
        "mains_outage",
        Fleet(
            caption="Four of six sets in a street lose their mains at 11:30 and carry their houses, their tanks full enough.",
            others=frozenset({"mains_lost"}),
            sets=6,
            messages=running_street(0.0),
        ),
        Fleet(
            caption="The same four run as long beside a mains of 233 V: somebody tests them.",
            sets=6,
            messages=running_street(233.0),
        ),
        case="covered",
    ),
    Pair(
        "own_line",
        Fleet(
            caption="Seven of ten sets were last heard at 10:00, all of them with mains.",
            others=frozenset({"not_reporting"}),
            sets=10,
            messages=gone(dark=False),
        ),
        Fleet(
            caption="The same seven, but each said that its mains went before it fell silent: an outage "
            "that took the network with it.",
            others=frozenset({"not_reporting", "mains_outage"}),
            sets=10,
            messages=gone(dark=True),
        ),
    ),
    Pair(
        "undelivered",
        Fleet(
            caption="A message to Ann should have left 6 min ago, and has not.",
            notices=(notice(360),),
            messages=tuple(quarters(1, BEGAN, NOW)),
        ),
        Fleet(
            caption="It should have left 4 min ago: mail is slow now and then.",
            notices=(notice(240),),
            messages=tuple(quarters(1, BEGAN, NOW)),
        ),
    ),
    Pair(
        "clock_wrong",
        Fleet(
            caption="Its last report, at 12:00, says it was made in January 1970.",
            messages=(
                *quarters(1, BEGAN, NOW - 900),
                message(1, NOW, {"at": "1970-01-01T00:00:36Z", "values": {"battery_v": 13.6}}),
            ),
        ),
        Fleet(
            caption="It has never sent a time: it has no clock that could be wrong.",
            messages=tuple(
                message(1, at, {"values": {"battery_v": 13.6, "running": 0.0, "mains_v": 233.0}})
                for at in range(BEGAN, NOW + 1, 900)
            ),
        ),
    ),
    Pair(
        "sequence_gaps",
        Fleet(
            caption="Its reports are numbered 1 to 20 and 24 on; three never came.",
            messages=tuple(quarters(1, BEGAN, NOW, [*range(1, 21), *range(24, 30)])),
        ),
        Fleet(
            caption="The three were held back by a bad line and came an hour late.",
            messages=(
                *quarters(1, BEGAN, NOW, [*range(1, 21), *range(24, 30)]),
                *(
                    message(
                        1,
                        NOW - 60,
                        {"at": NOW - 4500 + 60 * n, "seq": 20 + n, "values": {"battery_v": 13.6}},
                    )
                    for n in (1, 2, 3)
                ),
            ),
        ),
    ),
)
