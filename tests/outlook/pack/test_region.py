"""What a pack covers, held against shapely's geometry and tiles counted one by one."""

from __future__ import annotations

import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Point, Polygon, box

from server.geodata.tiles import corner
from server.outlook.pack.ground_tiles import tile_names
from server.outlook.pack.region import Region, region_around

LAUNCH = (38.35, -98.2)


def polygon(region: Region) -> Polygon:
    return Polygon([(lon, lat) for lat, lon in region.outline])


places = st.lists(
    st.tuples(st.floats(-70, 70), st.floats(-179, 179)), min_size=1, max_size=6
).filter(lambda found: max(lon for _, lon in found) - min(lon for _, lon in found) < 100)


@settings(max_examples=30, deadline=None)
@given(places)
def test_the_tiles_are_those_that_the_outline_touches(found: list[tuple[float, float]]) -> None:
    region, z = region_around(found, 20_000.0), 5
    shape, size = polygon(region), 1 << z
    overlaps, touches = set(), set()
    for x in range(-size, 2 * size):
        for y in range(size):
            (north, west), (south, east) = corner(x, y, z), corner(x + 1, y + 1, z)
            tile = box(west, south, east, north)
            if shape.intersection(tile).area > 1e-9:
                overlaps.add((x % size, y))
            if shape.distance(tile) < 1e-6:
                touches.add((x % size, y))
    assert overlaps <= set(region.tiles(z)) <= touches


def test_a_place_is_covered_to_its_margin() -> None:
    region = region_around([LAUNCH], 20_000.0)
    for bearing in range(0, 360, 7):
        there = Geodesic.WGS84.Direct(*LAUNCH, float(bearing), 19_900.0)
        assert polygon(region).contains(Point(there["lon2"], there["lat2"]))


def test_a_smaller_region_lies_in_a_larger_one_and_not_the_other_way() -> None:
    small = region_around([LAUNCH], 10_000.0)
    large = region_around([LAUNCH, (38.6, -97.0)], 20_000.0)
    assert large.holds(small)
    assert not small.holds(large)


def test_across_the_date_line_tiles_and_heights_are_found_on_both_sides() -> None:
    region = region_around([(-17.5, 179.7), (-17.0, -179.6)], 20_000.0)
    assert {x for x, _ in region.tiles(6)} == {0, 63}
    assert set(tile_names(region)) == {"S18E179", "S18W180", "S17W180"}
    assert region.holds(region_around([(-17.2, -179.9)], 5_000.0))


def test_height_tiles_are_named_by_their_south_west_corner() -> None:
    assert tile_names(region_around([(38.5, -98.5)], 1_000.0)) == ["N38W099"]
    assert tile_names(region_around([(-0.5, 0.5)], 1_000.0)) == ["S01E000"]


def test_no_place_is_an_error() -> None:
    with pytest.raises(ValueError, match="one place"):
        region_around([], 1_000.0)
