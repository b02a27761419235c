"""The two worlds of a kind, and what is really said in them."""

from __future__ import annotations

from dataclasses import dataclass

from finding_pairs import fleets, worlds
from fleet.model import Finding

World = worlds.World | fleets.Fleet
_SAID: dict[int, tuple[World, tuple[Finding, ...]]] = {}


@dataclass(frozen=True)
class Pair:
    """kind: of the finding; speaks: the world that must yield it; silent: the one that must not.

    part: of the finding, where a kind has more than one pair.
    """

    kind: str
    speaks: World
    silent: World
    part: str = ""

    @property
    def name(self) -> str:
        return f"{self.kind}-{self.part}" if self.part else self.kind


def found(world: World) -> tuple[Finding, ...]:
    """Everything that is found in a world, worked out once."""
    if id(world) not in _SAID:
        if isinstance(world, fleets.Fleet):
            said = fleets.findings(world)
        else:
            said = worlds.findings(world)
        _SAID[id(world)] = (world, said)
    return _SAID[id(world)][1]


def example(pair: Pair) -> Finding:
    """The finding of the example that must speak."""
    mine = [f for f in found(pair.speaks) if f.kind == pair.kind]
    return next(f for f in mine if not pair.part or f.part == pair.part)
