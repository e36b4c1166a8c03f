"""Vector maps as the station sees them: which schema, what a file covers, and what is refused in words."""

from __future__ import annotations

import gzip
import sqlite3
from pathlib import Path
from typing import Any

import mapbox_vector_tile
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pmtiles.tile import Compression, TileType
from pmtiles.writer import Writer

from server.geodata.basemap import open_basemap, open_tiles
from server.geodata.coverage import around, check_basemap
from server.geodata.tiles import BasemapError, tile_at
from server.geodata.vector_tiles import (
    MOST_BYTES,
    Schema,
    features,
    layer_names,
    schema_of,
    unpacked,
)
from tests.geodata.map_files import mbtiles
from tests.geodata.vector_maps import BOX, CREDIT, VADUZ, openmaptiles, protomaps

ROAD = {"geometry": "LINESTRING (0 0, 100 4000, 4096 10)", "properties": {"kind": "highway"}}


def tile(*names: str) -> bytes:
    layers = [{"name": name, "features": [ROAD]} for name in names]
    return bytes(mapbox_vector_tile.encode(layers))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("maps")


@pytest.fixture(scope="module")
def files(made: Path) -> dict[str, Path]:
    return {
        "openmaptiles": openmaptiles(made),
        "protomaps": protomaps(made / "new.pmtiles", range(9, 13)),
        "older protomaps": protomaps(made / "old.pmtiles", range(9, 12), old=True, packed=False),
    }


def test_both_schemas_are_told_by_their_layers(files: dict[str, Path]) -> None:
    for name, path in files.items():
        file = open_tiles(path)
        assert file.info.schema is not None
        assert str(file.info.schema) in name
        assert file.info.attribution == CREDIT  # also where the file says nothing
        west, south, east, north = file.info.bounds
        assert west == pytest.approx(BOX[0], abs=0.01)
        assert north == pytest.approx(BOX[3], abs=0.01)
        assert [south, east] == pytest.approx([BOX[1], BOX[2]], abs=0.01)
        file.close()


def test_our_reading_is_that_of_the_library(files: dict[str, Path]) -> None:
    """Names, attributes and places of every feature, by mapbox-vector-tile."""
    compared = 0
    for path in files.values():
        file = open_tiles(path)
        for z in range(file.info.min_zoom, file.info.max_zoom + 1):
            stored = file.tile(z, *tile_at(*VADUZ, z))
            if stored is None:
                continue
            theirs = mapbox_vector_tile.decode(
                unpacked(stored), default_options={"y_coord_down": True}
            )
            ours = list(features(unpacked(stored)))
            assert layer_names(unpacked(stored)) == list(theirs)
            for name, layer in theirs.items():
                mine = [one for one in ours if one.layer == name]
                assert len(mine) == len(layer["features"])
                for a, b in zip(mine, layer["features"], strict=True):
                    whole = {k: v for k, v in b["properties"].items() if not isinstance(v, float)}
                    assert {k: a.properties[k] for k in whole} == whole
                    wanted = set(places(b["geometry"]["coordinates"]))
                    extent = layer["extent"]
                    found = {(round(x * extent), round(y * extent)) for p in a.parts for x, y in p}
                    # of areas the library drops rings that have become flat
                    assert wanted <= found if a.is_area else wanted == found
                    compared += 1
        file.close()
    assert compared > 2_000


def places(coordinates: Any) -> list[tuple[int, int]]:
    if not coordinates:
        return []
    if isinstance(coordinates[0], int | float):
        return [(int(coordinates[0]), int(coordinates[1]))]
    return [place for part in coordinates for place in places(part)]


def test_a_check_counts_vector_maps(files: dict[str, Path], made: Path) -> None:
    """As it does images; common practice, no source: roads have their names from zoom 12."""
    basemap = open_basemap(made, [files["openmaptiles"].name, files["protomaps"].name])
    inside = check_basemap(basemap, around(*VADUZ, 1_000), "the predicted area")
    assert [line.ok for line in inside] == [True, True]
    assert "all of the predicted area to zoom 14" in inside[0].words
    assert "all of the predicted area to zoom 12" in inside[1].words
    outside = check_basemap(basemap, around(47.14, 9.0, 3_000), "the predicted area")
    assert [line.ok for line in outside] == [False, False]
    assert "shows nothing of the predicted area" in outside[0].words
    basemap.close()


@pytest.mark.parametrize(
    ("names", "schema"),
    [
        (("earth", "water", "roads", "places"), Schema.PROTOMAPS),
        (("earth", "natural", "water", "transit", "physical_line"), Schema.PROTOMAPS),
        (("transportation",), Schema.OPENMAPTILES),
        (("water", "landcover", "boundary"), Schema.OPENMAPTILES),
        (("land", "towns", "borders", "rivers"), Schema.WORLD),
        (("buildings", "streets"), None),
        ((), None),
    ],
)
def test_schemas(names: tuple[str, ...], schema: Schema | None) -> None:
    assert schema_of(names) is schema


