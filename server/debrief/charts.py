"""Charts as inline SVG: lines over time or over a value, with a grid, units and marks."""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from server.debrief.reader import reader

WIDTH, HEIGHT = 640, 240
LEFT, RIGHT, TOP, BOTTOM = 92, 16, 14, 46  # also for a phone's larger words
_WORD = 150  # room for two words that lean to one another
_MOST_POINTS = 1_500  # more than pixels would show

Points = Sequence[tuple[float, float]]


@dataclass(frozen=True)
class Series:
    """A line (or dots) in one colour. `band`: half width of a shaded band in x, for each point."""

    name: str
    colour: str
    points: Points
    dashed: bool = False
    dots: bool = False
    band: Sequence[float] | None = None


@dataclass(frozen=True)
class Axes:
    """Titles carry the units. `time`: x is UTC seconds, written in the reader's zone."""

    x_title: str
    y_title: str
    time: bool = False
    width: int = WIDTH
    height: int = HEIGHT
    x_ticks: Sequence[float] | None = None  # otherwise round values


def chart(axes: Axes, series: Sequence[Series], marks: Sequence[tuple[float, str]] = ()) -> str:
    """One chart as an SVG element; `marks` are upright lines at x with a word. Empty without data."""
    shown = [s for s in series if len(s.points) > 0]
    if not shown:
        return ""
    xs = [x + side for s in shown for (x, _), w in _with_band(s) for side in (-w, w)]
    ys = [y for s in shown for _, y in s.points]
    x_low, x_high = _ends(min(xs), max(xs))
    y_low, y_high = _ends(min(ys), max(ys))
    y_ticks = ticks(y_low, y_high, 5)
    x_ticks = axes.x_ticks or (time_ticks(x_low, x_high) if axes.time else ticks(x_low, x_high, 6))
    y_low, y_high = min(y_low, y_ticks[0]), max(y_high, y_ticks[-1])
    if not axes.time:
        x_low, x_high = min(x_low, x_ticks[0]), max(x_high, x_ticks[-1])
    inner_w, inner_h = axes.width - LEFT - RIGHT, axes.height - TOP - BOTTOM

    def px(x: float) -> float:
        return LEFT + (x - x_low) / (x_high - x_low) * inner_w

    def py(y: float) -> float:
        return TOP + (y_high - y) / (y_high - y_low) * inner_h

    names = ", ".join(s.name for s in shown)
    label = html.escape(f"{axes.y_title} over {axes.x_title}: {names}", quote=True)
    parts = [f'<svg viewBox="0 0 {axes.width} {axes.height}" role="img" aria-label="{label}">']
    parts += _grid(axes, x_ticks, y_ticks, px, py)
    parts += _marks(axes, [(px(x), word) for x, word in marks if x_low <= x <= x_high])
    for s in shown:
        parts += _draw(s, px, py)
    parts.append("</svg>")
    return "".join(parts) + _legend(shown)


def _marks(axes: Axes, marks: Sequence[tuple[float, str]]) -> list[str]:
    """Upright lines with a word each; a word that would run into the one before goes lower."""
    parts, lower, last = [], False, -math.inf
    for x, word in sorted(marks):
        lower = x - last < _WORD and not lower
        last = x
        side, shift = ("end", -4) if x > axes.width * 0.8 else ("start", 4)
        parts.append(
            f'<line class="mark" x1="{x:.1f}" x2="{x:.1f}" y1="{TOP}" y2="{axes.height - BOTTOM}"/>'
            f'<text class="mark-word" x="{x + shift:.1f}" y="{TOP + (32 if lower else 12)}" '
            f'text-anchor="{side}">{html.escape(word)}</text>'
        )
    return parts


def _with_band(s: Series) -> list[tuple[tuple[float, float], float]]:
    return list(zip(s.points, s.band or [0.0] * len(s.points), strict=True))


