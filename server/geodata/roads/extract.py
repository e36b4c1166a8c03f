"""An OpenStreetMap extract (PBF) in portions, so that reading can say how far it is.

The file format (OpenStreetMap wiki, PBF Format): blocks, each a length of 4 bytes, a header that names
its kind and the length of what follows, and that. The first is the file's header. Blocks are handed on
whole; what is in them is pyosmium's to read.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, NamedTuple

MOST_HEADER_BYTES = 64 * 1024  # the format's own limits
MOST_BLOCK_BYTES = 32 * 1024 * 1024
PORTION_BYTES = 4 * 1024 * 1024


NEEDED = "roads need the extra 'roads' (pip install 'leeward[roads]')"


class RoadsError(ValueError):
    """An extract that cannot be used; the message says which, and what is wrong with it."""


class Portion(NamedTuple):
    """Some blocks with the file's header before them: a small PBF file of its own."""

    content: bytes
    done: float  # 0 to 1, of the file


def portions(path: Path) -> Iterator[Portion]:
    """RoadsError: no such file, not a PBF, or cut short."""
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            yield from _portions(file, size, path)
    except OSError as error:
        raise RoadsError(f"{path}: cannot be read: {error.strerror or error}") from error


def _portions(file: BinaryIO, size: int, path: Path) -> Iterator[Portion]:
    if size == 0:
        raise RoadsError(f"{path}: the file is empty")
    first = _block(file, path)
    if first is None or first.kind != b"OSMHeader":
        raise RoadsError(f"{path}: {_looks_like(path)}")
    waiting: list[bytes] = []
    length = 0
    while (block := _block(file, path)) is not None:
        if block.kind != b"OSMData":
            continue  # the format lets readers pass over what they do not know
        waiting.append(block.content)
        length += len(block.content)
        if length >= PORTION_BYTES:
            yield Portion(first.content + b"".join(waiting), file.tell() / size)
            waiting, length = [], 0
    yield Portion(first.content + b"".join(waiting), 1.0)


class _Block(NamedTuple):
    kind: bytes
    content: bytes  # whole, with its length and header


def _block(file: BinaryIO, path: Path) -> _Block | None:
    """The next one; None at the end."""
    at = file.tell()
    prefix = file.read(4)
    if not prefix:
        return None
    header_bytes = int.from_bytes(prefix, "big")
    if len(prefix) < 4 or header_bytes > MOST_HEADER_BYTES:
        raise RoadsError(f"{path}: {_broken_at(path, at)}")
    header = file.read(header_bytes)
    fields = _fields(header) if len(header) == header_bytes else None
    if fields is None:
        raise RoadsError(f"{path}: {_broken_at(path, at)}")
    kind, data_bytes = fields
    data = file.read(data_bytes)
    if len(data) < data_bytes:
        raise RoadsError(
            f"{path}: cut short: it ends within a block that began at byte {at:,}; fetch it again"
        )
    return _Block(kind, prefix + header + data)


def _fields(header: bytes) -> tuple[bytes, int] | None:
    """Kind (field 1) and length (field 3) of a BlobHeader; None: it is none."""
    kind, length, at = b"", -1, 0
    while at < len(header):
        key = header[at]
        at += 1
        number, at = _varint(header, at)
        if number is None:
            return None
        if key & 7 == 2:
            if at + number > len(header):
                return None
            if key >> 3 == 1:
                kind = header[at : at + number]
            at += number
        elif key & 7 == 0:
            if key >> 3 == 3:
                length = number
        else:
            return None
    return (kind, length) if kind and 0 <= length <= MOST_BLOCK_BYTES else None


def _varint(content: bytes, at: int) -> tuple[int | None, int]:
    value = shift = 0
    while at < len(content) and shift < 64:
        byte = content[at]
        at += 1
        value |= (byte & 127) << shift
        if byte < 128:
            return value, at
        shift += 7
    return None, at


def _broken_at(path: Path, at: int) -> str:
    return _looks_like(path) if at == 0 else f"damaged from byte {at:,} on; fetch it again"


def _looks_like(path: Path) -> str:
    """What the file is instead of an extract."""
    with path.open("rb") as file:
        start = file.read(64).lstrip()
    kinds = (
        ((b"<!doctype", b"<html", b"<!DOCTYPE", b"<HTML"), "a web page, not the file itself"),
        ((b"<?xml", b"<osm"), "OpenStreetMap's XML form; the PBF form (.osm.pbf) is expected"),
        ((b"\x1f\x8b", b"BZh", b"PK\x03\x04", b"7z\xbc\xaf"), "packed; unpack it first"),
        ((b"SQLite format 3", b"PMTiles"), "a map of tiles, not an extract of OpenStreetMap's data"),
        ((b"version https://git-lfs", ), "a pointer to the file, not the file itself"),
    )  # fmt: skip
    for starts, words in kinds:
        if start.startswith(starts):
            return f"{words}: an OpenStreetMap extract (.osm.pbf) is expected"
    return "not an OpenStreetMap extract in PBF form (.osm.pbf)"
