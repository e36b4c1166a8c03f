"""The carried map of the Earth: what is in it agrees with what it was made of, and no place is blank."""

from __future__ import annotations

import csv
import gzip
import itertools
import json
import math
from pathlib import Path
from typing import Any

import mapbox_vector_tile
import numpy as np
import pytest
from scipy.spatial import cKDTree

from server.geodata.coverage import around
from server.geodata.tiles import tile_at
from server.geodata.vector_tiles import Schema, features, unpacked
from server.geodata.world import WORLD_MAP, Surface, near, open_world
from tests.machine import require_sources

WHOLE = (-180.0, -85.0, 179.999, 85.0)
UNIT_DEG = 360 / 64 / 4096  # of the last zoom
MOST_BYTES = 5_000_000


@pytest.fixture(scope="module")
def carried() -> dict[str, list[Any]]:
    """All that the last zoom holds, read by another library: towns and points of lines by layer."""
    world = open_world()
    z = world.info.max_zoom
    found: dict[str, list[Any]] = {}
    for x, y in itertools.product(range(1 << z), repeat=2):
        tile = world.tile(z, x, y)
        if tile is None:
            continue
        layers = mapbox_vector_tile.decode(
            gzip.decompress(tile), default_options={"y_coord_down": True}
        )
        for name, layer in layers.items():
            for feature in layer["features"]:
                for px, py in places(feature["geometry"]["coordinates"]):
                    lon = (x + px / 4096) / (1 << z) * 360 - 180
                    turned = math.pi * (1 - 2 * (y + py / 4096) / (1 << z))
                    lat = math.degrees(math.atan(math.sinh(turned)))
                    told = feature["properties"]
                    row = (lat, lon, told.get("name"), told.get("population"), told.get("kind"))
                    found.setdefault(name, []).append(row)
    return found


def places(coordinates: Any) -> list[tuple[float, float]]:
    if isinstance(coordinates[0], int | float):
        return [(coordinates[0], coordinates[1])]
    return [place for part in coordinates for place in places(part)]


def sources(path: Path) -> list[tuple[float, float]]:
    """Latitude and longitude of all places of a GeoJSON file packed with gzip."""
    features_ = json.loads(gzip.decompress(path.read_bytes()))["features"]
    return [(lat, lon) for f in features_ for lon, lat in places(f["geometry"]["coordinates"])]


