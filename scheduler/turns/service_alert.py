"""The one alert of a kind on the service itself, for who looks at messages and who at the line."""

from __future__ import annotations

from dataclasses import dataclass

from fleet.model import Episode, Finding, Step
from fleet.registry import unscoped
from fleet.registry.base.engine import Registry
from scheduler import alarms


@dataclass(frozen=True, slots=True)
class Change:
    """What one look changes. episode: as it will be kept; opened: it, where it is new; steps: those
    of an episode that was open."""

    episode: Episode
    opened: tuple[Episode, ...] = ()
    steps: tuple[Step, ...] = ()

    @property
    def told(self) -> tuple[Step, ...]:
        """The steps that people may be told of."""
        return self.episode.steps if self.opened else self.steps


def open_one(registry: Registry, kind: str) -> Episode | None:
    """The open alert of a kind on the service; None where there is none."""
    return next((e for e in unscoped.open_episodes(registry, ["service"]) if e.kind == kind), None)


def change(known: Episode | None, found: Finding | None, now: int) -> Change | None:
    """How the alert goes on, given what is found now; None where nothing changes."""
    if known is None:
        if found is None:
            return None
        opened = alarms.opening("service", found, now)
        return Change(opened, opened=(opened,))
    steps = alarms.proceed(known, found, now)
    return Change(alarms.grown(known, steps), steps=tuple(steps)) if steps else None
