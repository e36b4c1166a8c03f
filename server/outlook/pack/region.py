"""Where the flight can end and what lies on the way there: the ground that a pack has to cover."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from server.geodata.tiles import WORLD, corner, tile_at

Place = tuple[float, float]  # latitude, longitude in degrees
_DEGREE_M = 111_320.0
_ABOUT = 12  # points on the circle that a place is widened to
_POLE_DEG = 89.0


@dataclass(frozen=True)
class Region:
    """A convex outline, latitude and longitude in degrees; longitudes run on past 180."""

    outline: tuple[Place, ...]

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north; west lies in -180 to 180, east may lie beyond 180."""
        lats, lons = zip(*self.outline, strict=True)
        return min(lons), min(lats), max(lons), max(lats)

    def holds(self, other: Region) -> bool:
        """Whether the other lies within this one."""
        edges = list(zip(self.outline, self.outline[1:] + self.outline[:1], strict=True))
        for turn_deg in (-360.0, 0.0, 360.0):
            moved = [(lat, lon + turn_deg) for lat, lon in other.outline]
            if all(_turn(a, b, place) >= -1e-9 for place in moved for a, b in edges):
                return True
        return False

    def tiles(self, z: int) -> Iterator[tuple[int, int]]:
        """Columns and rows of the tiles of one zoom (spherical Mercator, rows from the north)."""
        size = 1 << z
        _, south, _, north = self.bounds
        _, first = tile_at(north, 0.0, z)
        _, last = tile_at(south, 0.0, z)
        for y in range(first, last + 1):
            top, low = corner(0, y, z)[0], corner(0, y + 1, z)[0]
            span = self._across(low if y < last else south, top if y > first else north)
            if span is None:
                continue
            west, east = (math.floor((lon + 180.0) / 360.0 * size) for lon in span)
            for x in sorted({x % size for x in range(west, min(east, west + size - 1) + 1)}):
                yield x, y

    def cells(self) -> Iterator[Place]:
        """South-west corners of the one-degree cells, as SRTM tiles are named."""
        _, south, _, north = self.bounds
        for lat in range(math.floor(south), math.floor(north) + 1):
            span = self._across(max(lat, south), min(lat + 1, north))
            if span is not None:
                for lon in range(math.floor(span[0]), math.floor(span[1]) + 1):
                    yield lat, (lon + 180) % 360 - 180

    def _across(self, low_deg: float, high_deg: float) -> tuple[float, float] | None:
        """Westernmost and easternmost longitude of the outline between two latitudes."""
        found = [lon for lat, lon in self.outline if low_deg <= lat <= high_deg]
        for (lat, lon), (to_lat, to_lon) in zip(
            self.outline, self.outline[1:] + self.outline[:1], strict=True
        ):
            for cut in (low_deg, high_deg):
                if min(lat, to_lat) < cut < max(lat, to_lat):
                    found.append(lon + (to_lon - lon) * (cut - lat) / (to_lat - lat))
        return (min(found), max(found)) if found else None


def region_around(places: Iterable[Place], margin_m: float) -> Region:
    """The convex outline of all places, each widened by `margin_m`. ValueError without a place."""
    points: list[Place] = []
    first_lon: float | None = None
    for lat, lon in places:
        if first_lon is None:
            first_lon = lon
        near = first_lon + (lon - first_lon + 180.0) % 360.0 - 180.0
        points += _circle(lat, near, margin_m)
    if not points:
        raise ValueError("one place or more expected")
    outline = _hull(points)
    west = min(lon for _, lon in outline)
    shift = (west + 180.0) % 360.0 - 180.0 - west
    return Region(tuple((lat, lon + shift) for lat, lon in outline))


def _circle(lat: float, lon: float, radius_m: float) -> list[Place]:
    half = radius_m / _DEGREE_M / math.cos(math.pi / _ABOUT)  # so that the circle lies within
    wide = half / max(math.cos(math.radians(min(abs(lat) + half, _POLE_DEG))), 0.02)
    turns = [2.0 * math.pi * k / _ABOUT for k in range(_ABOUT)]
    found = [(lat + half * math.sin(t), lon + wide * math.cos(t)) for t in turns]
    return [(min(max(a, WORLD[1]), WORLD[3]), b) for a, b in found]


def _turn(a: Place, b: Place, c: Place) -> float:
    """Positive when a, b, c turn left (east is right, north is up)."""
    return (b[1] - a[1]) * (c[0] - a[0]) - (b[0] - a[0]) * (c[1] - a[1])


def _hull(points: Sequence[Place]) -> list[Place]:
    """Counter-clockwise, by Andrew's monotone chain (Andrew 1979, Information Processing Letters 9)."""
    ordered = sorted(set(points), key=lambda p: (p[1], p[0]))
    halves = []
    for run in (ordered, ordered[::-1]):
        chain: list[Place] = []
        for point in run:
            while len(chain) > 1 and _turn(chain[-2], chain[-1], point) <= 0:
                chain.pop()
            chain.append(point)
        halves.append(chain[:-1])
    return halves[0] + halves[1]
