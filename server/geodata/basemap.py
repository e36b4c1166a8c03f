"""The maps that a crew brings: tile files, GeoJSON layers, and an address for when there is internet.

A file that cannot be used is a sentence in `problems`; the rest of the map is still there.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from server.geodata.mbtiles import MBTiles
from server.geodata.pmtiles import PMTiles
from server.geodata.tiles import BasemapError, Bounds, TileFile, plain_text, tile_at

MOST_LAYER_BYTES = 20_000_000
GRID = 16  # places in each direction at which an area's tiles are looked for
_DEPTH = {
    "Point": 1,
    "MultiPoint": 2,
    "LineString": 2,
    "MultiLineString": 3,
    "Polygon": 3,
    "MultiPolygon": 4,
}


@dataclass(frozen=True, slots=True)
class Layer:
    """Lines or areas of a crew: GeoJSON (RFC 7946), checked."""

    name: str
    attribution: str
    body: bytes


@dataclass(frozen=True, slots=True)
class Online:
    """Tiles of a server elsewhere, as `https://host/{z}/{x}/{y}.png`."""

    template: str
    attribution: str
    max_zoom: int

    @property
    def origin(self) -> str:
        """The one host that the page may then ask."""
        parts = urlsplit(self.template)
        return f"{parts.scheme}://{parts.netloc}"


@dataclass(frozen=True, slots=True)
class Coverage:
    """`whole_to`: the last zoom at which every place of the area has a tile; None if none has all.
    `best`: the last zoom with any tile there, and the share of the places that have one."""

    name: str
    whole_to: int | None
    best: tuple[int, float] | None


@dataclass
class Basemap:
    tiles: dict[str, TileFile] = field(default_factory=dict)  # by key, the lowest first
    layers: dict[str, Layer] = field(default_factory=dict)
    online: Online | None = None
    problems: list[str] = field(default_factory=list)

    def close(self) -> None:
        for file in self.tiles.values():
            file.close()

    def coverage(self, area: Bounds) -> list[Coverage]:
        """How each tile file covers an area (west, south, east, north)."""
        return [_coverage(file, area) for file in self.tiles.values()]


def open_basemap(
    folder: Path, files: Iterable[str], layers: Iterable[str] = (), online: Online | None = None
) -> Basemap:
    """Open what a plan names; paths are taken from `folder`. Never raises for a bad file."""
    found = Basemap(online=online)
    for n, name in enumerate(files):
        path = folder / name
        try:
            file = open_tiles(path)
        except BasemapError as error:
            found.problems.append(f"Map: {error}.")
        else:
            found.tiles[f"{n}-{path.stat().st_mtime_ns:x}"] = file
    for n, name in enumerate(layers):
        try:
            layer = read_layer(folder / name)
        except BasemapError as error:
            found.problems.append(f"Map layer: {error}.")
        else:
            found.layers[str(n)] = layer
    return found


def open_tiles(path: Path) -> TileFile:
    """An MBTiles or PMTiles file, told by its first bytes. Raises BasemapError."""
    try:
        with path.open("rb") as file:
            start = file.read(16)
    except OSError as error:
        raise BasemapError(f"{path}: cannot be opened: {error.strerror}") from error
    if start.startswith(b"PMTiles"):
        return PMTiles(path)
    if start.startswith(b"SQLite format 3"):
        return MBTiles(path)
    raise BasemapError(f"{path}: neither MBTiles nor PMTiles")


def read_layer(path: Path) -> Layer:
    """A GeoJSON file. Raises BasemapError."""
    try:
        if path.stat().st_size > MOST_LAYER_BYTES:
            raise BasemapError(f"{path}: above {MOST_LAYER_BYTES // 1_000_000} MB")
        data = json.loads(path.read_bytes())
    except OSError as error:
        raise BasemapError(f"{path}: cannot be read: {error.strerror}") from error
    except (ValueError, RecursionError) as error:
        raise BasemapError(f"{path}: not JSON: {error}") from error
    try:
        features = [_feature(one) for one in _features(data)]
    except (TypeError, ValueError) as error:
        raise BasemapError(f"{path}: not GeoJSON: {error}") from error
    body = json.dumps({"type": "FeatureCollection", "features": features}, separators=(",", ":"))
    return Layer(
        plain_text(data.get("name")) or path.stem,
        plain_text(data.get("attribution")),
        body.encode(),
    )


def _features(data: Any) -> Sequence[Any]:
    kind = data.get("type") if isinstance(data, dict) else None
    if kind == "FeatureCollection":
        features = data.get("features")
        if isinstance(features, list):
            return features
    if kind == "Feature":
        return [data]
    if kind in _DEPTH:
        return [{"type": "Feature", "properties": {}, "geometry": data}]
    raise ValueError(f"a FeatureCollection, Feature or geometry expected, not {kind!r}")


def _feature(one: Any) -> dict[str, Any]:
    """Only what is drawn: the name and the geometry."""
    geometry = one.get("geometry") if isinstance(one, dict) else None
    kind = geometry.get("type") if isinstance(geometry, dict) else None
    if not isinstance(geometry, dict) or kind not in _DEPTH:
        raise ValueError(f"a geometry with coordinates expected, not {kind!r}")
    coordinates = _checked(geometry.get("coordinates"), _DEPTH[kind])
    properties = one.get("properties")
    name = plain_text(properties.get("name"), 80) if isinstance(properties, dict) else ""
    shape = {"type": kind, "coordinates": coordinates}
    return {"type": "Feature", "properties": {"name": name}, "geometry": shape}


def _checked(part: Any, depth: int) -> Any:
    if not isinstance(part, list) or not part:
        raise ValueError(f"a list of coordinates expected, not {str(part)[:40]!r}")
    if depth > 1:
        return [_checked(inner, depth - 1) for inner in part]
    if len(part) < 2 or not all(isinstance(v, int | float) and math.isfinite(v) for v in part[:2]):
        raise ValueError(f"longitude and latitude expected, not {str(part)[:40]!r}")
    longitude_deg, latitude_deg = part[:2]
    if abs(longitude_deg) > 180 or abs(latitude_deg) > 90:
        raise ValueError(f"longitude and latitude in degrees expected, not {part[:2]}")
    return [longitude_deg, latitude_deg]


def _coverage(file: TileFile, area: Bounds) -> Coverage:
    west, south, east, north = area
    places = [
        (south + (north - south) * i / (GRID - 1), west + (east - west) * j / (GRID - 1))
        for i in range(GRID)
        for j in range(GRID)
    ]
    left, bottom, right, top = file.info.bounds  # beyond them the page shows nothing
    inside = [(lat, lon) for lat, lon in places if left <= lon <= right and bottom <= lat <= top]
    whole, best = None, None
    for z in range(file.info.min_zoom, file.info.max_zoom + 1):
        there = {at: file.tile(z, *at) is not None for at in {tile_at(*p, z) for p in inside}}
        share = sum(there[tile_at(*place, z)] for place in inside) / len(places)
        if share > 0:
            best = (z, share)
        if share == 1:
            whole = z
    return Coverage(file.info.name, whole, best)
