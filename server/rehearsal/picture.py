"""The judge's picture: one SVG with a map and three charts, drawn here, no library."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from html import escape

from server.rehearsal.judge import Verdict
from server.rehearsal.shown import Shown
from server.rehearsal.truth import Truth, metres_per_degree

_W, _H = 1_180, 640
_MAP = (30.0, 60.0, 560.0, 540.0)  # left, top, width, height
_CHART_LEFT, _CHART_W, _CHART_H = 680.0, 460.0, 140.0
_TRUE, _SHOWN, _GUESS, _GRID = "#667788", "#0a66c2", "#c2410c", "#dde3e8"
Point = tuple[float, float]


def svg(truth: Truth, looks: Sequence[Shown], verdict: Verdict, title: str) -> str:
    """The whole picture as text."""
    parts = [
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_W} {_H}" '
            'font-family="sans-serif" font-size="12">'
        ),
        f'<rect width="{_W}" height="{_H}" fill="#ffffff"/>',
        _text(_MAP[0], 30, title, size=18),
        *_map(truth, looks),
    ]
    rows = verdict.rows
    minutes = [float(row.minute) for row in rows]
    ends = (min(minutes, default=0.0), max(minutes, default=1.0))
    marks = [(t - truth.launch_s) / 60.0 for t in (truth.burst_s, truth.landing_s)]
    true = [
        ((t - truth.launch_s) / 60.0, truth.at(t)[2] / 1_000)
        for t in range(int(truth.start_s), int(truth.end_s), 30)
    ]
    shown = [
        (float(row.minute), (row.altitude_m + row.altitude_error_m) / 1_000)
        for row in rows
        if row.altitude_error_m is not None and (row.age_s or 0.0) < 90.0
    ]
    parts += _chart(0, "altitude, km", ends, marks, [(true, _TRUE), (shown, _SHOWN)])
    landing = [(float(r.minute), r.landing_m / 1_000) for r in rows if r.landing_m is not None]
    parts += _chart(1, "landing error, km (log)", ends, marks, [(landing, _GUESS)], log=True)
    track = [(float(r.minute), r.track_m) for r in rows if r.track_m is not None]
    parts += _chart(2, "track error, m (log)", ends, marks, [(track, _SHOWN)], log=True)
    return "\n".join([*parts, "</svg>", ""])


def _map(truth: Truth, looks: Sequence[Shown]) -> list[str]:
    left, top, width, height = _MAP
    path = [truth.at(t)[:2] for t in range(int(truth.start_s), int(truth.landing_s) + 1, 30)]
    tracks, guesses = [], []
    ring: list[Point] = []
    for look in looks:
        track, landing = look.state.get("track"), look.state.get("landing")
        if track:
            tracks.append((track["latitude_deg"], track["longitude_deg"]))
        if landing and landing.get("latitude_deg") is not None:
            guesses.append((landing["latitude_deg"], landing["longitude_deg"]))
            area = landing.get("search_area") or {}
            if area.get("p90") and not ring and look.now_s > truth.burst_s + 60.0:
                ring = [(y, x) for x, y, *_ in area["p90"]["coordinates"][0]]
    seen = [*path, truth.landing[:2], *guesses[len(guesses) // 4 :]]
    north_m, east_m = metres_per_degree(truth.landing[0])
    low = [min(p[i] for p in seen) for i in (0, 1)]
    high = [max(p[i] for p in seen) for i in (0, 1)]
    span_m = max((high[0] - low[0]) * north_m / height, (high[1] - low[1]) * east_m / width) * 1.08
    middle = [(low[i] + high[i]) / 2 for i in (0, 1)]

    def place(p: Sequence[float]) -> Point:
        x = left + width / 2 + (p[1] - middle[1]) * east_m / span_m
        y = top + height / 2 - (p[0] - middle[0]) * north_m / span_m
        return x, y

    bar_m = 10 ** math.floor(math.log10(span_m * width / 3))
    x1, y1 = place(truth.landing)
    return [
        (
            f'<rect x="{left}" y="{top}" width="{width}" height="{height}" fill="none" '
            f'stroke="{_GRID}"/>'
        ),
        (
            f'<clipPath id="map"><rect x="{left}" y="{top}" width="{width}" height="{height}"/>'
            '</clipPath><g clip-path="url(#map)">'
        ),
        _line(map(place, path), _TRUE, 2.5),
        *(_dot(place(p), 1.8, _SHOWN) for p in tracks),
        *(_dot(place(p), 2.2, _GUESS, 0.45) for p in guesses),
        _line(map(place, ring), _GUESS, 1.2),
        (
            f'<path d="M{x1 - 7:.1f} {y1 - 7:.1f}l14 14m0 -14l-14 14" stroke="#111" '
            'stroke-width="2.5"/></g>'
        ),
        (
            f'<path d="M{left + 12} {top + height - 12}h{bar_m / span_m:.1f}" stroke="#111" '
            'stroke-width="3"/>'
        ),
        _text(left + 12, top + height - 20, f"{bar_m / 1_000:g} km"),
        _text(left + 12, top + 20, "true path", _TRUE),
        _text(left + 12, top + 36, "track as shown", _SHOWN),
        _text(left + 12, top + 52, "landing as shown; its 90 % area after the burst", _GUESS),
        _text(left + 12, top + 68, "× where it came down", "#111"),
    ]


def _chart(
    number: int,
    name: str,
    ends: Point,
    marks: Iterable[float],
    series: Sequence[tuple[Sequence[Point], str]],
    *,
    log: bool = False,
) -> list[str]:
    top = 60.0 + number * (_CHART_H + 60.0)
    values = [v for points, _ in series for _, v in points if v > 0 or not log]
    if not values:
        return []
    scale: Callable[[float], float] = (lambda v: math.log10(max(v, 1e-3))) if log else (lambda v: v)
    low, high = scale(min(values)), scale(max(values))
    if log:
        low, high = math.floor(low), math.ceil(high + 1e-9)
    high = high if high > low else low + 1.0

    def place(p: Point) -> Point:
        across = (p[0] - ends[0]) / max(ends[1] - ends[0], 1e-9)
        up = (scale(p[1]) - low) / (high - low)
        return _CHART_LEFT + across * _CHART_W, top + _CHART_H * (1 - min(max(up, 0.0), 1.0))

    steps = [10.0**e for e in range(int(low), int(high) + 1)] if log else [low, high]
    parts = [_text(_CHART_LEFT, top - 8, f"{name}; minutes since the launch")]
    for step in steps:
        y = place((ends[0], step))[1]
        parts.append(f'<path d="M{_CHART_LEFT} {y:.1f}h{_CHART_W}" stroke="{_GRID}"/>')
        parts.append(_text(_CHART_LEFT - 42, y + 4, f"{step:.3g}"))
    for mark in marks:
        x = place((mark, steps[0]))[0]
        parts.append(f'<path d="M{x:.1f} {top}v{_CHART_H}" stroke="#111" stroke-dasharray="3 3"/>')
    for end in ends:
        parts.append(_text(place((end, steps[0]))[0] - 8, top + _CHART_H + 16, f"{end:.0f}"))
    return parts + [_line(map(place, points), colour, 1.6) for points, colour in series]


def _line(points: Iterable[Point], colour: str, width: float) -> str:
    text = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    return f'<polyline points="{text}" fill="none" stroke="{colour}" stroke-width="{width}"/>'


def _dot(point: Point, radius: float, colour: str, opacity: float = 1.0) -> str:
    return (
        f'<circle cx="{point[0]:.1f}" cy="{point[1]:.1f}" r="{radius}" fill="{colour}" '
        f'fill-opacity="{opacity}"/>'
    )


def _text(x: float, y: float, words: str, colour: str = "#222", size: int = 12) -> str:
    return (
        f'<text x="{x:.0f}" y="{y:.0f}" fill="{colour}" font-size="{size}">{escape(words)}</text>'
    )
