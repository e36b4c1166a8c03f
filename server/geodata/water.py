"""Lakes and the sea as areas that nobody wants to land on, from the carried map of the Earth.

As coarse as that map: 0.0014 degrees, and no ponds (this room's README). Rings are cut at the edges of the
map's tiles, so that even-odd holds where tiles overlap.
"""

from __future__ import annotations

from server.flight.inputs import AvoidArea
from server.geodata import vector_tiles
from server.geodata.tiles import Bounds
from server.geodata.world import TileAt, open_world, place_in, tiles

LAKES, SEA = "lakes", "the sea"
Point = tuple[float, float]
Ring = tuple[Point, ...]


def water(area: Bounds) -> tuple[AvoidArea, ...]:
    """Lakes and sea of a box: west, south, east, north. An east beyond 180° goes on at -180°."""
    lakes: list[Ring] = []
    sea: list[Ring] = []
    for at, tile in tiles(area, open_world().info.max_zoom):
        sea.append(_ring(at, [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)]))
        for feature in vector_tiles.features(tile):
            if feature.layer in ("lakes", "land") and feature.is_area:
                into = lakes if feature.layer == "lakes" else sea
                cuts = (_within(part) for part in feature.parts)
                into += [_ring(at, cut) for cut in cuts if len(cut) > 2]
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


def _ring(at: TileAt, part: list[Point]) -> Ring:
    """Closed, longitude and latitude in degrees."""
    z, column, row = at
    places = (place_in((z, column % (1 << z), row), x, y) for x, y in part)
    corners = [(longitude_deg, latitude_deg) for latitude_deg, longitude_deg in places]
    return (*corners, corners[0])
