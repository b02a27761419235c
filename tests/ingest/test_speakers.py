"""Two devices under one id: what tells them, and what is no second device."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pytest
from intake_desk import Desk, reading
from new_registries import registry_of

from fleet.model import Reading, Speakers
from fleet.settings import Settings
from fleet.store import open_store
from ingest.cache import Cache
from ingest.speakers import BELIEVED_AFTER_S, FORGOTTEN_S, RETURNS, heard_from
from ingest.wire import decode
from ingest.wire.message import Decoded

T = 1_795_590_000
Said = tuple[int, int | None, float | None]
"""(seconds since T, number, engine hours)."""


def said(*entries: Said) -> Decoded:
    readings = [
        Reading("g1", T + at, {"running": 0.0} | ({} if h is None else {"run_hours_h": h}))
        for at, _, h in entries
    ]
    numbers = [(T + at, seq) for at, seq, _ in entries if seq is not None]
    return Decoded(device="g1", group="m", kind="readings", readings=readings, sequence=numbers)


def after(messages: Iterable[Said], known: Speakers | None = None) -> Speakers | None:
    """Each message received when it says."""
    for message in messages:
        known = heard_from(known, said(message), T + message[0])
    return known


def pair(
    count: int, numbers: tuple[int, int] | None, hours: tuple[float, float] | None
) -> list[Said]:
    """Two boards that report each 5 min, the second a minute after the first."""
    return [
        (
            300 * n + 60 * which,
            None if numbers is None else numbers[which] + n,
            None if hours is None else hours[which],
        )
        for n in range(count)
        for which in (0, 1)
    ]


@pytest.mark.parametrize(
    ("numbers", "hours"),
    [
        ((1000, 20), None),
        ((20, 1000), None),
        (None, (812.3, 14.2)),
        (None, (14.2, 812.3)),
        ((7, 7), (14.2, 812.3)),
        ((1000, 20), (14.2, 14.3)),
    ],
    ids=str,
)
def test_two_counts_that_go_on_in_turn_are_two_devices(
    numbers: tuple[int, int] | None, hours: tuple[float, float] | None
) -> None:
    messages = pair(3, numbers, hours)
    known = after(messages[:-1])
    assert known is not None
    assert known.since is None, "either was heard three times, or not yet"
    known = after(messages)
    assert known is not None
    assert known.returns == RETURNS
    assert known.since == T + messages[-1][0]


def test_numbers_that_lie_close_take_a_little_longer() -> None:
    """Where a number may be of either, it is of the nearer one and proves nothing."""
    known = after(pair(6, (100, 103), None))
    assert known is not None
    assert known.since is not None


ONE: dict[str, list[Said]] = {
    "restarts and counts from one, again and again": [
        (60 * n, n % 3 + 1, 400.0) for n in range(60)
    ],
    "restarts, and loses messages": [(60 * n, (n * 2) % 37, None) for n in range(200)],
    "restarts anywhere": [(60 * n, (n * n * 7) % 41, None) for n in range(300)],
    "a new meter, or another fitted": [(300 * n, n, 812.3 if n < 20 else 3.0) for n in range(60)],
    "a gateway writes nought where it does not reach the meter": [
        (300 * n, None, 812.3 * (n % 2)) for n in range(60)
    ],
    "a gateway writes all bits where it does not reach the meter": [
        (300 * n, None, 812.3 if n % 2 else 6553.5) for n in range(60)
    ],
    "it runs": [(300 * n, None, 812.3 + n / 12) for n in range(60)],
    "the last digit flickers": [(300 * n, n, 812.3 + 0.1 * (n % 2)) for n in range(60)],
    "nothing counts": [(300 * n, None, None) for n in range(60)],
}


@pytest.mark.parametrize("name", ONE)
def test_one_device_that_counts_oddly_is_no_pair(name: str) -> None:
    known = after(ONE[name])
    assert known is None or known.since is None


def test_what_was_kept_back_and_sent_between_is_no_other_device() -> None:
    """Live readings, and between them the night's, oldest first."""
    known = None
    for n in range(40):
        live = (30_000 + 300 * n, 200 + n, 812.3)
        kept = (300 * n, 100 + n, 810.0)
        for entry in (live, kept):
            known = heard_from(known, said(entry), T + live[0])
    assert known is not None
    assert known.since is None


def test_batches_of_two_boards_are_told_apart() -> None:
    known = None
    for n in range(3):
        for base, hours in ((1000, 812.3), (20, 14.2)):
            entries = [(900 * n + 300 * k, base + 3 * n + k, hours) for k in range(3)]
            known = heard_from(known, said(*entries), T + 900 * n + 700)
    assert known is not None
    assert known.since is not None


def test_what_is_read_fast_says_the_same(tmp_path: Path) -> None:
    """Ingest notes the next number and the same hours without a comparison."""
    messages = [
        reading(T + at, seq=seq, running=0.0)
        if h is None
        else reading(T + at, seq=seq, running=0.0, run_hours_h=h)
        for at, seq, h in [
            *[(60 * n, n, 400.0) for n in range(20)],
            *[(1200 + 60 * n, n, None) for n in range(5)],
            *[(1500 + 60 * n, 25 + 3 * n, 400.0 + n / 60) for n in range(5)],
            *[(1800 + at, seq, h) for at, seq, h in pair(2, (40, 900), (400.1, 14.2))],
        ]
    ]
    known = None
    for message in messages:
        known = heard_from(known, decode(message), message.received_at)
    settings = Settings(data=tmp_path)
    registry, store = registry_of(settings), open_store(settings, writing=True)
    desk = Desk(settings, registry, store, Cache(tmp_path / "profiles"))
    for message in messages[:30]:
        desk.take(message, now=message.received_at)
    desk.take(*messages[30:], now=messages[-1].received_at)
    assert desk.pulse().speakers == known
    store.close()
    registry.close()


def test_the_one_that_is_left_is_believed_again() -> None:
    messages = pair(10, (1000, 20), (812.3, 14.2))
    known = after(messages)
    last = messages[-1][0]
    alone = [(last + 300 * n, 29 + n, 14.2) for n in range(1, 40)]
    assert known is not None
    for message in alone:
        known = after([message], known)
        assert known is not None
        quiet = message[0] - last < BELIEVED_AFTER_S
        assert (known.since is not None) == quiet


def test_one_that_sleeps_long_between_is_waited_for() -> None:
    """One speaks each 5 min, the other each 3 h: neither is believed in the hours between."""
    messages: list[Said] = []
    for n in range(12 * 24):
        messages.append((300 * n, 5000 + n, 812.3))
        if n % 36 == 6:
            messages.append((300 * n + 30, 70 + n // 36, 14.2))
    known, states = None, []
    for message in messages:
        known = after([message], known)
        assert known is not None
        states.append(known.since is not None)
    assert states[states.index(True) :] == [True] * states.count(True)
    assert states[-1]


def test_a_return_is_forgotten_after_a_day() -> None:
    messages = [
        (FORGOTTEN_S * n + at, None, hours)
        for n in range(9)
        for at, hours in ((0, 812.3), (60, 14.2))
    ]
    known = after(messages[::3])
    assert known is not None
    assert known.since is None
