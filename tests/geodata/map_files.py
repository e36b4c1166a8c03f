"""Small map files made for tests: each tile a square of one colour that tells its zoom."""

from __future__ import annotations

import sqlite3
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path

from pmtiles.tile import Compression, TileType, zxy_to_tileid
from pmtiles.writer import Writer

from server.geodata.tiles import Bounds, tile_at

ATTRIBUTION = '<a href="https://example.org/">&copy; Invented Survey</a> 2026'
PLAIN_ATTRIBUTION = "© Invented Survey 2026"
JPEG = b"\xff\xd8\xff\xe0 not a whole picture"
TILE_PX = 256


def png(red: int, green: int, blue: int, size: int = TILE_PX) -> bytes:
    """A whole PNG of one colour (PNG specification, third edition)."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    head = struct.pack(">IIBBBBB", size, size, 8, 2, 0, 0, 0)
    rows = (b"\0" + bytes((red, green, blue)) * size) * size
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(rows))
        + chunk(b"IEND", b"")
    )


def addresses(bounds: Bounds, zooms: range) -> Iterator[tuple[int, int, int]]:
    west, south, east, north = bounds
    for z in zooms:
        left, top = tile_at(north, west, z)
        right, bottom = tile_at(south, east, z)
        yield from ((z, x, y) for x in range(left, right + 1) for y in range(top, bottom + 1))


def mbtiles(
    path: Path, area: Bounds, zooms: range, image: bytes | None = None, **metadata: str | None
) -> Path:
    """Keys of the metadata given as None are left out."""
    west, south, east, north = area
    about = {
        "name": "Invented sheet",
        "format": "png",
        "attribution": ATTRIBUTION,
        "bounds": f"{west},{south},{east},{north}",
        **metadata,
    }
    data = sqlite3.connect(path)
    data.execute("CREATE TABLE metadata (name text, value text)")
    data.execute(
        "CREATE TABLE tiles (zoom_level int, tile_column int, tile_row int, tile_data blob)"
    )
    data.execute("CREATE UNIQUE INDEX at ON tiles (zoom_level, tile_column, tile_row)")
    rows = [(key, value) for key, value in about.items() if value is not None]
    data.executemany("INSERT INTO metadata VALUES (?, ?)", rows)
    data.executemany(
        "INSERT INTO tiles VALUES (?, ?, ?, ?)",
        [
            (z, x, (1 << z) - 1 - y, image or png(200, 220, 10 * z))
            for z, x, y in addresses(area, zooms)
        ],
    )
    data.commit()
    data.close()
    return path


def pmtiles(
    path: Path,
    bounds: Bounds,
    zooms: range,
    *,
    kind: TileType = TileType.PNG,
    attribution: str = ATTRIBUTION,
) -> Path:
    """Written by the format's own library."""
    west, south, east, north = bounds
    with path.open("wb") as file:
        writer = Writer(file)
        for z, x, y in sorted(addresses(bounds, zooms), key=lambda at: zxy_to_tileid(*at)):
            # each differs in length too, so that directories do not pack into nothing; what
            # follows a picture's end is passed over
            tail = b"\0" * ((x * 7919 + y * 104_729) % 997)
            writer.write_tile(zxy_to_tileid(z, x, y), png(x % 256, y % 256, 10 * z, 8) + tail)
        writer.finalize(
            {
                "tile_type": kind,
                "tile_compression": Compression.NONE,
                "min_lon_e7": int(west * 1e7),
                "min_lat_e7": int(south * 1e7),
                "max_lon_e7": int(east * 1e7),
                "max_lat_e7": int(north * 1e7),
                "min_zoom": zooms.start,
                "max_zoom": zooms.stop - 1,
            },
            {"name": "Invented archive", "attribution": attribution},
        )
    return path
