"""Things that are in one of two states: the mains, the panel switch. States, edges, and when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import msgspec
import numpy as np
from numpy.typing import NDArray


class Spell(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """A state that goes on: value 0 or 1, first seen at `since`, last seen at `at`.

    earliest: the last moment at which it was known to be otherwise, where there is one.
    by_event: a device event alone said so last, no reading since.
    """

    value: int
    since: int
    at: int
    earliest: int | None = None
    by_event: bool = False


@dataclass(frozen=True, slots=True)
class Spells:
    """The spells of one day in time order; the last one goes on."""

    spells: tuple[Spell, ...]

    @property
    def last(self) -> Spell | None:
        return self.spells[-1] if self.spells else None

    def at(self, moment: int) -> Spell | None:
        """The spell in force at a moment; None before the first."""
        found = None
        for spell in self.spells:
            if spell.since > moment:
                break
            found = spell
        return found


def trace(
    t: NDArray[np.int64],
    state: NDArray[np.bool_],
    events: Sequence[tuple[int, bool]],
    before: Spell | None,
) -> Spells:
    """Spells from readings (t, state) and from events (time, state); at the same second a reading
    wins.

    The state holds over silence; `earliest` of a spell says how far back it may have begun (an
    event is the edge itself).

    Gives: records in UTC seconds [UTC s]. Definition.
    """
    if events:
        seconds = set(t.tolist())
        extra = sorted({(at, on) for at, on in events if at not in seconds})
        merged_t = np.concatenate([t, np.array([at for at, _ in extra], np.int64)])
        order = np.argsort(merged_t, kind="stable")
        t = merged_t[order]
        state = np.concatenate([state, np.array([on for _, on in extra], np.bool_)])[order]
        told = np.concatenate([np.zeros(len(seconds), np.bool_), np.ones(len(extra), np.bool_)])
        told = told[order]
    else:
        told = np.zeros(len(t), np.bool_)
    if len(t) == 0:
        return Spells((before,) if before else ())
    cuts = [0, *(np.flatnonzero(state[1:] != state[:-1]) + 1).tolist(), len(t)]
    spells: list[Spell] = [before] if before else []
    for a, b in pairwise(cuts):
        value, since, at = int(state[a]), int(t[a]), int(t[b - 1])
        alone = bool(told[a:b].all())
        last = spells[-1] if spells else None
        if last is not None and last.value == value:
            spells[-1] = msgspec.structs.replace(last, at=at, by_event=last.by_event and alone)
        else:
            earliest = since if told[a] else (last.at if last else None)
            spells.append(Spell(value=value, since=since, at=at, earliest=earliest, by_event=alone))
    return Spells(tuple(spells))
