"""Heights of the ground: the SRTM tiles of a region, packed by gzip on the server, plain in the pack."""

from __future__ import annotations

import gzip
import zlib
from pathlib import Path

from server.geodata.terrain import HGT_SIDES
from server.outlook.pack.part_file import forget, room_for
from server.outlook.pack.region import Region
from server.outlook.pack.transfer import NotThere, Progress, Transfer, TransferError

MOST_BYTES = 60_000_000  # of a packed tile: more is no tile
_CHUNK = 1 << 20


def tile_names(region: Region) -> list[str]:
    """As N38W099, of the one-degree cells that the region touches."""
    return [
        f"{'N' if lat >= 0 else 'S'}{abs(lat):02.0f}{'E' if lon >= 0 else 'W'}{abs(lon):03.0f}"
        for lat, lon in region.cells()
    ]


def tile_url(address: str, name: str) -> str:
    """`address` holds {tile} for N38W099, and {row} for N38 where folders are by row."""
    return address.replace("{tile}", name).replace("{row}", name[:3])


def fetch_tile(
    transfer: Transfer, address: str, name: str, folder: Path, progress: Progress
) -> bool:
    """Into `folder`/NAME.hgt, which appears whole or not at all; False: the service has no such tile.

    TransferError, NoRoom.
    """
    url, part = tile_url(address, name), folder / f"{name}.part"
    try:
        transfer.whole(url, part, MOST_BYTES, progress)
    except NotThere:
        forget(part)
        return False
    fresh, into = folder / f"{name}.new", folder / f"{name}.hgt"
    try:
        with room_for(fresh):
            _unpack(part, fresh)
    except (gzip.BadGzipFile, EOFError, zlib.error, ValueError) as error:
        fresh.unlink(missing_ok=True)
        forget(part)
        raise TransferError(f"{url}: a height tile expected: {error}") from error
    fresh.replace(into)
    forget(part)
    return True


def _unpack(part: Path, fresh: Path) -> None:
    """gzip holds a checksum of its own; the length is that of a tile, or ValueError."""
    with part.open("rb") as file:
        packed = file.read(2) == b"\x1f\x8b"
    if not packed and part.stat().st_size not in HGT_SIDES:
        with part.open("rb") as file:
            begins = file.read(40)
        raise ValueError(f"gzip expected, it begins with {begins!r}")
    size = 0
    with gzip.open(part) if packed else part.open("rb") as source, fresh.open("wb") as target:
        while piece := source.read(_CHUNK):
            size += len(piece)
            if size > max(HGT_SIDES):
                break
            target.write(piece)
    if size not in HGT_SIDES:
        raise ValueError(f"{' or '.join(f'{n:,}' for n in HGT_SIDES)} bytes expected, not {size:,}")
