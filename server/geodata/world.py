"""The map of the whole Earth that the program carries: coasts, waters, borders and towns.

Made by tests/geodata/make_world.py of public-domain and CC BY data; this room's README says what is in it.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from server.geodata import vector_tiles
from server.geodata.pmtiles import PMTiles
from server.geodata.tiles import Bounds, corner, tile_at

WORLD_MAP = Path(__file__).parents[2] / "web" / "basemap" / "world.pmtiles"
FEW_TILES = 4  # across a box
# a line's kind by its layer; borders say themselves which they are
LINES = {"land": "shore", "lakes": "shore", "rivers": "river", "borders": "", "railways": "railway"}

Place = tuple[float, float]  # latitude, longitude in degrees
TileAt = tuple[int, int, int]  # zoom, column, row from the north


@dataclass(frozen=True, slots=True)
class Town:
    name: str
    latitude_deg: float
    longitude_deg: float
    population: int


@dataclass
class Surface:
    """What lies in a box: lines by kind (`shore`, `river`, `railway`, `country`, `state`, `county`), and
    towns, the largest first."""

    credit: str
    lines: list[tuple[str, list[Place]]] = field(default_factory=list)
    towns: list[Town] = field(default_factory=list)


@functools.cache
def open_world() -> PMTiles:
    """Opened once and never closed: several threads may read it."""
    return PMTiles(WORLD_MAP)


def near(area: Bounds) -> Surface:
    """Lines and towns of a box: west, south, east, north. An east beyond 180° goes on at -180°."""
    world = open_world()
    found = Surface(world.info.attribution)
    west, _, east, _ = area
    for at, tile in tiles(area, _zoom(east - west)):
        _take(found, tile, at, area)
    found.towns.sort(key=lambda town: (-town.population, town.name))
    return found


def tiles(area: Bounds, z: int) -> Iterator[tuple[TileAt, bytes]]:
    """Unpacked tiles of a box; b"" where none is. Columns go on where an east lies beyond 180°."""
    west, south, east, north = area
    size = 1 << z
    first, last = (math.floor((lon + 180.0) / 360.0 * size) for lon in (west, east))
    top, bottom = tile_at(north, 0.0, z)[1], tile_at(south, 0.0, z)[1]
    for column in range(first, last + 1):
        for row in range(top, bottom + 1):
            packed = open_world().tile(z, column % size, row)
            yield (z, column, row), b"" if packed is None else vector_tiles.unpacked(packed)


def _zoom(width_deg: float) -> int:
    info = open_world().info
    wanted = math.log2(FEW_TILES * 360.0 / max(width_deg, 0.1))
    return min(max(math.floor(wanted), info.min_zoom), info.max_zoom)


def _take(found: Surface, tile: bytes, at: TileAt, area: Bounds) -> None:
    west, south, east, north = area
    for feature in vector_tiles.features(tile):
        if feature.layer == "towns":
            latitude_deg, longitude_deg = place_in(at, *feature.parts[0][0])
            if south <= latitude_deg <= north and west <= longitude_deg <= east:
                population = feature.properties.get("population", 0)
                name = str(feature.properties.get("name", ""))
                found.towns.append(Town(name, latitude_deg, longitude_deg, int(population or 0)))
        elif feature.layer in LINES:
            kind = LINES[feature.layer] or str(feature.properties.get("kind", ""))
            for part in feature.parts:
                for piece in _inside(part, closed=feature.is_area):
                    found.lines.append((kind, [place_in(at, *one) for one in piece]))


def _inside(
    part: list[tuple[float, float]], *, closed: bool
) -> Iterator[list[tuple[float, float]]]:
    """The pieces of a line that lie in its tile: the neighbour has the rest, and areas are cut there."""
    piece: list[tuple[float, float]] = []
    for one in [*part, part[0]] if closed else part:
        if all(-1e-9 <= value <= 1.0 for value in one):
            piece.append(one)
            continue
        if piece:
            yield [*piece, one] if not closed else piece
        piece = [] if closed else [one]
    if len(piece) > 1:
        yield piece


def place_in(at: TileAt, x: float, y: float) -> Place:
    """A point of a tile, in parts of it from its north-western corner."""
    z, column, row = at
    latitude_deg, longitude_deg = corner(0, row, z)[0], (column + x) / (1 << z) * 360.0 - 180.0
    if y:
        latitude_deg = math.degrees(math.atan(math.sinh(math.pi * (1 - 2 * (row + y) / (1 << z)))))
    return latitude_deg, longitude_deg
