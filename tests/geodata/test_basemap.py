"""A crew's own maps: read, told of, and refused in words when they are broken."""

from __future__ import annotations

import json
import math
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pmtiles.reader import MemorySource, Reader
from pmtiles.tile import TileType

from server.geodata.basemap import Coverage, Online, open_basemap, open_tiles, read_layer
from server.geodata.coverage import around, check_basemap
from server.geodata.pmtiles import PMTiles
from server.geodata.tiles import WORLD, BasemapError, corner, plain_text, tile_at
from tests.geodata.map_files import JPEG, PLAIN_ATTRIBUTION, addresses, mbtiles, pmtiles, png

BOX = (-98.4, 37.6, -97.6, 38.2)
ZOOMS = range(6, 11)


def test_tile_numbers_are_those_of_the_published_formula() -> None:
    """The formulas of OpenStreetMap's wiki, "Slippy map tilenames", worked out by themselves."""
    n, latitude = 2**18, math.radians(35.6590699)
    x = (139.7006793 + 180.0) / 360.0 * n
    y = (1.0 - math.log(math.tan(latitude) + 1.0 / math.cos(latitude)) / math.pi) / 2.0 * n
    assert (int(x), int(y)) == (232798, 103246)
    assert tile_at(35.6590699, 139.7006793, 18) == (232798, 103246)
    north, west = corner(232798, 103246, 18)
    south, east = corner(232799, 103247, 18)
    assert south < 35.6590699 < north
    assert west < 139.7006793 < east


@pytest.mark.parametrize("place", [(90.0, 180.0), (-90.0, -180.0), (0.0, 0.0)])
def test_no_place_lies_outside_the_tiles(place: tuple[float, float]) -> None:
    for z in (0, 1, 12):
        x, y = tile_at(*place, z)
        assert 0 <= x < 1 << z
        assert 0 <= y < 1 << z


@pytest.mark.parametrize("make", [mbtiles, pmtiles], ids=["mbtiles", "pmtiles"])
def test_every_tile_is_found_and_no_other(make: Any, tmp_path: Path) -> None:
    file = open_tiles(make(tmp_path / "sheet", BOX, ZOOMS))
    there = set(addresses(BOX, ZOOMS))
    for z, x, y in there:
        image = file.tile(z, x, y)
        assert image is not None
        assert image.startswith(b"\x89PNG")
    z, x, y = next(iter(there))
    left, top = min((x, y) for zz, x, y in there if zz == 10)
    assert file.tile(10, left - 1, top) is None
    assert file.tile(11, 0, 0) is None
    info = file.info
    assert (info.min_zoom, info.max_zoom, info.imagery) == (6, 10, False)
    assert info.attribution == PLAIN_ATTRIBUTION
    assert info.bounds == pytest.approx(BOX, abs=1e-6)
    file.close()


def test_rows_of_mbtiles_count_from_the_south(tmp_path: Path) -> None:
    """MBTiles 1.3: "the row number is in the TMS scheme"."""
    path = mbtiles(tmp_path / "a", (-180, -85, 180, 85), range(1))
    with sqlite3.connect(path) as data:
        data.execute("DELETE FROM tiles")
        data.execute("INSERT INTO tiles VALUES (1, 0, 1, ?)", (png(1, 2, 3),))  # the north-west
    data.close()
    file = open_tiles(path)
    assert file.tile(1, 0, 0) is not None
    assert file.tile(1, 0, 1) is None
    file.close()


def test_pmtiles_as_the_formats_own_reader_sees_it(tmp_path: Path) -> None:
    """Many tiles, so that there are leaf directories; compared with the reader of the library."""
    path = pmtiles(tmp_path / "a.pmtiles", (-99.5, 36.6, -96.5, 39.4), range(15))
    reader = Reader(MemorySource(path.read_bytes()))
    assert reader.header()["leaf_directory_length"] > 0
    ours = PMTiles(path)
    for at in [*addresses((-98.1, 37.9, -98.0, 38.0), range(15)), (12, 0, 0), (3, 7, 7)]:
        assert ours.tile(*at) == reader.get(*at), at
    ours.close()


