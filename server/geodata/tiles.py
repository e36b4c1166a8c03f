"""What every file of tiles can say of itself, and the errors of one that cannot be used."""

from __future__ import annotations

import html
import math
import re
from dataclasses import dataclass
from typing import Protocol

from server.geodata.vector_tiles import Schema

WORLD = (-180.0, -85.06, 180.0, 85.06)
MOST_ZOOM = 24

Bounds = tuple[float, float, float, float]  # west, south, east, north in degrees


class BasemapError(ValueError):
    """A file of the map that cannot be used; the message names the file and says why."""


@dataclass(frozen=True, slots=True)
class TileInfo:
    """`attribution` is plain text, whatever the file held. Zooms and rows count as in XYZ."""

    name: str
    attribution: str
    min_zoom: int
    max_zoom: int
    bounds: Bounds
    imagery: bool  # photographs (JPEG), which a night palette must not turn into negatives
    schema: Schema | None = None  # of vector tiles; None: images


class TileFile(Protocol):
    info: TileInfo

    def tile(self, z: int, x: int, y: int) -> bytes | None:
        """The image or vector tile, or None where the file has none. Raises BasemapError when it is
        broken. A vector tile is as it was stored, with gzip or without."""

    def close(self) -> None: ...


def plain_text(markup: object, most: int = 200) -> str:
    """An attribution, often written as HTML, as one line of text."""
    text = html.unescape(re.sub(r"<[^>]*>", "", markup)) if isinstance(markup, str) else ""
    return " ".join(text.split())[:most]


def checked_bounds(parts: tuple[float, ...] | list[float]) -> Bounds | None:
    """West, south, east, north, cut to what the projection shows; None when they make no sense."""
    if len(parts) != 4 or not all(math.isfinite(part) for part in parts):
        return None
    west, south, east, north = parts
    if not (-180 <= west < east <= 180 and -90 <= south < north <= 90):
        return None
    return max(west, WORLD[0]), max(south, WORLD[1]), min(east, WORLD[2]), min(north, WORLD[3])


def tile_at(latitude_deg: float, longitude_deg: float, z: int) -> tuple[int, int]:
    """Column and row (from the north) of the tile that holds a place: spherical Mercator."""
    size = 1 << z
    latitude = math.radians(min(max(latitude_deg, WORLD[1]), WORLD[3]))
    x = int((longitude_deg + 180.0) / 360.0 * size)
    y = int((1.0 - math.asinh(math.tan(latitude)) / math.pi) / 2.0 * size)
    return min(max(x, 0), size - 1), min(max(y, 0), size - 1)


def corner(x: int, y: int, z: int) -> tuple[float, float]:
    """Latitude and longitude of a tile's north-west corner."""
    size = 1 << z
    return math.degrees(
        math.atan(math.sinh(math.pi * (1 - 2 * y / size)))
    ), x / size * 360.0 - 180.0
