"""Parts of jobs: to load, to order, and which of them is a battery."""

from __future__ import annotations

import re
from collections.abc import Mapping


def to_order(parts: Mapping[str, float], stock: Mapping[str, float]) -> dict[str, float]:
    """What is lacking once the stock is used up."""
    lacking = {part: amount - stock.get(part, 0.0) for part, amount in parts.items()}
    return {part: amount for part, amount in lacking.items() if amount > 0}


_KINDS = frozenset({"agm", "gel", "flooded", "lfp", "lead", "acid", "new"})


def is_battery(part: str) -> bool:
    """Whether a part's name means a starter battery: `battery`, `battery_12v_70ah`, `AGM battery`.

    A cable, charger or tray of one is none. Common practice, no source.
    """
    words = re.split(r"[\s_/,.-]+", part.casefold())
    plain = [word for word in words if word and word not in _KINDS and word.isalpha()]
    return bool(plain) and plain[-1] in ("battery", "batteries")
