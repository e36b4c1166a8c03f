"""What is known of a vector tile (Mapbox Vector Tile 2.1) without drawing it: its layers and its schema."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

MOST_BYTES = 8_000_000  # of one tile, unpacked; maps for roads have some 500 kB at the most
MOST_LAYERS = 200
_GZIP = b"\x1f\x8b"
_LAYER, _NAME, _BYTES = 3, 1, 2  # field numbers and the wire type of the specification


class Schema(StrEnum):
    """In whose words a vector map speaks: the two in which open extracts come, and our own."""

    PROTOMAPS = "protomaps"
    OPENMAPTILES = "openmaptiles"
    WORLD = "world"


# layers that a map of the schema has and that none of another has together
_TELLING = {
    Schema.OPENMAPTILES: ({"transportation"}, {"landcover", "water"}, {"landuse", "waterway"}),
    Schema.PROTOMAPS: ({"roads", "water"}, {"earth", "water"}, {"roads", "places"}),
    Schema.WORLD: ({"land", "towns", "borders"},),
}


def find_schema(about: Any, first: Callable[[], bytes]) -> Schema:
    """Of a file, by the layers that its metadata list (`vector_layers` of TileJSON), else by those of its
    `first` tile. ValueError, in words for the crew, when it is none that is drawn."""
    rows = about.get("vector_layers") if isinstance(about, dict) else None
    listed = (
        [row.get("id") for row in rows if isinstance(row, dict)] if isinstance(rows, list) else []
    )
    names = [name for name in listed if isinstance(name, str)]
    if not names:
        try:
            names = layer_names(unpacked(first()))
        except ValueError as error:
            raise ValueError(f"vector tiles that cannot be read: {error}") from None
    schema = schema_of(names)
    if schema is None:
        raise ValueError(
            "vector tiles whose layers are neither those of Protomaps' basemap nor those of "
            f"OpenMapTiles ({', '.join(names[:8]) or 'none'})"
        )
    return schema


def credit_of(schema: Schema | None) -> str:
    """Whose a map is that does not say so: both schemas are those of OpenStreetMap's data."""
    return "" if schema is None else "© OpenStreetMap contributors"


def schema_of(layers: Iterable[str]) -> Schema | None:
    names = set(layers)
    for schema, sets in _TELLING.items():
        if any(each <= names for each in sets):
            return schema
    return None


def unpacked(tile: bytes, most: int = MOST_BYTES) -> bytes:
    """A tile as it was before gzip, if it is packed. ValueError when it is broken or above `most`."""
    if not tile.startswith(_GZIP):
        if len(tile) > most:
            raise ValueError(f"above {most:,} bytes")
        return tile
    engine = zlib.decompressobj(wbits=31)
    try:
        plain = engine.decompress(tile, most + 1)
    except zlib.error as error:
        raise ValueError(f"not unpacked: {error}") from error
    if len(plain) > most:
        raise ValueError(f"above {most:,} bytes when unpacked")
    if not engine.eof:
        raise ValueError("cut short")
    return plain


def layer_names(tile: bytes) -> list[str]:
    """Of an unpacked tile. ValueError when it is none."""
    names = []
    for number, layer in _fields(tile):
        if number == _LAYER and isinstance(layer, bytes):
            name = next((v for n, v in _fields(layer) if n == _NAME and isinstance(v, bytes)), b"")
            names.append(name.decode("utf-8", "replace"))
        if len(names) > MOST_LAYERS:
            raise ValueError(f"more than {MOST_LAYERS} layers")
    return names


@dataclass(frozen=True, slots=True)
class Feature:
    """`parts`: points, lines or rings, as parts of the tile's side from its north-west corner."""

    layer: str
    is_area: bool
    properties: dict[str, Any]
    parts: list[list[tuple[float, float]]]


def features(tile: bytes) -> Iterator[Feature]:
    """Of an unpacked tile. ValueError when it is broken."""
    for number, layer in _fields(tile):
        if number != _LAYER or not isinstance(layer, bytes):
            continue
        rows = list(_fields(layer))
        name = _text(next((v for n, v in rows if n == _NAME), b""))
        keys = [_text(v) for n, v in rows if n == 3]
        values = [_value(v) for n, v in rows if n == 4 and isinstance(v, bytes)]
        extent = next((v for n, v in rows if n == 5 and isinstance(v, int)), 4096)
        if extent == 0:
            raise ValueError("a layer of no extent")
        for body in (v for n, v in rows if n == 2 and isinstance(v, bytes)):
            about = dict(_fields(body))
            tags, commands = (_numbers(about.get(n)) for n in (2, 4))
            try:
                told = {keys[k]: values[v] for k, v in zip(tags[::2], tags[1::2], strict=False)}
            except IndexError:
                raise ValueError("a tag of nothing") from None
            yield Feature(name, about.get(3) == 3, told, _parts(commands, extent))


def _parts(commands: list[int], extent: int) -> list[list[tuple[float, float]]]:
    parts: list[list[tuple[float, float]]] = []
    x = y = at = 0
    while at < len(commands):
        command, count = commands[at] & 7, commands[at] >> 3
        at += 1
        if command == 7:
            continue
        if command not in (1, 2) or at + 2 * count > len(commands) or (command == 2 and not parts):
            raise ValueError("a geometry that makes no sense")
        for _ in range(count):
            x += (commands[at] >> 1) ^ -(commands[at] & 1)
            y += (commands[at + 1] >> 1) ^ -(commands[at + 1] & 1)
            at += 2
            if command == 1:
                parts.append([])
            parts[-1].append((x / extent, y / extent))
    return parts


def _numbers(packed: bytes | int | None) -> list[int]:
    found, at = [], 0
    while isinstance(packed, bytes) and at < len(packed):
        value, at = _varint(packed, at)
        found.append(value)
    return found


def _text(value: bytes | int | None) -> str:
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else ""


def _value(body: bytes) -> Any:
    """Of the kinds that our own map has: text and whole numbers."""
    for number, value in _fields(body):
        if number == 1:
            return _text(value)
        if number in (4, 5, 7) and isinstance(value, int):
            return value
        if number == 6 and isinstance(value, int):
            return (value >> 1) ^ -(value & 1)
    return None


def _fields(message: bytes) -> Iterator[tuple[int, bytes | int | None]]:
    """Fields of a protocol buffer by their numbers: bytes, whole numbers, or None of another kind."""
    at = 0
    while at < len(message):
        key, at = _varint(message, at)
        wire = key & 7
        if wire == _BYTES:
            length, at = _varint(message, at)
            if at + length > len(message):
                raise ValueError("cut short")
            yield key >> 3, message[at : at + length]
            at += length
        elif wire == 0:
            value, at = _varint(message, at)
            yield key >> 3, value
        elif wire in (1, 5):
            at += 8 if wire == 1 else 4
            yield key >> 3, None
        else:
            raise ValueError(f"wire type {wire}")


def _varint(message: bytes, at: int) -> tuple[int, int]:
    value = 0
    for n in range(10):
        if at >= len(message):
            raise ValueError("cut short")
        byte = message[at]
        at += 1
        value |= (byte & 0x7F) << (7 * n)
        if byte < 0x80:
            return value, at
    raise ValueError("a number of more than ten bytes")
