"""Small pictures made by the server: bars with a usual range, strips, sparklines, meters.

Pure: numbers in, SVG text out. Positions are attributes, never styles, so the content policy stays
strict; every text is escaped; every picture says in words what it shows.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from fleet.model import Run, Window

Span = tuple[float, float]


def _n(value: float) -> str:
    """A coordinate with one decimal at most."""
    text = f"{value:.1f}"
    return text[:-2] if text.endswith(".0") else text


def share(value: float, span: Span) -> float:
    """Where a value lies on a span, 0 to 1, held inside it."""
    low, high = span
    if high <= low:
        return 0.5
    return min(1.0, max(0.0, (value - low) / (high - low)))


def bar_span(value: float, usual: Span, floor: float | None = None) -> Span:
    """The ends of a bar: the usual range takes about a third, and the value is always inside.

    floor: the bar never begins below it (0 for a level or a load).
    """
    low, high = usual
    width = max(high - low, abs(high) * 0.02, 0.1)
    left = min(low - width, value - 0.15 * width)
    right = max(high + width, value + 0.15 * width)
    if floor is not None and left < floor <= min(low, value):
        left = floor
    return left, right


def band_bar(value: float, usual: Span | None, span: Span, label: str) -> Markup:
    """A value on a bar with the usual range; the marker is a diamond when outside of it."""
    x = _n(100 * share(value, span))
    parts = ['<rect class="t" x="0" y="5" width="100%" height="8"/>']
    outside = False
    if usual is not None:
        left, right = share(usual[0], span), share(usual[1], span)
        outside = not usual[0] <= value <= usual[1]
        width = max(1.5, 100 * (right - left))
        parts.append(
            f'<rect class="b" x="{_n(100 * left)}%" y="5" width="{_n(width)}%" height="8"/>'
        )
    shape = "M0 0 8 9 0 18-8 9Z" if outside else "M-6 0H6L1.5 8V18H-1.5V8Z"
    mark = "m out" if outside else "m"
    parts.append(
        f'<svg x="{x}%" y="0" overflow="visible" width="1" height="18">'
        f'<path class="{mark}" d="{shape}"/></svg>'
    )
    return _picture("bandbar", label, "".join(parts))


def meter(used: float, limit: float, late: bool, label: str) -> Markup:
    """Hours used against their limit, with a tick at the limit (86 % of the width)."""
    tick = 86.0
    width = min(100.0, tick * used / limit) if limit > 0 else 0.0
    fill = "f day" if late else "f"
    return _picture(
        "meter",
        label,
        '<rect class="t" width="100%" height="100%"/>'
        f'<rect class="{fill}" width="{_n(max(0.0, width))}%" height="100%"/>'
        f'<svg x="{_n(tick)}%" overflow="visible"><path class="c" d="M0-3V14"/></svg>',
    )


def nice_ends(low: float, high: float, steps: int = 4) -> tuple[float, float, float]:
    """Round ends and step for an axis that holds low to high: (bottom, top, step).

    Values that differ by no more than their own rounding are one value.
    """
    if high - low <= 1e-9 * max(abs(low), abs(high), 1.0):
        low, high = low - 0.5, high + 0.5
    rough = (high - low) / steps
    power = 10.0 ** np.floor(np.log10(rough))
    step = float(next(s * power for s in (1, 2, 2.5, 5, 10) if s * power >= rough * 0.999))
    bottom = float(np.floor(low / step + 1e-9) * step)
    top = float(np.ceil(high / step - 1e-9) * step)
    return bottom, top, step


def band_path(
    window: Window, start: int, end: int, bottom: float, top: float, gap_s: int
) -> tuple[str, str]:
    """(outline of least to most, line of means) as path data in a 1000 x 100 box.

    Broken where two filled buckets lie further apart than `gap_s` seconds.
    """
    outline: list[str] = []
    line: list[str] = []
    for piece in _pieces(window, gap_s):
        x = (window.start[piece] + window.width_s / 2 - start) / max(1, end - start) * 1000
        upper = _y(window.maximum[piece], bottom, top)
        lower = _y(window.minimum[piece], bottom, top)
        middle = _y(window.mean[piece], bottom, top)
        if len(piece) == 1:
            x = np.array([x[0] - 1.0, x[0] + 1.0])
            upper, lower, middle = (np.repeat(part, 2) for part in (upper, lower, middle))
        outline.append(f"M{_points(x, upper)}L{_points(x[::-1], lower[::-1])}Z")
        line.append(f"M{_points(x, middle)}")
    return "".join(outline), "".join(line)


def _pieces(window: Window, gap_s: int) -> list[NDArray[np.int64]]:
    filled = np.flatnonzero(window.count > 0)
    if not len(filled):
        return []
    apart = np.diff(window.start[filled]) - window.width_s
    return list(np.split(filled, np.flatnonzero(apart > gap_s) + 1))


def _y(values: NDArray[np.float64], bottom: float, top: float) -> NDArray[np.float64]:
    return np.clip(100 - (values - bottom) / (top - bottom) * 100, -2, 102)


def _points(x: NDArray[np.float64], y: NDArray[np.float64]) -> str:
    return " ".join(f"{_n(a)} {_n(b)}" for a, b in zip(x, y, strict=True))


def run_rects(runs: Iterable[Run], start: int, end: int, until: int) -> str:
    """Runs as rectangles in a 1000 x 100 box, each at least 1.5 wide; an open run ends `until`."""
    parts = []
    scale = 1000 / max(1, end - start)
    for run in runs:
        stop = run.end if run.end is not None else until
        if stop < start or run.start > end:
            continue
        left = max(0.0, (run.start - start) * scale)
        width = max(1.5, (min(stop, end) - max(run.start, start)) * scale)
        parts.append(f'<rect class="run" x="{_n(left)}" y="0" width="{_n(width)}" height="100"/>')
    return "".join(parts)


def strip(
    window: Window, runs: Sequence[Run], start: int, end: int, gap_s: int, label: str
) -> tuple[Markup, list[float]] | None:
    """Volts over time with runs shaded: (picture, values beside the grid lines from the top).

    None when the window holds no reading.
    """
    filled = window.count > 0
    if not filled.any():
        return None
    low, high = float(window.minimum[filled].min()), float(window.maximum[filled].max())
    bottom, top, step = nice_ends(low, high)
    ticks = [float(tick) for tick in np.arange(top, bottom - step / 2, -step)]
    grid = "".join(
        f'<path class="grid" d="M0 {_n(100 - (tick - bottom) / (top - bottom) * 100)}H1000"/>'
        for tick in ticks[1:-1]
    )
    outline, line = band_path(window, start, end, bottom, top, gap_s)
    body = (
        run_rects(runs, start, end, end)
        + grid
        + f'<path class="mm" d="{outline}"/><path class="tr" d="{line}"/>'
    )
    return _picture("", label, body, box="0 0 1000 100"), ticks


Curve = tuple[NDArray[np.float64], NDArray[np.float64]]
"""Seconds from its beginning, rising, and values."""
CURVE_POINTS = 300
"""Points of a curve: no more are seen on a phone. A page's length."""
CURVES = ("tr", "gh")


