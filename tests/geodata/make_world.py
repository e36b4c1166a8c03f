"""Makes the map of the whole Earth that the program carries: `python -m tests.geodata.make_world SOURCES`.

SOURCES is a folder with `world/` (Natural Earth's coasts, borders, lakes and rivers as GeoJSON, GeoNames'
towns as CSV, each packed with gzip) and `basemap/` (the demo's region: county lines, small places, rivers,
lakes and railways as GeoJSON). The result is PMTiles 3 with vector tiles; server/geodata/README.md says
what its layers are. The same sources make the same bytes.
"""

from __future__ import annotations

import csv
import gzip
import json
import math
import sys
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import mapbox_vector_tile
import numpy as np
import shapely
from pmtiles.tile import Compression, TileType, zxy_to_tileid
from pmtiles.writer import Writer
from shapely import STRtree
from shapely.affinity import translate
from shapely.geometry import LineString, Point, Polygon, box, shape
from shapely.geometry.base import BaseGeometry
from shapely.ops import polygonize, unary_union

from server.screen.assets import WEB

WORLD_MAP = WEB / "basemap" / "world.pmtiles"
ZOOMS = range(2, 7)
EXTENT = 4096  # units of a tile: 0.0014° at the last zoom; the sources are simplified to 0.004°
BUFFER = 48  # units that neighbours share, so that no line ends at a seam
# the least population, and the greatest scale rank of a river, that a zoom shows
TOWNS = {2: 2_000_000, 3: 500_000, 4: 150_000, 5: 40_000, 6: 0}
RIVERS = {2: 2, 3: 3, 4: 5, 5: 7, 6: 99}
WRONG_TOWN = ("Clay Center", 37.52, -96.77)  # of both lists of places: there is none there
REGION = box(-102.6, 36.0, -93.9, 40.7)  # what its finer lines stand in for
OPEN_SEA = Point(-130.0, 2.0)
CREDIT = "Natural Earth · GeoNames"  # the README says the rest


@dataclass
class Drawn:
    """One feature: its geometry in Mercator's square of 0 to 1, y down."""

    layer: str
    shape: BaseGeometry
    properties: dict[str, Any] = field(default_factory=dict)
    from_zoom: int = ZOOMS.start


def read(sources: Path) -> list[Drawn]:
    """All features, in the order in which they are written."""
    world, region = sources / "world", sources / "basemap"
    coasts = [
        closed(line) for one in packed(world / "coastlines.geojson.gz") for line in parts(one)
    ]
    drawn = [Drawn("land", part) for part in joined([flat(face) for face in land(coasts)])]
    drawn += list(lakes(packed(world / "lakes.geojson.gz"), 2))
    drawn += list(lakes(plain(region / "lakes.geojson"), 5))
    rivers = packed(world / "rivers.geojson.gz") + packed(world / "rivers-north-america.geojson.gz")
    # those of the region are the same as North America's, but finer
    fine = plain(region / "rivers.geojson")
    names = {name_of(one) for one in fine} - {""}
    drawn += list(rivers_of([r for r in rivers if name_of(r) not in names], None))
    drawn += list(rivers_of([r for r in rivers if name_of(r) in names], REGION))
    drawn += list(rivers_of(fine, None))
    drawn += [
        Drawn("borders", flat(line), {"kind": "country"})
        for one in packed(world / "countries.geojson.gz")
        for line in parts(one)
    ]
    drawn += [
        Drawn("borders", flat(rest), {"kind": "state"}, 3)
        for one in packed(world / "states.geojson.gz")
        for line in parts(one)
        if not (rest := line.difference(REGION)).is_empty
    ]
    drawn += list(regional(json.loads((region / "boundaries.json").read_bytes())))
    drawn += [
        Drawn("railways", flat(line), {}, 6)
        for one in plain(region / "railways.geojson")
        for line in parts(one)
    ]
    places = json.loads((region / "places.json").read_bytes())
    return drawn + list(towns(world / "towns.csv.gz", places))


def lakes(features: list[dict[str, Any]], from_zoom: int) -> Iterator[Drawn]:
    for one in features:
        about = {"name": name_of(one)} if name_of(one) else {}
        for part in parts(one):
            yield Drawn("lakes", flat(part), about, from_zoom)


def rivers_of(features: list[dict[str, Any]], without: Polygon | None) -> Iterator[Drawn]:
    for one in features:
        rank = float(one["properties"].get("scalerank", 9))
        about = {"name": name_of(one)} if name_of(one) else {}
        first = next(z for z in ZOOMS if rank <= RIVERS[z])
        for part in parts(one):
            rest = part if without is None else part.difference(without)
            if not rest.is_empty:
                yield Drawn("rivers", flat(rest), about, first)