def test_bounds_are_taken_from_the_tiles_when_nothing_says_them(tmp_path: Path) -> None:
    file = open_tiles(mbtiles(tmp_path / "a", BOX, ZOOMS, bounds=None, name=None))
    west, south, east, north = file.info.bounds
    assert west <= BOX[0] <= BOX[2] <= east
    assert south <= BOX[1] <= BOX[3] <= north
    assert east - west < 2
    assert file.info.name == "a"
    file.close()


@pytest.mark.parametrize("bounds", ["", "1,2,3", "a,b,c,d", "10,0,-10,5", "nan,0,1,1"])
def test_bounds_that_make_no_sense(bounds: str, tmp_path: Path) -> None:
    file = open_tiles(mbtiles(tmp_path / "a", BOX, ZOOMS, bounds=bounds))
    assert file.info.bounds != WORLD
    assert file.info.bounds[2] - file.info.bounds[0] < 2
    file.close()


def test_photographs_are_told_from_drawn_maps(tmp_path: Path) -> None:
    assert open_tiles(mbtiles(tmp_path / "a", BOX, ZOOMS, JPEG)).info.imagery
    assert open_tiles(pmtiles(tmp_path / "b", BOX, ZOOMS, kind=TileType.JPEG)).info.imagery


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda p: p.write_bytes(b""), "neither"),
        (lambda p: p.write_bytes(b"hello, this is no map"), "neither"),
        (lambda p: p.write_bytes(b"SQLite format 3\0" + b"x" * 200), "MBTiles"),
        (lambda p: p.write_bytes(b"PMTiles\x03" + b"\xff" * 300), "PMTiles 3"),
        (lambda p: p.write_bytes(b"PMTiles\x02" + b"\0" * 300), "PMTiles 3"),
        (lambda p: p.write_bytes(b"PMTiles\x03"), "cut short"),
        (lambda p: p.mkdir(), "cannot be opened"),
        (lambda p: None, "cannot be opened"),
        (lambda p: sqlite3.connect(p).execute("CREATE TABLE x (y)").connection.close(), "metadata"),
        (lambda p: mbtiles(p, BOX, range(0)), "no tiles"),
        (lambda p: mbtiles(p, BOX, ZOOMS, b"\x1f\x8b..", format="pbf"), "vector tiles"),
        (lambda p: mbtiles(p, BOX, ZOOMS, b"nothing"), "not drawn"),
        (lambda p: pmtiles(p, BOX, ZOOMS, kind=TileType.MVT), "vector tiles"),
    ],
)
def test_a_file_that_cannot_be_used_says_why(make: Any, said: str, tmp_path: Path) -> None:
    path = tmp_path / "map"
    make(path)
    with pytest.raises(BasemapError, match=said) as raised:
        open_tiles(path)
    assert str(path) in str(raised.value)
    basemap = open_basemap(tmp_path, ["map"])
    assert len(basemap.problems) == 1
    assert basemap.tiles == {}