def _draw(s: Series, px: Callable[[float], float], py: Callable[[float], float]) -> list[str]:
    colour = html.escape(s.colour, quote=True)
    parts = []
    if s.band is not None:
        rows = _with_band(s)
        edge = [(x - w, y) for (x, y), w in rows] + [(x + w, y) for (x, y), w in reversed(rows)]
        corners = " ".join(f"{px(x):.1f},{py(y):.1f}" for x, y in edge)
        parts.append(f'<polygon points="{corners}" fill="{colour}" opacity="0.18"/>')
    points = s.points[:: max(1, math.ceil(len(s.points) / _MOST_POINTS))]
    if s.dots:
        parts += [
            f'<circle cx="{px(x):.1f}" cy="{py(y):.1f}" r="1.6" fill="{colour}"/>'
            for x, y in points
        ]
    else:
        path = " ".join(f"{px(x):.1f},{py(y):.1f}" for x, y in points)
        dash = ' stroke-dasharray="6 4"' if s.dashed else ""
        parts.append(
            f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="2"{dash}/>'
        )
    return parts


def _grid(
    axes: Axes,
    x_ticks: Sequence[float],
    y_ticks: Sequence[float],
    px: Callable[[float], float],
    py: Callable[[float], float],
) -> list[str]:
    base = axes.height - BOTTOM
    parts = []
    for y in y_ticks:
        parts.append(
            f'<line class="grid" x1="{LEFT}" x2="{axes.width - RIGHT}" y1="{py(y):.1f}" '
            f'y2="{py(y):.1f}"/><text x="{LEFT - 6}" y="{py(y) + 4:.1f}" '
            f'text-anchor="end">{number(y)}</text>'
        )
    for x in x_ticks:
        word = f"{reader().local(x):%H:%M}" if axes.time else number(x)
        parts.append(
            f'<line class="grid" x1="{px(x):.1f}" x2="{px(x):.1f}" y1="{TOP}" y2="{base}"/>'
            f'<text x="{px(x):.1f}" y="{base + 18}" text-anchor="middle">{word}</text>'
        )
    middle = TOP + (base - TOP) / 2
    parts.append(
        f'<text x="{LEFT + (axes.width - LEFT - RIGHT) / 2}" y="{axes.height - 4}" '
        f'text-anchor="middle">{html.escape(axes.x_title)}</text>'
        f'<text transform="translate(14 {middle}) rotate(-90)" '
        f'text-anchor="middle">{html.escape(axes.y_title)}</text>'
    )
    return parts


def _legend(series: Sequence[Series]) -> str:
    if len(series) < 2:
        return ""
    entries = "".join(
        f'<span><i style="background:{html.escape(s.colour, quote=True)}"></i>'
        f"{html.escape(s.name)}</span>"
        for s in series
    )
    return f'<p class="legend">{entries}</p>'


def _ends(low: float, high: float) -> tuple[float, float]:
    beside = max(1.0, 1e-6 * abs(low))  # 1 beside 1e17 is nothing
    return (low, high) if high > low else (low - beside, high + beside)


def ticks(low: float, high: float, about: int) -> list[float]:
    """Round values (1, 2 or 5 times a power of ten) from at or below `low` to at or above `high`."""
    raw = (high - low) / about
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= raw * 0.999)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [round(i * step, 10) for i in range(first, last + 1)]


def time_ticks(low: float, high: float) -> list[float]:
    """Whole minutes, quarters or hours within the range."""
    steps = (60, 120, 300, 600, 900, 1_800, 3_600, 7_200, 21_600, 86_400)
    step = next((s for s in steps if (high - low) / s <= 8), steps[-1] * 7)
    first = math.ceil(low / step)
    return [float(i * step) for i in range(first, math.floor(high / step) + 1)]


def number(value: float) -> str:
    """For a tick: thousands set apart, no needless digits."""
    return f"{value:,.0f}" if abs(value) >= 10 or value == int(value) else f"{value:g}"
