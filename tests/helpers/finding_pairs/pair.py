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

    A kind has a pair for each severity it may take, but a Note that its row explains: case says which.
    part: of the finding, where a unit can have the kind more than once.
    """

    kind: str
    speaks: World
    silent: World
    part: str = ""
    case: str = ""

    @property
    def name(self) -> str:
        return "-".join(word for word in (self.kind, self.part, self.case) if word)


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
