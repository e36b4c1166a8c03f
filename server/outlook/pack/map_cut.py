"""A region cut out of a remote PMTiles 3 file: its directories are read, then the tiles that are needed."""

from __future__ import annotations

import gzip
import json
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from pmtiles.tile import (
    Compression,
    Entry,
    MagicNumberNotFound,
    SpecVersionUnsupported,
    deserialize_directory,
    deserialize_header,
    tileid_to_zxy,
    zxy_to_tileid,
)
from pmtiles.writer import Writer

from server.geodata.pmtiles import DEEPEST, HEADER_BYTES, MOST_BYTES, PMTiles
from server.geodata.tiles import MOST_ZOOM, BasemapError, plain_text
from server.outlook.pack.part_file import forget, room_for
from server.outlook.pack.region import Region
from server.outlook.pack.transfer import Progress, Remote, Span, Transfer, TransferError

_GAP_BYTES = 16_384  # between two tiles: cheaper to fetch than to ask once more
_MOST_TILES = 2_000_000
_BROKEN = (
    EOFError,
    IndexError,
    KeyError,
    OverflowError,
    ValueError,
    zlib.error,
    MagicNumberNotFound,
    SpecVersionUnsupported,
)
Ids = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Cut:
    """What has to be fetched: spans of the remote file, and which tiles lie in them."""

    remote: Remote
    header: dict[str, Any]
    about: dict[str, Any]
    entries: tuple[Entry, ...]  # of the region alone, rising, each a run of equal tiles
    spans: tuple[Span, ...]

    @property
    def bytes(self) -> int:
        return sum(length for _, length in self.spans)

    @property
    def attribution(self) -> str:
        return plain_text(self.about.get("attribution"))


def plan_cut(transfer: Transfer, url: str, region: Region, most_zoom: int) -> Cut:
    """Read the directories. TransferError when it is no PMTiles 3 file or holds nothing of the region."""
    remote = transfer.look(url)
    if remote.length < HEADER_BYTES:
        raise TransferError(f"{url}: a PMTiles 3 file expected, {remote.length} bytes are there")
    try:
        head: dict[str, Any] = dict(deserialize_header(transfer.part(remote, (0, HEADER_BYTES))))
        low, high = head["min_zoom"], min(head["max_zoom"], most_zoom)
        if not 0 <= low <= head["max_zoom"] <= MOST_ZOOM:
            raise ValueError(f"zooms {low} to {head['max_zoom']}")
        packed_as = head["internal_compression"]
        if packed_as not in (Compression.NONE, Compression.GZIP):
            raise TransferError(f"{url}: directories in gzip expected")
        wanted = _wanted(region, range(low, high + 1), url)
        entries = tuple(
            sorted(_found(transfer, remote, head, wanted), key=lambda entry: entry.tile_id)
        )
        about = json.loads(_unpacked(_part(transfer, remote, head, "metadata"), packed_as) or b"{}")
    except TransferError:
        raise
    except _BROKEN as error:
        raise TransferError(f"{url}: a PMTiles 3 file expected: {error!r}") from error
    if not entries:
        raise TransferError(f"{url}: the map holds nothing of where the flight goes")
    start = head["tile_data_offset"]
    spans = _joined(sorted({(start + e.offset, e.length) for e in entries}))
    if any(first + length > remote.length for first, length in spans):
        raise TransferError(f"{url}: tiles beyond the end of the file: it is damaged or cut")
    head.update(_bounds(region))
    return Cut(remote, head, about if isinstance(about, dict) else {}, entries, spans)


def fetch_cut(transfer: Transfer, cut: Cut, into: Path, progress: Progress) -> None:
    """Fetch the tiles and write `into`, which appears whole or not at all. TransferError, NoRoom."""
    part = into.with_name(into.name + ".part")
    fresh = into.with_name(into.name + ".new")
    transfer.parts(cut.remote, cut.spans, part, progress)
    with room_for(fresh):
        _write(cut, part, fresh)
    try:
        _verify(cut, fresh)
    except (BasemapError, ValueError) as error:
        fresh.unlink()
        forget(part)
        raise TransferError(f"{cut.remote.url}: what came is no map: {error}") from error
    fresh.replace(into)
    forget(part)


def _bounds(region: Region) -> dict[str, int]:
    """Of the header, in ten-millionths of a degree."""
    west, south, east, north = region.bounds
    if east > 180.0:
        west, east = -180.0, 180.0
    box = {"min_lon": west, "min_lat": south, "max_lon": east, "max_lat": north}
    box |= {"center_lon": (west + east) / 2.0, "center_lat": (south + north) / 2.0}
    return {f"{name}_e7": round(degrees * 1e7) for name, degrees in box.items()}