def archive(path: Path, body: bytes, packed: Compression, kind: TileType = TileType.MVT) -> Path:
    with path.open("wb") as file:
        writer = Writer(file)
        writer.write_tile(0, body)
        head = {"tile_type": kind, "tile_compression": packed, "min_zoom": 0, "max_zoom": 0}
        bounds = {"min_lon_e7": 0, "min_lat_e7": 0, "max_lon_e7": 10**7, "max_lat_e7": 10**7}
        writer.finalize(head | bounds, {})
    return path


ROADS = tile("roads", "water", "earth")


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda p: archive(p, ROADS, Compression.BROTLI), "packed in a way that is not read"),
        (lambda p: archive(p, ROADS, Compression.ZSTD), "packed in a way that is not read"),
        (lambda p: archive(p, ROADS, Compression.NONE, TileType.MLT), "not drawn"),
        (lambda p: archive(p, tile("streets"), Compression.NONE), r"neither .*\(streets\)"),
        (lambda p: archive(p, b"\xff\xff\xff", Compression.NONE), "vector tiles that cannot be read"),
        (lambda p: mbtiles(p, BOX, range(9, 10), b"\x1f\x8b..", format="pbf"), "cannot be read"),
        (lambda p: mbtiles(p, BOX, range(9, 10), tile("a"), format="pbf"), r"neither .*\(a\)"),
        (lambda p: mbtiles(p, BOX, range(9, 10), ROADS, format="png"), "not drawn"),
    ],
)  # fmt: skip
def test_a_vector_map_that_cannot_be_used_says_why(make: Any, said: str, tmp_path: Path) -> None:
    make(tmp_path / "map")
    with pytest.raises(BasemapError, match=said) as raised:
        open_tiles(tmp_path / "map")
    assert str(tmp_path / "map") in str(raised.value)


def test_files_without_a_list_of_layers_are_told_by_a_tile(tmp_path: Path) -> None:
    plain = archive(tmp_path / "plain.pmtiles", ROADS, Compression.NONE)
    packed = archive(tmp_path / "packed.pmtiles", gzip.compress(ROADS), Compression.GZIP)
    rows = mbtiles(tmp_path / "a.mbtiles", BOX, range(9, 10), gzip.compress(ROADS), format="pbf")
    for path in (plain, packed, rows):
        file = open_tiles(path)
        assert file.info.schema is Schema.PROTOMAPS
        file.close()


# what tiles may hold


def test_a_bomb_is_not_unpacked() -> None:
    bomb = gzip.compress(bytes(20 * MOST_BYTES), 9)
    assert len(bomb) < 200_000
    with pytest.raises(ValueError, match="when unpacked"):
        unpacked(bomb)
    with pytest.raises(ValueError, match="above"):
        unpacked(bytes(MOST_BYTES + 1))


@pytest.mark.parametrize("cut", [3, 11, -9, -1])
def test_what_is_cut_short(cut: int) -> None:
    with pytest.raises(ValueError, match=r"cut short|not unpacked"):
        unpacked(gzip.compress(ROADS)[:cut])


def test_a_layer_of_no_extent_is_an_error() -> None:
    """Found by the test below: field 5 of a layer is 0."""
    layer = b"\x0a\x01a" + b"\x12\x07" + b"\x18\x01\x22\x03\x09\x02\x02" + b"\x28\x00"
    with pytest.raises(ValueError, match="no extent"):
        list(features(b"\x1a" + bytes([len(layer)]) + layer))
    sound = layer[:-1] + b"\x01"
    (point,) = features(b"\x1a" + bytes([len(sound)]) + sound)
    assert point.parts == [[(1.0, 1.0)]]


@given(at=st.integers(0, 10_000), bite=st.binary(max_size=30))
@settings(max_examples=300, deadline=None)
def test_no_damage_to_a_tile_is_more_than_an_error(at: int, bite: bytes) -> None:
    start = at % len(ROADS)
    broken = ROADS[:start] + bite + ROADS[start + len(bite) :]
    try:
        list(features(broken))
        layer_names(broken)
    except ValueError:
        pass


def test_damaged_files_are_refused_or_read(files: dict[str, Path], tmp_path: Path) -> None:
    """Bytes put wrong in the whole of a real file: an error in words, never another."""
    for n, path in enumerate([files["openmaptiles"], files["protomaps"]]):
        whole = path.read_bytes()
        for step in range(40):
            broken = bytearray(whole)
            for k in range(20):
                broken[(step * 7919 + k * 104_729) % (4_000 if step % 2 else len(whole))] ^= 0xA5
            other = tmp_path / f"{n}-{step}"
            other.write_bytes(broken)
            try:
                file = open_tiles(other)
                for z in (9, 11, 12):
                    stored = file.tile(z, *tile_at(*VADUZ, z))
                    if stored is not None:
                        list(features(unpacked(stored)))
            except ValueError:  # BasemapError is one
                continue
            finally:
                other.unlink()


def test_a_map_is_never_written_to(files: dict[str, Path]) -> None:
    with sqlite3.connect(f"file:{files['openmaptiles']}?mode=ro", uri=True) as data:
        (count,) = data.execute("SELECT count(*) FROM tiles").fetchone()
    data.close()
    assert count > 100
    assert [p.suffix for p in files["openmaptiles"].parent.glob("valley.mbtiles*")] == [".mbtiles"]
