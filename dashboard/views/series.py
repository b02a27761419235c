"""Readings of channels as programs read them: as they came, or down-sampled in buckets. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import numpy as np
from msgspec import UNSET, Meta, UnsetType
from numpy.typing import NDArray

from dashboard.views.contract import FORMS, Form, Next, View
from fleet.calendar import utc_text
from fleet.channels import CHANNELS
from fleet.model import Series, Window
from fleet.registry.facts.rows import UnsureSpell
from scheduler.rules.propose import Population, Proposal, Refused

Values = list[float | None]


class ReadingsView(View, frozen=True, kw_only=True):
    """Readings of one channel, as they came (`value`) or by buckets (the others)."""

    form = Form(moments=frozenset({"at"}))
    channel: str
    unit: str
    calibrated: Annotated[bool, Meta(description="false: raw values were asked for")]
    bucket_s: Annotated[
        int | None, Meta(description="null: readings as they came; else bucket width")
    ]
    at: Annotated[list[str], Meta(description="time of the reading, or start of the bucket")]
    value: Values | UnsetType = UNSET
    min: Values | UnsetType = UNSET
    max: Values | UnsetType = UNSET
    mean: Values | UnsetType = UNSET
    last: Values | UnsetType = UNSET
    count: list[int] | UnsetType = UNSET


def as_came(name: str, series: Series, raw: bool) -> ReadingsView:
    """Readings of a channel as they came."""
    return ReadingsView(
        channel=name,
        unit=_unit(name),
        calibrated=not raw,
        bucket_s=None,
        at=[utc_text(int(at)) for at in series.t],
        value=nulls(series.v),
    )


def bucketed(name: str, window: Window, raw: bool) -> ReadingsView:
    """Readings of a channel by buckets of equal width, empty ones null."""
    return ReadingsView(
        channel=name,
        unit=_unit(name),
        calibrated=not raw,
        bucket_s=int(window.width_s),
        at=[utc_text(int(at)) for at in window.start],
        min=nulls(window.minimum),
        max=nulls(window.maximum),
        mean=nulls(window.mean),
        last=nulls(window.last),
        count=window.count.tolist(),
    )


def _unit(name: str) -> str:
    return CHANNELS[name].unit if name in CHANNELS else ""


def nulls(values: NDArray[np.float64]) -> Values:
    """Values with six decimals at most; nothing where there is none."""
    return [None if np.isnan(v) else round(float(v), 6) for v in values]


class UnsureView(View, frozen=True, kw_only=True):
    """Readings of unknown time that came together."""

    form = Form(moments=frozenset({"first_at", "last_at", "after_at", "before_at"}))
    readings: int
    first_at: Annotated[str, Meta(description="they stand at this second and the ones after it")]
    last_at: str
    after_at: Annotated[str | None, Meta(description="measured after; null: nothing heard before")]
    before_at: Annotated[str, Meta(description="measured by: their receipt")]


def unsure_view(spell: UnsureSpell) -> UnsureView:
    """A spell of readings whose time nobody knows."""
    return UnsureView(
        readings=spell.readings,
        first_at=utc_text(spell.first_at),
        last_at=utc_text(spell.last_at),
        after_at=None if spell.after_at is None else utc_text(spell.after_at),
        before_at=utc_text(spell.before_at),
    )


class ReadingsPage(View, frozen=True, kw_only=True):
    """Readings of some channels."""

    items: Sequence[ReadingsView]
    next: Next
    time_unknown: Annotated[
        Sequence[UnsureView],
        Meta(
            description="readings whose time is not known: messages without a time that lay at the "
            "broker, or came in a burst"
        ),
    ]


FORMS[Population] = Form(name="PopulationOut")


class SignalView(View, frozen=True, kw_only=True):
    """A proposal (on, off) or a refusal (refused, sentence) for one channel."""

    channel: str
    proposed: bool
    on: float | None = None
    off: float | None = None
    refused: str | None = None
    sentence: str = ""
    notes: tuple[str, ...] = ()
    rest: Population | None = None
    running: Population | None = None


def signal_view(one: Proposal | Refused) -> SignalView:
    """What could say that the engine runs, or why it cannot."""
    if isinstance(one, Proposal):
        return SignalView(
            channel=one.channel,
            proposed=True,
            on=one.on,
            off=one.off,
            notes=one.notes,
            rest=one.rest,
            running=one.running,
        )
    return SignalView(
        channel=one.channel,
        proposed=False,
        refused=one.why,
        sentence=one.sentence,
        rest=one.rest,
        running=one.running,
    )


class SignalPage(View, frozen=True, kw_only=True):
    """Answers for every channel, and the cautions of a test run."""

    items: Sequence[SignalView]
    next: Next
    cautions: Sequence[str]