@given(at=st.integers(0, 20_000), bite=st.binary(min_size=1, max_size=40))
@settings(max_examples=150, deadline=None)
def test_no_damage_to_a_file_is_a_crash(
    at: int, bite: bytes, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("damaged")
    for make in (mbtiles, pmtiles):
        path = make(folder / make.__name__, BOX, range(6, 8))
        whole = bytearray(path.read_bytes())
        start = at % len(whole)
        whole[start : start + len(bite)] = bite
        path.write_bytes(whole)
        try:
            file = open_tiles(path)
        except BasemapError:
            continue
        for address in addresses(BOX, range(6, 8)):
            try:
                file.tile(*address)
            except BasemapError:
                break
        file.close()


def test_the_file_is_never_written_to(tmp_path: Path) -> None:
    folder = tmp_path / "kept"
    folder.mkdir()
    path = mbtiles(folder / "a.mbtiles", BOX, ZOOMS)
    before = path.read_bytes()
    file = open_tiles(path)
    file.tile(6, 14, 24)
    file.close()
    assert path.read_bytes() == before
    assert [p.name for p in folder.iterdir()] == ["a.mbtiles"]


# GeoJSON


def written(path: Path, data: object) -> Path:
    path.write_text(data if isinstance(data, str) else json.dumps(data))
    return path


LINE = {"type": "LineString", "coordinates": [[-98, 38], [-97.5, 38.1, 500]]}


def test_a_layer_keeps_what_is_drawn(tmp_path: Path) -> None:
    data = {
        "type": "FeatureCollection",
        "name": "Roads that wash out",
        "attribution": "<b>County</b> &amp; crew",
        "features": [
            {"type": "Feature", "properties": {"name": "<i>Old</i> ford", "x": 1}, "geometry": LINE}
        ],
    }
    layer = read_layer(written(tmp_path / "roads.geojson", data))
    assert (layer.name, layer.attribution) == ("Roads that wash out", "County & crew")
    (feature,) = json.loads(layer.body)["features"]
    assert feature["properties"] == {"name": "Old ford"}
    assert feature["geometry"]["coordinates"] == [[-98, 38], [-97.5, 38.1]]
    assert read_layer(written(tmp_path / "line.geojson", LINE)).name == "line"


@pytest.mark.parametrize(
    ("data", "said"),
    [
        ("{", "not JSON"),
        ("[" * 100_000, "not JSON"),
        ([], "FeatureCollection"),
        ({"type": "Topology"}, "Topology"),
        ({"type": "Feature", "geometry": None}, "geometry"),
        ({"type": "FeatureCollection", "features": [1]}, "geometry"),
        ({"type": "Point", "coordinates": []}, "coordinates"),
        ({"type": "Point", "coordinates": ["a", "b"]}, "longitude"),
        ({"type": "Point", "coordinates": [500_000, 4_200_000]}, "degrees"),
        ('{"type": "Point", "coordinates": [NaN, 1]}', "longitude"),
        ({"type": "Polygon", "coordinates": [[-98, 38]]}, "coordinates"),
    ],
)
def test_a_layer_that_makes_no_sense(data: object, said: str, tmp_path: Path) -> None:
    path = written(tmp_path / "layer.geojson", data)
    with pytest.raises(BasemapError, match=said):
        read_layer(path)


# what a check says


def test_what_a_map_covers(tmp_path: Path) -> None:
    mbtiles(tmp_path / "whole.mbtiles", BOX, range(6, 13))
    pmtiles(tmp_path / "half.pmtiles", (-98.4, 37.6, -98.0, 38.2), range(11, 13))
    mbtiles(tmp_path / "elsewhere.mbtiles", (5.0, 50.0, 6.0, 51.0), range(8, 9))
    names = ["whole.mbtiles", "half.pmtiles", "elsewhere.mbtiles", "absent.mbtiles"]
    basemap = open_basemap(tmp_path, names)
    whole, half, elsewhere = basemap.coverage((-98.3, 37.7, -97.7, 38.1))
    assert whole == Coverage("Invented sheet", 12, (12, 1.0))
    assert half.whole_to is None
    assert half.best is not None
    assert half.best[0] == 12
    assert 0.4 < half.best[1] < 0.7
    assert elsewhere.best is None
    lines = check_basemap(basemap, (-98.3, 37.7, -97.7, 38.1), "the predicted area")
    assert [line.ok for line in lines] == [False, True, False, False]
    assert "cannot be opened" in lines[0].words
    assert lines[1].words == "map Invented sheet: all of the predicted area to zoom 12"
    assert "a part has no map" in lines[2].words
    assert lines[3].words == "map Invented sheet: shows nothing of the predicted area"
    basemap.close()


def test_a_coarse_map_is_called_coarse(tmp_path: Path) -> None:
    mbtiles(tmp_path / "a", BOX, range(6, 9))
    basemap = open_basemap(tmp_path, ["a"], online=Online("https://t.example/{z}/{x}/{y}", "", 17))
    first, online = check_basemap(basemap, around(37.9, -98.0, 10_000), "it")
    assert "small roads want zoom 12" in first.words
    assert "https://t.example is asked" in online.words
    assert check_basemap(basemap, None, "")[0].ok
    basemap.close()


def test_an_attribution_is_one_line_of_text() -> None:
    assert plain_text("<script>x</script>\n &lt;b&gt;") == "x <b>"
    assert plain_text(None) == ""
    assert len(plain_text("a" * 1_000)) == 200