def _wanted(region: Region, zooms: range, url: str) -> Ids:
    found: list[int] = []
    for z in zooms:
        found += [zxy_to_tileid(z, x, y) for x, y in region.tiles(z)]
        if len(found) > _MOST_TILES:
            raise TransferError(
                f"{url}: more than {_MOST_TILES:,} tiles to zoom {z}: set a lower map_max_zoom"
            )
    return np.array(sorted(found), dtype=np.int64)


def _found(
    transfer: Transfer, remote: Remote, head: dict[str, Any], wanted: Ids
) -> Iterator[Entry]:
    """Entries of wanted tiles, rising, clipped to them."""
    level = [_directory(_part(transfer, remote, head, "root"), head)]
    for _ in range(DEEPEST):
        leaves: list[Entry] = []
        for directory in level:
            ends = [entry.tile_id for entry in directory[1:]] + [np.iinfo(np.int64).max]
            for entry, end in zip(directory, ends, strict=True):
                if entry.run_length == 0:
                    if np.searchsorted(wanted, entry.tile_id) < np.searchsorted(wanted, end):
                        leaves.append(entry)
                    continue
                last = entry.tile_id + entry.run_length
                low, high = np.searchsorted(wanted, (entry.tile_id, last))
                for number in wanted[low:high].tolist():
                    yield Entry(number, entry.offset, entry.length, 1)
        if not leaves:
            return
        level = list(_leaves(transfer, remote, head, leaves))
    raise ValueError("directories lie too deep")


def _leaves(
    transfer: Transfer, remote: Remote, head: dict[str, Any], leaves: list[Entry]
) -> Iterator[list[Entry]]:
    """Directories that lie beside each other come with one request."""
    start = head["leaf_directory_offset"]
    spans = _joined(sorted((start + leaf.offset, leaf.length) for leaf in leaves))
    blocks = {span: transfer.part(remote, _checked(span)) for span in spans}
    for leaf in leaves:
        first = start + leaf.offset
        for (offset, length), block in blocks.items():
            if offset <= first < offset + length:
                yield _directory(block[first - offset : first - offset + leaf.length], head)
                break


def _directory(packed: bytes, head: dict[str, Any]) -> list[Entry]:
    if head["internal_compression"] == Compression.NONE:
        packed = gzip.compress(packed, 0)  # the library takes them in this form alone
    return list(deserialize_directory(packed))


def _part(transfer: Transfer, remote: Remote, head: dict[str, Any], name: str) -> bytes:
    span = head[f"{name}_offset"], head[f"{name}_length"]
    return transfer.part(remote, _checked(span)) if span[1] else b""


def _checked(span: Span) -> Span:
    if span[1] > MOST_BYTES:
        raise ValueError(f"a length of {span[1]:,} bytes")
    return span


def _unpacked(packed: bytes, how: Compression) -> bytes:
    return gzip.decompress(packed) if how == Compression.GZIP and packed else packed


def _joined(spans: list[Span]) -> tuple[Span, ...]:
    """Rising spans as few longer ones, with what lies between where that is little."""
    found: list[list[int]] = []
    for offset, length in spans:
        if found and offset - sum(found[-1]) <= _GAP_BYTES and length + found[-1][1] <= MOST_BYTES:
            found[-1][1] = max(found[-1][1], offset + length - found[-1][0])
        else:
            found.append([offset, length])
    return tuple((offset, length) for offset, length in found)


def _write(cut: Cut, part: Path, fresh: Path) -> None:
    starts = np.array([offset for offset, _ in cut.spans], dtype=np.int64)
    within = np.concatenate(([0], np.cumsum([length for _, length in cut.spans])))
    base = cut.header["tile_data_offset"]
    with part.open("rb") as source, fresh.open("wb") as target:
        writer = Writer(target)
        for entry in cut.entries:
            first = base + entry.offset
            span = int(np.searchsorted(starts, first, side="right")) - 1
            source.seek(int(within[span]) + first - int(starts[span]))
            writer.write_tile(entry.tile_id, source.read(entry.length))
        writer.finalize(dict(cut.header), cut.about)
        target.flush()


def _verify(cut: Cut, path: Path) -> None:
    """Every tile can be read and unpacked. BasemapError or ValueError where one cannot."""
    made = PMTiles(path)
    try:
        for entry in cut.entries:
            if made.tile(*tileid_to_zxy(entry.tile_id)) is None:
                raise ValueError(f"tile {entry.tile_id} is missing")
    finally:
        made.close()