def regional(boundaries: dict[str, Any]) -> Iterator[Drawn]:
    """County and state lines, and the counties' names: `[name, longitude, latitude]`."""
    for kind, first in (("state", 3), ("county", 6)):
        for part in whole_parts(shape(boundaries[kind])):
            yield Drawn("borders", flat(part), {"kind": kind}, first)
    for name, lon, lat in boundaries["countyNames"]:
        yield Drawn("counties", flat(Point(lon, lat)), {"name": name}, 6)


def towns(path: Path, region: list[tuple[str, float, float, int]]) -> Iterator[Drawn]:
    """The world's of 1,000 people and more, and those of the region that it lacks."""
    with gzip.open(path, "rt", encoding="utf-8") as file:
        rows = [
            (r["name"], float(r["latitude_deg"]), float(r["longitude_deg"]), int(r["population"]))
            for r in csv.DictReader(file)
        ]
    rows = [row for row in rows if not is_wrong(*row[:3])]
    known = defaultdict(list)
    for name, lat, lon, _ in rows:
        known[name].append((lat, lon))
    for name, lon, lat, population in region:
        is_there = any(abs(lat - a) < 0.1 and abs(lon - b) < 0.1 for a, b in known[name])
        if not is_there and not is_wrong(name, lat, lon):
            rows.append((name, lat, lon, int(population or 0)))
    for name, lat, lon, population in sorted(rows, key=lambda r: (-r[3], r[0], r[1], r[2])):
        first = next(z for z in ZOOMS if population >= TOWNS[z])
        about = {"name": name, "population": int(float(f"{population:.1e}"))}  # two digits
        yield Drawn("towns", flat(Point(lon, lat)), about, first)


def is_wrong(name: str, latitude_deg: float, longitude_deg: float) -> bool:
    away = max(abs(latitude_deg - WRONG_TOWN[1]), abs(longitude_deg - WRONG_TOWN[2]))
    return name == WRONG_TOWN[0] and away < 0.1


def closed(line: LineString) -> LineString:
    """A coast whose ends nearly meet is whole; one that nearly reaches 180° reaches it."""
    places = [(math.copysign(180.0, x) if abs(x) > 179.998 else x, y) for x, y in line.coords]
    if places[0] != places[-1] and math.dist(places[0], places[-1]) < 0.05:
        places.append(places[0])
    return LineString(places)


def land(coasts: list[LineString]) -> list[Polygon]:
    """Faces between the coasts: crossing one leads from sea to land or back, beginning in the open sea."""
    edge = box(-180, -90, 180, 90).boundary
    faces = list(polygonize(unary_union([*coasts, edge])))
    tree = STRtree(faces)
    beside: dict[int, set[int]] = defaultdict(set)
    for line in coasts:
        places = np.array(line.coords)
        along = np.diff(places, axis=0)
        length = np.hypot(along[:, 0], along[:, 1])
        middles = (places[1:] + places[:-1]) / 2
        for n in np.linspace(0, len(along) - 1, min(len(along), 12)).astype(int):
            if length[n] == 0:
                continue
            off = np.array([along[n, 1], -along[n, 0]]) / length[n] * 1e-5
            right, left = (tree.query(Point(middles[n] + side * off), "within") for side in (1, -1))
            if len(right) == len(left) == 1 and right[0] != left[0]:
                beside[int(right[0])].add(int(left[0]))
                beside[int(left[0])].add(int(right[0]))
    sea = int(tree.query(OPEN_SEA, "within")[0])
    is_land, waiting = {sea: False}, [sea]
    while waiting:
        face = waiting.pop()
        for other in beside[face] - is_land.keys():
            is_land[other] = not is_land[face]
            waiting.append(other)
    return [face for n, face in enumerate(faces) if is_land.get(n, False)]


def joined(faces: list[BaseGeometry]) -> Iterable[Any]:
    """Land is whole across 180°: no shore runs along the edge of the square."""
    beyond = [translate(face, turn) for face in faces for turn in (-1, 1)]
    near = [face for face in beyond if face.bounds[0] < 1.01 and face.bounds[2] > -0.01]
    whole = unary_union([*faces, *near])
    return [p for p in whole_parts(whole) if p.bounds[0] < 1 and p.bounds[2] > 0]


def tiles(drawn: list[Drawn]) -> Iterator[tuple[int, int, int, bytes]]:
    for z in ZOOMS:
        # a quarter of a pixel of the 512 that a tile is shown on; the last zoom keeps all points
        tolerance = 0 if z == ZOOMS[-1] else 1 / (1 << z) / 2048
        here = [one for one in drawn if one.from_zoom <= z]
        shapes = [
            one.shape.simplify(tolerance, preserve_topology=True) if tolerance else one.shape
            for one in here
        ]
        tree = STRtree(shapes)
        for x in range(1 << z):
            for y in range(1 << z):
                body = tile(z, x, y, here, shapes, tree)
                if body is not None:
                    yield z, x, y, body