def starts(
    curves: Sequence[Curve], limit: float | None, label: str
) -> tuple[Markup, list[float], list[float]] | None:
    """Up to two starts over each other, the first drawn boldly, and a limit as a line.

    (picture, values beside the grid lines from the top, seconds below it). None: no curve.
    """
    curves = [(t, v) for t, v in curves if len(v) > 1]
    if not curves:
        return None
    low = min(float(v.min()) for _, v in curves)
    high = max(float(v.max()) for _, v in curves)
    bottom, top, step = nice_ends(low if limit is None else min(low, limit), high)
    ticks = [float(tick) for tick in np.arange(top, bottom - step / 2, -step)]
    span = max(float(t[-1]) for t, _ in curves) or 1.0
    body = "".join(
        f'<path class="grid" d="M0 {_n(100 - (tick - bottom) / (top - bottom) * 100)}H1000"/>'
        for tick in ticks[1:-1]
    )
    if limit is not None:
        body += (
            f'<path class="lim" d="M0 {_n(100 - (limit - bottom) / (top - bottom) * 100)}H1000"/>'
        )
    drawn = [
        f'<path class="{name}" d="M{_points(t / span * 1000, _y(v, bottom, top))}"/>'
        for name, (t, v) in zip(CURVES, map(_thinned, curves), strict=False)
    ]
    seconds = [round(float(at), 1) for at in np.linspace(0, span, 5)]
    return _picture("", label, body + "".join(reversed(drawn)), box="0 0 1000 100"), ticks, seconds


