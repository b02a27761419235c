"""What no sentence may say."""

from __future__ import annotations

import re

NEVER = (
    r"\bswitch(ed|ing)? (it |the set )?(back )?(in)?to auto",
    r"\b(put|set|turn) it (back )?(in|to) auto",
    r"\btry (to )?(start|crank|it again|again)",
    r"(?<!may not )(?<!did not )\bstart (it|the (set|engine|generator))\b",
    r"\banother (start|attempt to start)",
    r"\brestart",
    r"\bcrank it\b",
    r"\bjump[ -]?(start|lead|cable)",
    r"\bopen (up )?(the|its|a) (panel|cover|cabinet|box|door)",
    r"\b(take|remove) the (panel|cover)\b",
    r"\breset (the|its) (fault|panel|controller|alarm)",
    r"\b(by|over)pass the\b",
    r"\brun (it|the (set|generator)|your generator)\b",
)
"""Another start, a jump start, an opened panel, a switch to automatic, a set run by who reads it."""


def offending(text: str) -> str:
    return next((p for p in NEVER if re.search(p, text, re.IGNORECASE)), "")
