"""PMTiles version 3: tiles in one file with directories in it. Directories are read once and kept;

the library that parses them would read them again for each tile (5.7 ms)."""

from __future__ import annotations

import gzip
import json
import os
import threading
import zlib
from collections import OrderedDict
from pathlib import Path
from typing import Any

from pmtiles.tile import (
    Compression,
    MagicNumberNotFound,
    SpecVersionUnsupported,
    TileType,
    deserialize_directory,
    deserialize_header,
    find_tile,
    zxy_to_tileid,
)

from server.geodata import vector_tiles
from server.geodata.tiles import (
    MOST_ZOOM,
    WORLD,
    BasemapError,
    TileInfo,
    checked_bounds,
    plain_text,
)

HEADER_BYTES = 127
DEEPEST = 4  # root and three levels of leaves, as the specification says
MOST_BYTES = 64_000_000  # of one directory or tile: more is a broken length
KEPT_DIRECTORIES = 256

# what the library lets out on broken bytes
_BROKEN = (
    EOFError,
    IndexError,
    MemoryError,
    OSError,
    OverflowError,
    RecursionError,
    ValueError,
    zlib.error,
    MagicNumberNotFound,
    SpecVersionUnsupported,
)


class PMTiles:
    """An open file, read with positions of its own, so that threads may share it."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.Lock()
        self._directories: OrderedDict[tuple[int, int], list[Any]] = OrderedDict()
        try:
            self._file = os.open(path, os.O_RDONLY)
        except OSError as error:
            raise BasemapError(f"{path}: cannot be opened: {error.strerror}") from error
        try:
            self._header = deserialize_header(self._bytes(0, HEADER_BYTES))
            self.info = self._read_info()
            self._directory(self._header["root_offset"], self._header["root_length"])
        except BasemapError:
            self.close()
            raise
        except _BROKEN as error:
            self.close()
            raise BasemapError(f"{path}: not a PMTiles 3 file, or cut short: {error!r}") from error

    def tile(self, z: int, x: int, y: int) -> bytes | None:
        try:
            return self._find(zxy_to_tileid(z, x, y))
        except _BROKEN as error:
            raise BasemapError(f"{self._path}: tile {z}/{x}/{y}: {error!r}") from error

    def close(self) -> None:
        os.close(self._file)

    def _find(self, number: int) -> bytes | None:
        head = self._header
        offset, length = head["root_offset"], head["root_length"]
        for _ in range(DEEPEST):
            entry = find_tile(self._directory(offset, length), number)
            if entry is None:
                return None
            if entry.run_length > 0:
                tile = self._bytes(head["tile_data_offset"] + entry.offset, entry.length)
                packed = head["tile_compression"] == Compression.GZIP
                if packed and self.info.schema is None:
                    return vector_tiles.unpacked(tile, MOST_BYTES)
                return tile
            offset, length = head["leaf_directory_offset"] + entry.offset, entry.length
        raise ValueError("directories lie too deep")

    def _directory(self, offset: int, length: int) -> list[Any]:
        with self._lock:
            known = self._directories.get((offset, length))
            if known is not None:
                self._directories.move_to_end((offset, length))
                return known
        packed = self._bytes(offset, length)
        if self._header["internal_compression"] == Compression.NONE:
            packed = gzip.compress(packed, 0)  # the library takes them in this form alone
        entries = deserialize_directory(packed)
        with self._lock:
            self._directories[offset, length] = entries
            while len(self._directories) > KEPT_DIRECTORIES:
                self._directories.popitem(last=False)
        return entries

    def _bytes(self, offset: int, length: int) -> bytes:
        if length > MOST_BYTES:
            raise ValueError(f"a length of {length:,} bytes")
        found = os.pread(self._file, length, offset)
        if len(found) < length:
            raise EOFError(f"{length} bytes expected at {offset}, {len(found)} are there")
        return found

    def _read_info(self) -> TileInfo:
        head = self._header
        if head["internal_compression"] not in (Compression.NONE, Compression.GZIP):
            raise BasemapError(
                f"{self._path}: directories packed in a way that is not read (gzip is)"
            )
        if head["tile_type"] in (TileType.MLT, TileType.UNKNOWN):
            raise BasemapError(
                f"{self._path}: tiles of a kind that is not drawn; PNG, JPEG, WebP or Mapbox vector "
                "tiles are needed"
            )
        low, high = head["min_zoom"], head["max_zoom"]
        if not 0 <= low <= high <= MOST_ZOOM:
            raise BasemapError(
                f"{self._path}: zooms 0 to {MOST_ZOOM} expected, not {low} to {high}"
            )
        about = self._metadata()
        schema = None
        if head["tile_type"] == TileType.MVT:
            if head["tile_compression"] not in (Compression.NONE, Compression.GZIP):
                raise BasemapError(
                    f"{self._path}: tiles packed in a way that is not read (gzip is)"
                )
            try:
                schema = vector_tiles.find_schema(about, self._first_tile)
            except ValueError as error:
                raise BasemapError(f"{self._path}: {error}") from None
        box = [head[k] / 1e7 for k in ("min_lon_e7", "min_lat_e7", "max_lon_e7", "max_lat_e7")]
        return TileInfo(
            name=plain_text(about.get("name")) or self._path.stem,
            attribution=plain_text(about.get("attribution")) or vector_tiles.credit_of(schema),
            min_zoom=low,
            max_zoom=high,
            bounds=checked_bounds(box) or WORLD,
            imagery=head["tile_type"] == TileType.JPEG,
            schema=schema,
        )

    def _first_tile(self) -> bytes:
        head = self._header
        offset, length = head["root_offset"], head["root_length"]
        for _ in range(DEEPEST):
            first = self._directory(offset, length)[0]
            if first.run_length > 0:
                return self._bytes(head["tile_data_offset"] + first.offset, first.length)
            offset, length = head["leaf_directory_offset"] + first.offset, first.length
        raise ValueError("directories lie too deep")

    def _metadata(self) -> dict[str, Any]:
        head = self._header
        packed = self._bytes(head["metadata_offset"], head["metadata_length"])
        if head["internal_compression"] == Compression.GZIP and packed:
            packed = gzip.decompress(packed)
        about = json.loads(packed or b"{}")
        return about if isinstance(about, dict) else {}