def test_every_town_of_the_source_is_there(carried: dict[str, list[Any]]) -> None:
    """GeoNames, places of 1,000 people and more: name, place within 150 m, population to two digits."""
    with gzip.open(require_sources("world") / "towns.csv.gz", "rt", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    by_name: dict[str, list[Any]] = {}
    for row in carried["towns"]:
        by_name.setdefault(row[2], []).append(row)
    assert len(rows) == 147_283
    wrong = {"name": "Clay Center", "latitude_deg": "37.519"}  # there is none there
    rows = [row for row in rows if not wrong.items() <= row.items()]
    assert len(rows) == 147_282
    for row in rows:
        lat, lon, population = (
            float(row["latitude_deg"]),
            float(row["longitude_deg"]),
            int(row["population"]),
        )
        assert any(
            abs(lat - one[0]) < 2 * UNIT_DEG
            and abs(lon - one[1]) < 2 * UNIT_DEG
            and abs(one[3] - population) <= 0.051 * population
            for one in by_name.get(row["name"], [])
        ), row


@pytest.mark.parametrize(
    ("file", "layer"),
    [
        ("coastlines", "land"),
        ("lakes", "lakes"),
        ("countries", "borders"),
        ("states", "borders"),
        ("rivers", "rivers"),
        ("rivers-north-america", "rivers"),
    ],
)
def test_every_point_of_the_sources_lines_is_there(
    carried: dict[str, list[Any]], file: str, layer: str
) -> None:
    """Natural Earth. In the demo's region finer lines of the same things stand in their place."""
    wanted = np.array(
        [
            place
            for place in sources(require_sources("world") / f"{file}.geojson.gz")
            if abs(place[0]) < 84.9
            and abs(place[1]) < 179.99
            and not (35.9 < place[0] < 40.8 and -102.7 < place[1] < -93.8)
        ]
    )
    tree = cKDTree([row[:2] for row in carried[layer]])
    off, _ = tree.query(wanted)
    assert len(wanted) > 4_000
    # a point that lies on one line with its neighbours to a unit may be left out
    assert float(np.quantile(off, 0.995)) < 2 * UNIT_DEG
    assert np.max(off) < 0.25


def test_the_regions_lines_and_small_places(carried: dict[str, list[Any]]) -> None:
    """Counties by name, towns smaller than 1,000, and none where the source has a wrong one."""
    folder = require_sources("basemap")
    wanted = {
        name for name, _, _ in json.loads((folder / "boundaries.json").read_bytes())["countyNames"]
    }
    assert {row[2] for row in carried["counties"]} == wanted
    towns = {(row[2]) for row in carried["towns"]}
    assert {row[0] for row in json.loads((folder / "places.json").read_bytes())} <= towns
    assert "county" in {row[4] for row in carried["borders"]}
    assert len(carried["railways"]) > 500


# what holds without the sources


def test_it_is_small_and_says_whose_it_is() -> None:
    assert WORLD_MAP.stat().st_size < MOST_BYTES
    info = open_world().info
    assert info.schema is Schema.WORLD
    assert info.attribution == "Natural Earth · GeoNames"


# latitude, longitude from the towns' own pages in the encyclopedia, to a minute, from memory
KNOWN = {
    "Denver": (39.74, -104.99, 700_000),
    "Hobart": (-42.88, 147.33, 200_000),
    "Innsbruck": (47.27, 11.39, 130_000),
    "Suva": (-18.14, 178.44, 90_000),
    "Vaduz": (47.14, 9.52, 5_800),
    "Lyons": (38.35, -98.20, 3_700),
}


@pytest.mark.parametrize("name", KNOWN)
def test_known_towns(name: str) -> None:
    lat, lon, population = KNOWN[name]
    found = [t for t in near(around(lat, lon, 15_000)).towns if t.name == name]
    assert found
    assert 0.5 < found[0].population / population < 2


def test_there_is_no_clay_center_where_the_source_has_one() -> None:
    towns = near(around(37.52, -96.77, 12_000)).towns
    assert "Clay Center" not in {t.name for t in towns}
    assert "Clay Center" in {t.name for t in near(around(39.38, -97.12, 10_000)).towns}


def is_land(lat: float, lon: float) -> bool:
    """By the even-odd rule over the rings of the land in the place's tile."""
    z = open_world().info.max_zoom
    x, y = tile_at(lat, lon, z)
    tile = open_world().tile(z, x, y)
    if tile is None:
        return False
    across = (lon + 180) / 360 * (1 << z) - x
    down = (1 - math.asinh(math.tan(math.radians(lat))) / math.pi) / 2 * (1 << z) - y
    inside = False
    for feature in features(unpacked(tile)):
        if feature.layer != "land":
            continue
        for ring in feature.parts:
            for (x1, y1), (x2, y2) in itertools.pairwise([*ring, ring[0]]):
                if (y1 > down) != (y2 > down) and across < x1 + (down - y1) / (y2 - y1) * (x2 - x1):
                    inside = not inside
    return inside


@pytest.mark.parametrize(
    ("lat", "lon", "land"),
    [
        (39.7, -104.9, True), (46.8, 9.8, True), (-42.0, 146.5, True), (-17.8, 178.0, True),
        (-16.6, 179.3, True),  # Vanua Levu, whose coast is cut at 180°
        (67.0, 179.5, True), (67.0, -179.5, True), (-80.0, 0.0, True), (25.0, 10.0, True),
        (0.0, -30.0, False), (-17.0, 179.6, False), (42.0, 50.5, False), (60.0, 2.0, False),
        (-40.0, 146.0, False), (23.0, -160.0, False),
    ],
)  # fmt: skip
def test_land_and_sea(lat: float, lon: float, land: bool) -> None:
    """Places that any atlas shows; the Caspian Sea is water."""
    assert is_land(lat, lon) is land


@pytest.mark.parametrize(
    ("place", "kinds"),
    [
        ((39.5, -104.5), {"state", "river", "county"}),
        ((46.9, 9.6), {"country", "river"}),
        ((-42.2, 146.6), {"shore", "river"}),
        ((-17.3, 179.6), {"shore"}),
    ],
)
def test_every_flight_has_lines_and_towns(place: tuple[float, float], kinds: set[str]) -> None:
    west, south, east, north = around(*place, 200_000)
    surface: Surface = near((west, south, max(east, place[1] + 2), north))
    assert kinds <= {kind for kind, _ in surface.lines}
    assert len(surface.towns) >= 5
    for _, line in surface.lines:
        for lat, lon in line:
            assert -90 <= lat <= 90
            assert place[1] - 12 < lon < place[1] + 12  # in one piece, also across 180°
    assert surface.towns == sorted(surface.towns, key=lambda t: (-t.population, t.name))
