"""Programs that start before their database does: they wait for it instead of giving up."""

from __future__ import annotations

from collections.abc import Callable
from threading import Event

from fleet.registry.base.engine import Registry, open_registry
from fleet.registry.base.faults import Place, RegistryDown

FIRST_S, MOST_S = 1.0, 60.0
"""The first and the longest pause between two tries. A pace of ours."""


def open_when_up(place: Place | str, stop: Event, say: Callable[[str], None]) -> Registry | None:
    """The registry, as soon as it can be reached; None where `stop` was set before.

    say: told each time, in a sentence, what is wrong and when it is tried again. A registry that
    refuses (no registry, a newer one) is refused at once. Raises RegistryFault.
    """
    pause = FIRST_S
    while not stop.is_set():
        try:
            return open_registry(place)
        except RegistryDown as fault:
            say(f"{fault} Trying again in {pause:.0f} s.")
            stop.wait(pause)
            pause = min(MOST_S, 2 * pause)
    return None
