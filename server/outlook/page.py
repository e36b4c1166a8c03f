"""The outlook as one page that opens without internet: map, table, charts; what the crew reads at home."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from importlib.resources import files
from typing import Any

import orjson
from jinja2 import Environment
from markupsafe import Markup

from server.flight.inputs import AvoidArea
from server.geodata.world import near
from server.outlook.hours import Hour
from server.outlook.limits import Limit

LIMIT_WORDS: Mapping[Limit, str] = {
    Limit.DISTANCE: "too far",
    Limit.AVOID: "in areas to avoid",
    Limit.SUNSET: "too near to sunset",
    Limit.WIND: "wind at the ground",
    Limit.WINDS_UNKNOWN: "no winds for this hour",
}
_ABOUT_DEG = 2.5  # of map around what is shown
_MOST_TOWNS = 150


def outlook_page(
    name: str,
    hours: Sequence[Hour],
    data: Sequence[Mapping[str, Any]],
    winds: str,
    made: datetime,
    avoid: Sequence[AvoidArea],
) -> str:
    """`data`: the hours as JSON values. `winds`: what they rest on."""
    lines, towns, credit = _around(hours)
    embedded = {
        "hours": data,
        "lines": lines,
        "towns": towns,
        "avoid": [{"name": area.name, "rings": area.rings} for area in avoid],
        "limits": {limit.value: words for limit, words in LIMIT_WORDS.items()},
    }
    template = Environment(autoescape=True).from_string(
        files("server.outlook").joinpath("page.html").read_text(encoding="utf-8")
    )
    text = orjson.dumps(embedded).decode().replace("<", "\\u003c")  # no tag ends within a script
    return template.render(
        name=name,
        winds=winds,
        made=f"{made:%Y-%m-%d %H:%M} UTC",
        hours=[_row(hour) for hour in hours],
        data=Markup(text),  # noqa: S704  its "<" are escaped above
        credits=credit,
    )


def _row(hour: Hour) -> dict[str, Any]:
    row: dict[str, Any] = {
        "launch": f"{hour.launch_time:%Y-%m-%dT%H:%M:%SZ}",
        "launch_words": f"{hour.launch_time:%Y-%m-%d %H:%M} UTC",
        "site": hour.site,
        "verdict": hour.verdict.value,
        "limit": None if hour.limit is None else LIMIT_WORDS[hour.limit],
        "known": hour.landing is not None,
        "reason": hour.reason or "no winds: the plan names no forecast and no sounding",
    }
    if hour.landing is None:
        return row
    left = None if hour.sunset is None else (hour.sunset - hour.landing.time).total_seconds()
    return row | {
        "lands": f"{hour.landing.time:%Y-%m-%dT%H:%M:%SZ}",
        "lands_words": f"{hour.landing.time:%H:%M} UTC",
        "distance": _km(hour.distance_m),
        "radius": _km(hour.landing.radius_90_m),
        "drive": _span(hour.drive_s),
        "aloft": _span(hour.aloft_s),
        "sunset": "–" if left is None else _span(left),
        "wind": "–" if hour.ground_wind is None else f"{hour.ground_wind.speed_ms:.1f} m/s",
        "avoid": f"{100 * hour.avoid_chance:.0f} %",
    }


def _km(metres: float | None) -> str:
    return "–" if metres is None else f"{metres / 1_000:.0f} km"


def _span(seconds: float | None) -> str:
    if seconds is None:
        return "–"
    minutes = round(abs(seconds) / 60.0)
    return f"{'−' if seconds < 0 else ''}{minutes // 60} h {minutes % 60:02d} min"


Places = list[tuple[str, float, float]]
Lines = list[list[list[float]]]


def _around(hours: Sequence[Hour]) -> tuple[Lines, Places, str]:
    """Borders, shores, rivers and the largest towns near what is shown, and whose they are."""
    shown = [(p[1], p[2]) for hour in hours if hour.landing for p in hour.landing.path]
    if not shown:
        return [], [], ""
    south, north = min(p[0] for p in shown) - _ABOUT_DEG, max(p[0] for p in shown) + _ABOUT_DEG
    west, east = min(p[1] for p in shown) - _ABOUT_DEG, max(p[1] for p in shown) + _ABOUT_DEG
    surface = near((west, south, east, north))
    lines = [[[round(lon, 4), round(lat, 4)] for lat, lon in places] for _, places in surface.lines]
    towns = [(t.name, t.longitude_deg, t.latitude_deg) for t in surface.towns[:_MOST_TOWNS]]
    return lines, towns, surface.credit
