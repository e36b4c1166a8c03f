"""What the crew was shown: one look at /api/state, and how its times and areas are read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Any


@dataclass(frozen=True, slots=True)
class Shown:
    """One look at /api/state, at `now_s` of the flight."""

    now_s: float
    state: Mapping[str, Any]


def holds(shape: Mapping[str, Any], place: tuple[float, ...]) -> bool:
    """Whether a multipolygon (GeoJSON) holds a latitude, longitude: even-odd over all outlines."""
    rings = ({"p90": {"coordinates": [ring]}} for one in shape["coordinates"] for ring in one)
    return sum(bool(covers(ring, place)) for ring in rings) % 2 == 1


def seconds(text: str | None) -> float | None:
    """UTC seconds of an RFC 3339 time."""
    return None if text is None else datetime.fromisoformat(text).timestamp()


def covers(area: Any, place: tuple[float, ...]) -> bool | None:
    """Whether the 90 % polygon (GeoJSON) holds a latitude, longitude; None without one."""
    polygon = (area or {}).get("p90") if isinstance(area, Mapping) else None
    if not polygon:
        return None
    ring = polygon["coordinates"][0]
    inside = False
    for (x0, y0, *_), (x1, y1, *_) in pairwise(ring):
        if (y0 > place[0]) != (y1 > place[0]):
            inside ^= place[1] < x0 + (place[0] - y0) * (x1 - x0) / (y1 - y0)
    return inside
