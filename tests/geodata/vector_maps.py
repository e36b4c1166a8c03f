"""Vector maps of a real valley for the tests, in both schemas in which open extracts are handed out.

OpenMapTiles by Debian's tilemaker with its own example; Protomaps' basemap (versions 3 and 4, as its
documentation lists layers and attributes) by mapbox-vector-tile, of the same OpenStreetMap extract.
"""

from __future__ import annotations

import gzip
import json
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import mapbox_vector_tile
import osmium
import pytest
import shapely
from pmtiles.tile import Compression, TileType, zxy_to_tileid
from pmtiles.writer import Writer
from shapely import STRtree
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from server.geodata.tiles import Bounds, tile_at
from tests.geodata.make_world import flat
from tests.machine import require

BOX: Bounds = (9.471, 47.048, 9.636, 47.271)
VADUZ = (47.141, 9.522)
CREDIT = "© OpenStreetMap contributors"
_EXTRACT = Path(__file__).parents[2] / "replay_logs/valley.osm.pbf"
_EXAMPLES = Path("/usr/share/doc/tilemaker/examples")


def openmaptiles(folder: Path, max_zoom: int = 14) -> Path:
    """Made by tilemaker in some seconds; without the shapes of oceans, which its example asks for."""
    program = require("tilemaker")
    if not _EXAMPLES.is_dir():
        pytest.skip(f"{_EXAMPLES} is not there: this machine keeps no documentation")
    config = json.loads(_text("config-openmaptiles.json"))
    config["layers"] = {k: v for k, v in config["layers"].items() if "source" not in v}
    config["settings"] |= {"bounding_box": list(BOX), "maxzoom": max_zoom, "basezoom": max_zoom}
    (folder / "config.json").write_text(json.dumps(config))
    (folder / "process.lua").write_text(_text("process-openmaptiles.lua"))
    path = folder / "valley.mbtiles"
    asked = ["--input", _EXTRACT, "--output", path, "--config", folder / "config.json"]
    asked += ["--process", folder / "process.lua"]
    subprocess.run(
        [program, *map(str, asked)], check=True, capture_output=True, timeout=300, cwd=folder
    )
    return path


def _text(name: str) -> str:
    plain = _EXAMPLES / name
    if plain.is_file():
        return plain.read_text()
    return gzip.decompress((_EXAMPLES / f"{name}.gz").read_bytes()).decode()


Row = tuple[
    str, BaseGeometry, dict[str, Any], int
]  # layer, Mercator's square, attributes, min_zoom

_KINDS = {
    "motorway": ("highway", 3), "trunk": ("major_road", 6), "primary": ("major_road", 7),
    "secondary": ("major_road", 9), "tertiary": ("major_road", 9), "unclassified": ("minor_road", 12),
    "residential": ("minor_road", 12), "service": ("minor_road", 13), "track": ("path", 13),
    "path": ("path", 14), "footway": ("path", 14),
}  # fmt: skip


def features(old: bool) -> Iterator[Row]:
    """The extract in the words of Protomaps' basemap, of version 4 or of the older one."""
    kind, detail = ("pmap:kind", "pmap:kind_detail") if old else ("kind", "kind_detail")
    yield "earth", flat(box(*BOX)), {kind: "earth"}, 0
    for one in osmium.FileProcessor(str(_EXTRACT)).with_locations().with_areas():
        tags = dict(one.tags)
        name = {"name": tags["name"]} if "name" in tags else {}
        if isinstance(one, osmium.osm.Node) and "place" in tags:
            size = {"village": "village", "town": "town", "hamlet": "hamlet"}.get(tags["place"])
            about = {kind: "locality" if size else "neighbourhood", detail: size or tags["place"]}
            people = {"population": int(tags["population"])} if "population" in tags else {}
            at = Point(one.location.lon, one.location.lat)
            yield "places", flat(at), about | name | people, 7 if size else 12
        elif isinstance(one, osmium.osm.Way):
            line = _line(one)
            if line is None:
                continue
            if tags.get("highway") in _KINDS:
                group, least = _KINDS[tags["highway"]]
                about = {kind: group, detail: tags["highway"], **name}
                if "ref" in tags:
                    about |= {"ref": tags["ref"]} if old else {"shield_text": tags["ref"]}
                yield "roads", flat(line), about, least
            elif tags.get("railway") == "rail":
                layer = "transit" if old else "roads"
                yield layer, flat(line), {kind: "rail"}, 10
            elif "waterway" in tags:
                layer = "physical_line" if old else "water"
                yield layer, flat(line), {kind: tags["waterway"], **name}, 9
        elif isinstance(one, osmium.osm.Area):
            yield from _area(one, tags, kind)


