"""Terrain in GeoTIFF, written through rasterio and read back; heights are worked out by hand."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from server.geodata.surroundings import SurroundingsError, open_surroundings
from server.geodata.terrain import TerrainError, TerrainFolder
from tests.geodata.extras import require_module
from tests.geodata.map_files import png

STEP_DEG = 0.01
SIDE = 100
# 10 m more a column to the east, 1 m more a row to the south
HEIGHTS = np.add.outer(np.arange(SIDE) * 1.0, np.arange(SIDE) * 10.0) + 300.0


def write_tiff(
    path: Path,
    heights: np.ndarray = HEIGHTS,
    *,
    west: float = -99.0,
    north: float = 39.0,
    step: float = STEP_DEG,
    crs: str | None = "EPSG:4326",
    dtype: str = "float32",
    no_data: float | None = None,
    bands: int = 1,
    scale: float = 1.0,
    offset: float = 0.0,
    unit: str | None = None,
    void: np.ndarray | None = None,
    turned: float = 0.0,
    south_first: bool = False,
) -> Path:
    """One tile whose north-western corner lies there. `void`: where a mask of the file says none."""
    rasterio = require_module("rasterio", "geotiff")
    rows, columns = heights.shape
    grid = rasterio.transform.Affine(step, turned, west, turned, -step, north)
    if south_first:
        heights, grid = heights[::-1], grid @ rasterio.transform.Affine(1, 0, 0, 0, -1, rows)
    about: dict[str, Any] = {
        "driver": "GTiff",
        "height": rows,
        "width": columns,
        "count": bands,
        "dtype": dtype,
        "crs": crs,
        "transform": grid,
        "nodata": no_data,
    }
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True), warnings.catch_warnings():
        warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
        with rasterio.open(path, "w", **about) as file:
            for band in range(1, bands + 1):
                file.write(heights.astype(dtype), band)
            file.scales, file.offsets = (scale,) * bands, (offset,) * bands
            if unit is not None:
                file.units = (unit,) * bands
            if void is not None:
                file.write_mask(~void)
    return path


def one_void() -> np.ndarray:
    """True at row 50, column 50 alone, whose middle is 38.495 N, 98.495 W."""
    void = np.zeros((SIDE, SIDE), dtype=bool)
    void[50, 50] = True
    return void


@pytest.mark.parametrize("south_first", [False, True])
@pytest.mark.parametrize("dtype", ["float32", "float64", "int16", "uint16"])
def test_heights_between_the_middles(tmp_path: Path, dtype: str, south_first: bool) -> None:
    """Row 30, column 40 has its middle at 38.695 N, 98.595 W and stands at 300 + 400 + 30 m."""
    write_tiff(tmp_path / "tile.tif", dtype=dtype, south_first=south_first)
    ground = TerrainFolder(tmp_path)
    one_cm = 0.01
    assert ground(38.695, -98.595) == pytest.approx(730.0, abs=one_cm)
    # a quarter of a column further east, half a row further south
    assert ground(38.69, -98.5925) == pytest.approx(730.0 + 2.5 + 0.5, abs=one_cm)
    assert ground(38.5, -99.01) is None
    assert ground(39.01, -98.5) is None
    many = ground.heights(np.array([38.695, 50.0]), np.array([-98.595, -98.5]))
    assert many[0] == pytest.approx(730.0, abs=one_cm)
    assert np.isnan(many[1])


@pytest.mark.parametrize(
    ("dtype", "no_data"),
    [
        ("float32", -9_999.0),
        ("float32", float("nan")),
        ("float32", -3.4028234663852886e38),
        ("int16", -32_768.0),
        ("uint16", 65_535.0),
    ],
)
def test_no_data_is_not_a_height(tmp_path: Path, dtype: str, no_data: float) -> None:
    heights = np.where(one_void(), no_data, HEIGHTS)
    write_tiff(tmp_path / "tile.tif", heights, dtype=dtype, no_data=no_data)
    ground = TerrainFolder(tmp_path)
    assert ground(38.495, -98.495) is None
    assert ground(38.49, -98.49) is None  # between it and others
    assert ground(38.485, -98.485) == pytest.approx(300.0 + 510.0 + 51.0, abs=0.01)


def test_a_mask_is_no_height_either(tmp_path: Path) -> None:
    write_tiff(tmp_path / "tile.tif", void=one_void(), dtype="int16")
    ground = TerrainFolder(tmp_path)
    assert ground(38.495, -98.495) is None
    assert ground(38.485, -98.485) == pytest.approx(861.0, abs=0.01)


def test_scaled_heights_come_in_metres(tmp_path: Path) -> None:
    """Decimetres above 1,000 m: 0.1 x (300 + 400 + 30) + 1,000. A void stays one."""
    heights = np.where(one_void(), -1.0, HEIGHTS)
    write_tiff(
        tmp_path / "tile.tif", heights, dtype="int16", scale=0.1, offset=1_000.0, no_data=-1.0
    )
    ground = TerrainFolder(tmp_path)
    assert ground(38.695, -98.595) == pytest.approx(1_073.0, abs=0.01)
    assert ground(38.495, -98.495) is None


def test_no_strip_is_left_between_two_tiles(tmp_path: Path) -> None:
    """The tiles meet at 98 W, each with its last middle half a step short of it."""
    write_tiff(tmp_path / "a.tif", np.full((SIDE, SIDE), 400.0))
    write_tiff(tmp_path / "b.TIFF", np.full((SIDE, SIDE), 500.0), west=-98.0)
    longitudes = np.linspace(-98.02, -97.98, 401)
    heights = TerrainFolder(tmp_path).heights(np.full(401, 38.5), longitudes)
    np.testing.assert_allclose(heights[:200], 400.0)
    assert heights[200] in (400.0, 500.0)  # at 98 W itself either may tell
    np.testing.assert_allclose(heights[201:], 500.0)


@pytest.mark.parametrize("west", [179.5, -180.5], ids=["to 180.5", "from -180.5"])
def test_a_tile_across_the_antimeridian(tmp_path: Path, west: float) -> None:
    write_tiff(tmp_path / "tile.tif", west=west)
    ground = TerrainFolder(tmp_path)
    # row 30; columns 40 and 60, whose middles are 0.405 and 0.605 degrees from the edge
    assert ground(38.695, 179.905) == pytest.approx(730.0, abs=0.01)
    assert ground(38.695, -179.895) == pytest.approx(930.0, abs=0.01)
    assert ground(38.695, 0.0) is None


def test_srtm_fills_what_a_tiff_leaves_open(tmp_path: Path) -> None:
    heights = np.where(one_void(), -9_999.0, HEIGHTS)
    write_tiff(tmp_path / "tile.tif", heights, no_data=-9_999.0)
    (tmp_path / "N38W099.hgt").write_bytes(np.full((1201, 1201), 250, dtype=">i2").tobytes())
    ground = TerrainFolder(tmp_path)
    assert ground(38.495, -98.495) == 250.0
    assert ground(38.695, -98.595) == pytest.approx(730.0, abs=0.01)


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (
            {"crs": "EPSG:32614", "west": 5e5, "north": 4.3e6, "step": 30.0},
            r"latitude and longitude \(EPSG:4326\) expected, not EPSG:32614",
        ),
        ({"crs": None}, "expected, not None"),
        # counted from 0, 0 in steps of 1: what a file without a corner is opened with
        ({"west": 0.0, "north": 100.0, "step": 1.0, "south_first": True}, "a place on the Earth"),
        ({"turned": 0.002}, "a grid that is turned"),
        ({"bands": 3, "dtype": "uint8"}, "one band of heights expected, not 3 of uint8"),
        ({"dtype": "complex64"}, "one band of heights expected, not 1 of complex64"),
        ({"unit": "ft"}, "heights in metres expected, not in ft"),
    ],
    ids=["UTM", "no place", "no corner", "turned", "a picture", "complex", "feet"],
)
def test_what_is_no_map_of_heights_is_refused(
    tmp_path: Path, wrong: dict[str, Any], words: str
) -> None:
    write_tiff(tmp_path / "tile.tif", **wrong)
    with pytest.raises(TerrainError, match=words) as raised:
        TerrainFolder(tmp_path)
    assert str(raised.value).startswith("tile.tif: ")
    with pytest.raises(SurroundingsError, match=words):
        open_surroundings(tmp_path, ".", ())


@pytest.mark.parametrize("unit", ["m", "Metre"])
def test_metres_may_be_said(tmp_path: Path, unit: str) -> None:
    write_tiff(tmp_path / "tile.tif", unit=unit)
    assert TerrainFolder(tmp_path)(38.695, -98.595) == pytest.approx(730.0, abs=0.01)


@pytest.mark.parametrize(
    "damage",
    [
        lambda whole: b"junk" * 100,
        lambda whole: b"",
        lambda whole: b"II*\0" + b"\xff" * 100,
        lambda whole: whole[: len(whole) // 2],
    ],
    ids=["junk", "empty", "the first bytes alone", "cut short"],
)
def test_junk_is_explained(tmp_path: Path, damage: Any) -> None:
    path = write_tiff(tmp_path / "tile.tif")
    path.write_bytes(damage(path.read_bytes()))
    with pytest.raises(TerrainError, match=r"tile\.tif: cannot be read as GeoTIFF: "):
        TerrainFolder(tmp_path)


def test_a_picture_that_is_called_tiff_is_no_terrain(tmp_path: Path) -> None:
    """It opens, without a place: refused, and no warning of the library's reaches the crew."""
    require_module("rasterio", "geotiff")
    (tmp_path / "tile.tif").write_bytes(png(10, 20, 30))
    with pytest.raises(
        TerrainError, match=r"latitude and longitude \(EPSG:4326\) expected, not None"
    ):
        TerrainFolder(tmp_path)