def _thinned(curve: Curve) -> Curve:
    """At most so many points, each the lowest of its stretch: a dip is never lost."""
    t, v = curve
    if len(v) <= CURVE_POINTS:
        return t, v
    parts = np.array_split(np.arange(len(v)), CURVE_POINTS)
    lowest = np.array([part[int(np.argmin(v[part]))] for part in parts])
    return t[lowest], v[lowest]


def run_strip(runs: Sequence[Run], start: int, end: int, label: str) -> Markup:
    """When it ran, as marks on a line from start to end."""
    body = '<path class="base" d="M0 50H1000"/>' + run_rects(runs, start, end, end)
    return _picture("runstrip", label, body, box="0 0 1000 100")


STRIP_SHAPES = {
    "done": '<rect class="f" x="3" y="2" width="14" height="20"/>',
    "under_loaded": '<rect class="f" x="3" y="2" width="14" height="20"/>'
    '<rect class="h" x="6" y="5" width="8" height="8"/>',
    "short": '<rect class="f" x="3" y="13" width="14" height="9"/>',
    "failed": '<path class="x" d="M4 4 16 20M16 4 4 20"/>',
    "missed": '<rect class="o" x="4" y="3" width="12" height="18"/>',
    "excused": '<path class="l" d="M3 12H17"/>',
    "not_seen": '<circle class="d" cx="10" cy="12" r="2"/>',
}
"""A shape for each verdict, so that colour says nothing by itself: full, full with a hole, half,
cross, outline, dash, dot."""


def verdict_strip(verdicts: Sequence[str], label: str) -> Markup:
    """Verdicts in order of time, the newest at the right, one shape each."""
    parts = [
        f'<svg x="{20 * n}" y="0" width="20" height="24">{STRIP_SHAPES[word]}</svg>'
        for n, word in enumerate(verdicts)
    ]
    width = 20 * max(1, len(verdicts))
    return Markup(
        f'<svg class="exstrip" viewBox="0 0 {width} 24" width="{width}" height="24" role="img" '
        f'aria-label="{escape(label)}">{"".join(parts)}</svg>'
    )


def sparkline(values: Sequence[float], label: str, least: float = 0.0) -> Markup:
    """A small line of values in order; a constant lies in the middle.

    least: the height stands for at least so much, so that noise stays small.
    """
    v = np.asarray(values, np.float64)
    if not len(v):
        return Markup("")
    low, high = float(v.min()), float(v.max())
    if high <= low:
        low, high = low - 1, high + 1
    spare = max(0.0, least - (high - low)) / 2
    low, high = low - spare, high + spare
    x = np.linspace(0, 1000, len(v)) if len(v) > 1 else np.array([500.0])
    return _picture(
        "spark",
        label,
        f'<path class="tr" d="M{_points(x, _y(v, low, high))}"/>',
        box="0 0 1000 100",
    )


def _picture(kind: str, label: str, body: str, box: str = "") -> Markup:
    name = f' class="{kind}"' if kind else ""
    view = f' viewBox="{box}" preserveAspectRatio="none"' if box else ""
    return Markup(f'<svg{name}{view} role="img" aria-label="{escape(label)}">{body}</svg>')
