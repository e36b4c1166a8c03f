"""A skew-T: temperature, dew point and wind over the logarithm of pressure, up to 100 hPa.

Behind them lie dry adiabats (slanting), moist adiabats (dashed) and lines of one mixing ratio (dotted).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from server.debrief.air import (
    dew_point_of_mixing_ratio_c,
    moist_lapse_k_pa,
    temperature_on_dry_adiabat_k,
)
from server.debrief.sounding import Level, dew_points

_WIDE, _HIGH, _LEFT, _RIGHT, _TOP, _BOTTOM = 640, 800, 66, 96, 14, 46
_LOW_PA, _HIGH_PA = 105_000.0, 10_000.0
_COLDEST_C, _WARMEST_C, _SKEW = -40.0, 50.0, 0.6  # at the bottom; pixels aside for each one up
_ISOBARS_HPA = (1000, 850, 700, 500, 400, 300, 250, 200, 150, 100)
_RATIOS_G_KG = (0.4, 1, 2, 4, 8, 16)
_STEP_PA = 500.0
_KNOT_MS = 1_852.0 / 3_600.0
_BARBS_APART = 30.0  # pixels
_FEWEST = 5
_DRY, _MOIST, _RATIO = "#b98f4e", "#4e7fb9", "#5f8f4e"
_TEMPERATURE, _DEW, _WIND = "#a33a12", "#0b5c6b", "#1b1a17"

Curve = list[tuple[float, float]]  # temperature °C, pressure Pa


def skew_t(levels: Sequence[Level]) -> str:
    """One SVG element; empty where temperature and pressure were not measured together."""
    known = [
        (v, v.temperature_c, v.pressure_pa)
        for v in levels
        if v.temperature_c is not None
        and v.pressure_pa is not None
        and _HIGH_PA <= v.pressure_pa <= _LOW_PA
    ]
    if len(known) < _FEWEST:
        return ""
    air = [(celsius, pascal) for _, celsius, pascal in known]
    dew = [
        (celsius, v.pressure_pa)
        for v, celsius in dew_points([v for v, _, _ in known])
        if v.pressure_pa is not None
    ]
    words = "skew-T: temperature and dew point over pressure, with the wind"
    return "".join(
        [
            f'<svg viewBox="0 0 {_WIDE} {_HIGH}" role="img" aria-label="{words}">',
            (
                f'<clipPath id="skewt"><rect x="{_LEFT}" y="{_TOP}" width="{_WIDE - _LEFT - _RIGHT}" '
                f'height="{_HIGH - _TOP - _BOTTOM}"/></clipPath><g clip-path="url(#skewt)">'
            ),
            *_background(),
            _line(air, _TEMPERATURE, 'stroke-width="2.5"'),
            _line(dew, _DEW, 'stroke-width="2.5"'),
            "</g>",
            *_words(),
            *_barbs([(v, pascal) for v, _, pascal in known]),
            "</svg>",
        ]
    ) + _legend(bool(dew))


def _y(pascal: float) -> float:
    share = math.log(pascal / _HIGH_PA) / math.log(_LOW_PA / _HIGH_PA)
    return _TOP + share * (_HIGH - _TOP - _BOTTOM)


def _x(celsius: float, y: float) -> float:
    wide = _WIDE - _LEFT - _RIGHT
    share = (celsius - _COLDEST_C) / (_WARMEST_C - _COLDEST_C)
    return _LEFT + share * wide + _SKEW * (_HIGH - _BOTTOM - y)


def _line(curve: Iterable[tuple[float, float]], colour: str, style: str) -> str:
    points = " ".join(f"{_x(t, _y(p)):.1f},{_y(p):.1f}" for t, p in curve)
    return f'<polyline points="{points}" fill="none" stroke="{colour}" {style}/>' if points else ""


def _pressures(top_pa: float = _HIGH_PA) -> list[float]:
    return [_LOW_PA - i * _STEP_PA for i in range(int((_LOW_PA - top_pa) / _STEP_PA) + 1)]


def _background() -> list[str]:
    right = _WIDE - _RIGHT
    parts = [
        f'<line class="grid" x1="{_LEFT}" x2="{right}" y1="{_y(h * 100):.1f}" y2="{_y(h * 100):.1f}"/>'
        for h in _ISOBARS_HPA
    ]
    parts += [
        f'<line class="grid" x1="{_x(c, _y(_LOW_PA)):.1f}" y1="{_y(_LOW_PA):.1f}" '
        f'x2="{_x(c, _y(_HIGH_PA)):.1f}" y2="{_y(_HIGH_PA):.1f}"/>'
        for c in range(-120, 51, 10)
    ]
    parts += [
        _line(dry_adiabat(k), _DRY, 'stroke-width="1" opacity="0.6"') for k in range(250, 451, 20)
    ]
    parts += [
        _line(moist_adiabat(c), _MOIST, 'stroke-width="1" stroke-dasharray="5 4" opacity="0.7"')
        for c in range(-8, 33, 8)
    ]
    parts += [
        _line(
            [(dew_point_of_mixing_ratio_c(g / 1000.0, p), p) for p in _pressures(40_000.0)],
            _RATIO,
            'stroke-width="1" stroke-dasharray="1 4"',
        )
        for g in _RATIOS_G_KG
    ]
    return parts


def dry_adiabat(potential_k: float) -> Curve:
    return [(temperature_on_dry_adiabat_k(potential_k, p) - 273.15, p) for p in _pressures()]


def moist_adiabat(celsius_at_1000_hpa: float) -> Curve:
    """Up from 1,000 hPa in steps of 5 hPa (midpoint rule)."""
    kelvin, pascal = celsius_at_1000_hpa + 273.15, 100_000.0
    curve = [(celsius_at_1000_hpa, pascal)]
    while pascal > _HIGH_PA:
        middle = kelvin - moist_lapse_k_pa(kelvin, pascal) * _STEP_PA / 2
        kelvin -= moist_lapse_k_pa(middle, pascal - _STEP_PA / 2) * _STEP_PA
        pascal -= _STEP_PA
        curve.append((kelvin - 273.15, pascal))
    return curve


def _words() -> list[str]:
    base = _HIGH - _BOTTOM
    parts = [
        f'<text x="{_LEFT - 6}" y="{_y(h * 100) + 4:.1f}" text-anchor="end">{h:,}</text>'
        for h in _ISOBARS_HPA
    ]
    parts += [
        f'<text x="{_x(c, _y(_LOW_PA)):.1f}" y="{base + 18}" text-anchor="middle">{c}</text>'
        for c in range(-40, 51, 10)
    ]
    middle = _TOP + (base - _TOP) / 2
    return [
        *parts,
        f'<text x="{(_LEFT + _WIDE - _RIGHT) / 2}" y="{_HIGH - 4}" text-anchor="middle">°C</text>',
        f'<text transform="translate(14 {middle}) rotate(-90)" text-anchor="middle">hPa</text>',
    ]


def _barbs(levels: Sequence[tuple[Level, float]]) -> list[str]:
    parts, last_y = [], math.inf
    for level, pascal in levels:  # from the ground up
        y = _y(pascal)
        if last_y - y >= _BARBS_APART:
            last_y = y
            parts.append(barb(level, _WIDE - _RIGHT / 2, y))
    return parts


def barb(level: Level, x: float, y: float) -> str:
    """A wind barb as WMO-No. 485 has it: the staff towards where it comes from; 5, 10, 50 knots.

    Feathers stand on the side of low pressure: clockwise of the staff north of the equator.
    """
    fives = round(level.speed_ms / _KNOT_MS / 5.0)
    if fives == 0:
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="none" stroke="{_WIND}"/>'
    side, at, path = (1 if level.latitude_deg >= 0 else -1), -34.0, ["M0,0 V-34"]
    for worth in (10, 2, 1):
        while fives >= worth:
            fives -= worth
            if worth == 10:
                path.append(f"M0,{at:g} L{12 * side},{at + 3:g} L0,{at + 6:g}")
                at += 7.5
                continue
            if worth == 1 and at == -34.0:
                at += 4.0  # a half feather alone stands in from the end
            path.append(f"M0,{at:g} L{6 * worth * side},{at - 2 * worth:g}")
            at += 4.0
    turn = f"translate({x:.1f} {y:.1f}) rotate({level.from_deg:.0f})"
    return f'<path d="{" ".join(path)}" transform="{turn}" fill="none" stroke="{_WIND}" stroke-width="1.3"/>'


def _legend(humid: bool) -> str:
    shown = [
        (_TEMPERATURE, "temperature"),
        *([(_DEW, "dew point")] if humid else []),
        (_DRY, "dry adiabats"),
        (_MOIST, "moist adiabats"),
        (_RATIO, "mixing ratio, " + ", ".join(f"{g:g}" for g in _RATIOS_G_KG) + " g/kg"),
    ]
    entries = "".join(f'<span><i style="background:{c}"></i>{word}</span>' for c, word in shown)
    return f'<p class="legend">{entries}</p>'
