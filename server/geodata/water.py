"""Lakes and the sea as areas that nobody wants to land on, from the carried map of the Earth.

As coarse as that map: 0.0014 degrees, and no ponds (this room's README). Rings are cut at the edges of the
map's tiles, so that even-odd holds where tiles overlap.
"""

from __future__ import annotations

import math

from server.flight.inputs import AvoidArea
from server.geodata import vector_tiles
from server.geodata.tiles import Bounds, corner, tile_at
from server.geodata.world import open_world

LAKES, SEA = "lakes", "the sea"
Point = tuple[float, float]
Ring = tuple[Point, ...]


def water(area: Bounds) -> tuple[AvoidArea, ...]:
    """Lakes and sea of a box: west, south, east, north. An east beyond 180° goes on at -180°."""
    world = open_world()
    z = world.info.max_zoom
    size = 1 << z
    west, south, east, north = area
    first, last = (math.floor((lon + 180.0) / 360.0 * size) for lon in (west, east))
    top, bottom = tile_at(north, 0.0, z)[1], tile_at(south, 0.0, z)[1]
    lakes: list[Ring] = []
    sea: list[Ring] = []
    for column in range(first, last + 1):
        for row in range(top, bottom + 1):
            at = z, column % size, row
            packed = world.tile(*at)
            sea.append(_ring(at, [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)]))
            features = (
                () if packed is None else vector_tiles.features(vector_tiles.unpacked(packed))
            )
            for feature in features:
                if feature.layer in ("lakes", "land") and feature.is_area:
                    into = lakes if feature.layer == "lakes" else sea
                    for part in feature.parts:
                        cut = _within(part)
                        if len(cut) > 2:
                            into.append(_ring(at, cut))
    found = (AvoidArea(LAKES, tuple(lakes)), AvoidArea(SEA, tuple(sea)))
    return tuple(one for one in found if one.rings)


def _within(part: list[Point]) -> list[Point]:
    """A ring cut to its tile (Sutherland and Hodgman 1974), in parts of the tile."""
    ring = list(part)
    for axis in (0, 1):
        for edge, keep in ((0.0, 1.0), (1.0, -1.0)):
            cut: list[Point] = []
            for one, other in zip(ring, ring[1:] + ring[:1], strict=True):
                here, there = keep * (one[axis] - edge), keep * (other[axis] - edge)
                if here >= 0.0:
                    cut.append(one)
                if (here >= 0.0) != (there >= 0.0):
                    share = here / (here - there)
                    cut.append(
                        (
                            one[0] + share * (other[0] - one[0]),
                            one[1] + share * (other[1] - one[1]),
                        )
                    )
            ring = cut
            if not ring:
                return []
    return ring


def _ring(at: tuple[int, int, int], part: list[Point]) -> Ring:
    """Closed, longitude and latitude in degrees."""
    z, column, row = at
    size = 1 << z
    corners = []
    for x, y in part:
        lat = corner(0, row, z)[0]
        if y:
            lat = math.degrees(math.atan(math.sinh(math.pi * (1 - 2 * (row + y) / size))))
        corners.append(((column + x) / size * 360.0 - 180.0, lat))
    return (*corners, corners[0])