def _line(way: Any) -> LineString | None:
    places = [(n.lon, n.lat) for n in way.nodes if n.location.valid()]
    return LineString(places) if len(places) > 1 else None


def _area(one: Any, tags: dict[str, str], kind: str) -> Iterator[Row]:
    if "building" in tags:
        layer, about, least = "buildings", {kind: "building"}, 13
    elif tags.get("natural") == "water":
        layer, about, least = "water", {kind: "water"}, 9
    elif tags.get("landuse") in ("forest", "residential", "farmland", "meadow"):
        layer, about, least = "landuse", {kind: tags["landuse"]}, 9
    else:
        return
    for outer in one.outer_rings():
        ring = [(n.lon, n.lat) for n in outer]
        holes = [[(n.lon, n.lat) for n in inner] for inner in one.inner_rings(outer)]
        if len(ring) > 3:
            yield layer, flat(Polygon(ring, holes)), about, least


def protomaps(path: Path, zooms: range, *, old: bool = False, packed: bool = True) -> Path:
    """PMTiles with the tiles of the valley; `packed`: with gzip, else as they are."""
    rows = list(features(old))
    tree = STRtree([shape for _, shape, _, _ in rows])
    west, south, east, north = BOX
    tiles = []
    for z in zooms:
        left, top = tile_at(north, west, z)
        right, bottom = tile_at(south, east, z)
        for x in range(left, right + 1):
            for y in range(top, bottom + 1):
                body = _tile(z, x, y, rows, tree)
                tiles.append((zxy_to_tileid(z, x, y), body))
    with path.open("wb") as file:
        writer = Writer(file)
        for number, body in sorted(tiles):
            writer.write_tile(number, gzip.compress(body, mtime=0) if packed else body)
        head = {
            "tile_type": TileType.MVT,
            "tile_compression": Compression.GZIP if packed else Compression.NONE,
            "min_lon_e7": int(west * 1e7), "min_lat_e7": int(south * 1e7),
            "max_lon_e7": int(east * 1e7), "max_lat_e7": int(north * 1e7),
            "min_zoom": zooms.start, "max_zoom": zooms.stop - 1,
        }  # fmt: skip
        writer.finalize(head, {"name": "Valley", "attribution": CREDIT})
    return path


def _tile(z: int, x: int, y: int, rows: list[Row], tree: STRtree) -> bytes:
    size = 1 / (1 << z)
    frame = (x * size, y * size, (x + 1) * size, (y + 1) * size)
    edge = size / 64
    wide = (frame[0] - edge, frame[1] - edge, frame[2] + edge, frame[3] + edge)
    layers: dict[str, list[dict[str, Any]]] = {}
    for n in sorted(tree.query(box(*wide))):
        layer, shape, about, least = rows[n]
        cut = shapely.clip_by_rect(shape, *wide) if z >= least - 1 else Point()
        if not cut.is_empty and cut.geom_type != "GeometryCollection":
            told = {"geometry": cut, "properties": about | {"min_zoom": least}}
            layers.setdefault(layer, []).append(told)
    options = {"quantize_bounds": frame, "extents": 4096, "y_coord_down": True}
    written = [{"name": name, "features": found} for name, found in layers.items()]
    return bytes(mapbox_vector_tile.encode(written, default_options=options))
