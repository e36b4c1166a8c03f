"""What lies under the flight: the crew's own maps, heights of the ground, and codes for a phone."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from fastapi import FastAPI, Query
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from decoders.pictures import media_type
from server.geodata import vector_tiles
from server.geodata.basemap import Basemap
from server.geodata.tiles import MOST_ZOOM, BasemapError, TileFile
from server.geodata.world import WORLD_MAP, open_world
from server.screen.codes import qr_svg
from server.screen.replies import json_reply

Terrain = Callable[[float, float], float | None]  # latitude, longitude in degrees -> metres
Latitude = Annotated[float, Query(ge=-90, le=90, allow_inf_nan=False)]
Longitude = Annotated[float, Query(ge=-180, le=180, allow_inf_nan=False)]

VECTOR_TILE = "application/vnd.mapbox-vector-tile"
KEPT = {"Cache-Control": "private, max-age=86400"}  # a file's key changes when the file does


def add_maps(app: FastAPI, basemap: Basemap, terrain: Terrain | None) -> None:
    world = open_world()
    world_key = f"world-{WORLD_MAP.stat().st_mtime_ns:x}"

    @app.get("/api/setup")
    def setup() -> Response:
        return json_reply(_setup(basemap, terrain) | {"world": _sheet(world_key, world)})

    @app.get("/tiles/{key}/{z}/{x}/{y}")
    def tile(key: str, z: int, x: int, y: int) -> Response:
        file = world if key == world_key else basemap.tiles.get(key)
        if file is None:
            raise HTTPException(404, "There is no such map.")
        if not 0 <= z <= MOST_ZOOM or not (0 <= x < 1 << z and 0 <= y < 1 << z):
            raise HTTPException(404, "There is no such tile.")
        try:
            image = file.tile(z, x, y)
        except BasemapError as error:
            raise HTTPException(500, str(error)) from None
        if file.info.schema is not None and image is not None:
            return _vector(image)
        kind = None if image is None else media_type(image)
        if kind is None:  # a hole in the map is no error: nothing is drawn there
            return Response(status_code=204, headers=KEPT)
        return Response(image, media_type=kind, headers=KEPT)

    @app.get("/layers/{key}")
    def layer(key: str) -> Response:
        found = basemap.layers.get(key)
        if found is None:
            raise HTTPException(404, "There is no such layer.")
        return Response(found.body, media_type="application/geo+json")

    @app.get("/api/terrain")
    def height(lat: Latitude, lon: Longitude) -> Response:
        """Height of the ground in metres above mean sea level; null where none is known."""
        return json_reply({"altitude_m": None if terrain is None else terrain(lat, lon)})

    @app.get("/api/qr.svg")
    def qr(lat: Latitude, lon: Longitude) -> Response:
        """A place as a QR code (ISO/IEC 18004) of its geo: address (RFC 5870)."""
        svg = qr_svg(f"geo:{lat:.6f},{lon:.6f}")
        return Response(svg, media_type="image/svg+xml", headers=KEPT)


def _vector(tile: bytes) -> Response:
    """A vector tile as it was stored. What is broken, or too large when unpacked, is not sent: 422."""
    try:
        vector_tiles.unpacked(tile)
    except ValueError as error:
        raise HTTPException(422, f"This tile cannot be read: {error}.") from None
    packed = {"Content-Encoding": "gzip"} if tile.startswith(b"\x1f\x8b") else {}
    return Response(tile, media_type=VECTOR_TILE, headers=KEPT | packed)


def _setup(basemap: Basemap, terrain: Terrain | None) -> dict[str, Any]:
    """What the page asks once: which maps there are, and whether the ground has heights."""
    online = basemap.online
    return {
        "terrain": terrain is not None,
        "tiles": [_sheet(key, file) for key, file in basemap.tiles.items()],
        "layers": [
            {"key": key, "name": layer.name, "attribution": layer.attribution}
            for key, layer in basemap.layers.items()
        ],
        "online": None
        if online is None
        else {
            "template": online.template,
            "attribution": online.attribution,
            "max_zoom": online.max_zoom,
        },
    }


def _sheet(key: str, file: TileFile) -> dict[str, Any]:
    info = file.info
    return {
        "key": key,
        "name": info.name,
        "attribution": info.attribution,
        "min_zoom": info.min_zoom,
        "max_zoom": info.max_zoom,
        "bounds": info.bounds,
        "imagery": info.imagery,
        "schema": info.schema,
    }
