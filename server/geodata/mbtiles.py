"""MBTiles 1.3: tiles in one SQLite file. Its rows count from the south (TMS)."""

from __future__ import annotations

import contextlib
import json
import sqlite3
import threading
from pathlib import Path

from decoders.pictures import media_type
from server.geodata import vector_tiles
from server.geodata.tiles import (
    MOST_ZOOM,
    WORLD,
    BasemapError,
    Bounds,
    TileInfo,
    checked_bounds,
    corner,
    plain_text,
)
from server.geodata.vector_tiles import Schema

# what the module lets out on broken pages: texts that are none, columns of another kind
_BROKEN = (sqlite3.Error, OverflowError, TypeError, ValueError)


class MBTiles:
    """An open file, never written to. Raises BasemapError when it cannot be used."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.Lock()
        if not path.is_file():
            raise BasemapError(f"{path}: there is no such file")
        # immutable: no lock and no side files, so that a read-only folder will do
        address = f"{path.resolve().as_uri()}?mode=ro&immutable=1"
        try:
            self._data = sqlite3.connect(address, uri=True, check_same_thread=False)
        except sqlite3.Error as error:
            raise BasemapError(f"{path}: cannot be opened: {error}") from error
        self._data.text_factory = lambda text: text.decode("utf-8", "replace")
        try:
            self.info = self._read_info()
        except BasemapError:
            self.close()
            raise
        except _BROKEN as error:
            self.close()
            raise BasemapError(f"{path}: not an MBTiles file: {error}") from error

    def tile(self, z: int, x: int, y: int) -> bytes | None:
        query = "SELECT tile_data FROM tiles WHERE zoom_level=? AND tile_column=? AND tile_row=?"
        try:
            with self._lock:
                row = self._data.execute(query, (z, x, (1 << z) - 1 - y)).fetchone()
        except _BROKEN as error:
            raise BasemapError(f"{self._path}: tile {z}/{x}/{y}: {error}") from error
        return row[0] if row is not None and isinstance(row[0], bytes) else None

    def close(self) -> None:
        self._data.close()

    def _read_info(self) -> TileInfo:
        about = {str(k): v for k, v in self._data.execute("SELECT name, value FROM metadata")}
        low, high = self._data.execute(
            "SELECT min(zoom_level), max(zoom_level) FROM tiles"
        ).fetchone()
        if not (isinstance(low, int) and isinstance(high, int)):
            raise BasemapError(f"{self._path}: it holds no tiles")
        if not 0 <= low <= high <= MOST_ZOOM:
            raise BasemapError(
                f"{self._path}: zooms 0 to {MOST_ZOOM} expected, not {low} to {high}"
            )
        (sample,) = self._data.execute("SELECT tile_data FROM tiles LIMIT 1").fetchone()
        kind = media_type(sample) if isinstance(sample, bytes) else None
        schema = None
        if kind is None:
            if about.get("format") != "pbf" or not isinstance(sample, bytes):
                raise BasemapError(
                    f"{self._path}: tiles of a kind that is not drawn; PNG, JPEG, WebP or vector "
                    "tiles (format pbf) are needed"
                )
            schema = self._schema(about.get("json"), sample)
        return TileInfo(
            name=plain_text(about.get("name")) or self._path.stem,
            attribution=plain_text(about.get("attribution")) or vector_tiles.credit_of(schema),
            min_zoom=low,
            max_zoom=high,
            bounds=self._bounds(about.get("bounds"), high),
            imagery=kind == "image/jpeg",
            schema=schema,
        )

    def _schema(self, text: object, sample: bytes) -> Schema:
        listed = None
        with contextlib.suppress(ValueError, RecursionError):
            listed = json.loads(str(text))
        try:
            return vector_tiles.find_schema(listed, lambda: sample)
        except ValueError as error:
            raise BasemapError(f"{self._path}: {error}") from None

    def _bounds(self, text: object, z: int) -> Bounds:
        """As the file says; where it does not, the tiles of the last zoom tell."""
        with contextlib.suppress(ValueError):
            found = checked_bounds([float(part) for part in str(text).split(",")])
            if found is not None:
                return found
        query = (
            "SELECT min(tile_column), max(tile_column), min(tile_row), max(tile_row) "
            "FROM tiles WHERE zoom_level=?"
        )
        left, right, bottom, top = self._data.execute(query, (z,)).fetchone()
        last = (1 << z) - 1
        north, west = corner(left, last - top, z)
        south, east = corner(right + 1, last - bottom + 1, z)
        return checked_bounds([west, south, east, north]) or WORLD