def tile(
    z: int, x: int, y: int, drawn: list[Drawn], shapes: list[BaseGeometry], tree: STRtree
) -> bytes | None:
    size = 1 / (1 << z)
    edge = size * BUFFER / EXTENT
    west, north = x * size, y * size
    frame = (west - edge, north - edge, west + size + edge, north + size + edge)
    layers: dict[str, list[dict[str, Any]]] = {}
    for n in sorted(tree.query(box(*frame))):
        one = drawn[n]
        if isinstance(shapes[n], Point):
            inside = west <= shapes[n].x < west + size and north <= shapes[n].y < north + size
            cut: BaseGeometry = shapes[n] if inside else Point()
        else:
            cut = alike(shapely.clip_by_rect(shapes[n], *frame), shapes[n])
        if not cut.is_empty:
            feature = {"geometry": cut, "properties": one.properties}
            layers.setdefault(one.layer, []).append(feature)
    if not layers:
        return None
    options = {
        "quantize_bounds": (west, north, west + size, north + size),
        "extents": EXTENT,
        "y_coord_down": True,
    }
    return bytes(
        mapbox_vector_tile.encode(
            [{"name": name, "features": features} for name, features in layers.items()],
            default_options=options,
        )
    )


def write(path: Path, drawn: list[Drawn]) -> None:
    ready = sorted((zxy_to_tileid(z, x, y), body) for z, x, y, body in tiles(drawn))
    with path.open("wb") as file:
        writer = Writer(file)
        for number, body in ready:
            writer.write_tile(number, gzip.compress(body, 9, mtime=0))
        head = {
            "tile_type": TileType.MVT,
            "tile_compression": Compression.GZIP,
            "min_lon_e7": int(-180e7),
            "min_lat_e7": int(-85.05e7),
            "max_lon_e7": int(180e7),
            "max_lat_e7": int(85.05e7),
            "min_zoom": ZOOMS.start,
            "max_zoom": ZOOMS[-1],
        }
        about = {"name": "World", "attribution": CREDIT, "vector_layers": LAYERS}
        writer.finalize(head, about)


LAYERS = [
    {"id": "land", "fields": {}},
    {"id": "lakes", "fields": {"name": "String"}},
    {"id": "rivers", "fields": {"name": "String"}},
    {"id": "borders", "fields": {"kind": "country, state or county"}},
    {"id": "railways", "fields": {}},
    {"id": "counties", "fields": {"name": "String"}},
    {"id": "towns", "fields": {"name": "String", "population": "Number"}},
]


def alike(cut: BaseGeometry, whole: BaseGeometry) -> BaseGeometry:
    """Cutting leaves lines of what only touches: of areas the areas alone are kept."""
    if cut.geom_type != "GeometryCollection":
        return cut
    kept = [
        part
        for part in whole_parts(cut)
        if whole.geom_type.endswith(part.geom_type.removeprefix("Multi"))
    ]
    return unary_union(kept)


def packed(path: Path) -> list[dict[str, Any]]:
    features: list[dict[str, Any]] = json.loads(gzip.decompress(path.read_bytes()))["features"]
    return features


def plain(path: Path) -> list[dict[str, Any]]:
    features: list[dict[str, Any]] = json.loads(path.read_bytes())["features"]
    return features


def name_of(feature: dict[str, Any]) -> str:
    return str(feature["properties"].get("name") or "")


def parts(feature: dict[str, Any]) -> Iterable[Any]:
    return whole_parts(shape(feature["geometry"]))


def whole_parts(whole: BaseGeometry) -> list[Any]:
    return list(getattr(whole, "geoms", [whole]))


def flat(degrees: BaseGeometry) -> BaseGeometry:
    """Spherical Mercator (EPSG:3857) as a square of 0 to 1, from the north-west."""

    def project(places: Any) -> Any:
        lat = np.radians(np.clip(places[:, 1], -85.06, 85.06))
        y = (1 - np.arcsinh(np.tan(lat)) / math.pi) / 2
        return np.stack([(places[:, 0] + 180) / 360, y], axis=1)

    made = shapely.transform(degrees, project)
    return alike(shapely.make_valid(made), made)


if __name__ == "__main__":
    write(WORLD_MAP, read(Path(sys.argv[1])))
    sys.stdout.write(f"{WORLD_MAP}: {WORLD_MAP.stat().st_size:,} bytes\n")
