"""Heights of the ground from a folder of tiles: SRTM .hgt, and GeoTIFF with the extra `geotiff`.

SRTM tiles are named by their south-west corner (N38W099.hgt) and hold 1201 or 3601 rows of big-endian
16-bit metres above mean sea level, north first; -32768 is no data (USGS, SRTM Topography, 2005).
"""

from __future__ import annotations

import math
import re
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

_NAME = re.compile(r"([NS])(\d{2})([EW])(\d{3})\.hgt", re.IGNORECASE)
HGT_SIDES = {1201 * 1201 * 2: 1201, 3601 * 3601 * 2: 3601}
_NO_DATA = -32_768
_TIFF = (".tif", ".tiff")
_HALF = 0.5 + 1e-6  # steps beyond the last post: the edge itself is not outside by its rounding
_METRES = ("m", "metre", "metres", "meter", "meters")


class TerrainError(ValueError):
    """A terrain file that cannot be used; the message says which, and what was expected."""


class _Tile:
    """One grid: rows from north to south, columns from west to east, in degrees."""

    def __init__(
        self,
        heights: Any,
        north_deg: float,
        west_deg: float,
        row_deg: float,
        column_deg: float,
        no_data: float,
    ) -> None:
        self._heights = heights
        self._corner = (north_deg, west_deg)
        self._step = (row_deg, column_deg)
        self._no_data = no_data

    def at(self, latitude_deg: Array, longitude_deg: Array) -> Array:
        """Bilinear between the four posts around; NaN outside and beside a post without data.

        A tile reaches half a step beyond its posts, flat: where tiles hold areas, not posts, no strip
        is left between two of them.
        """
        rows, columns = self._heights.shape
        row = (self._corner[0] - latitude_deg) / self._step[0]
        half_deg = (
            self._step[1] / 2
        )  # eastward from the western edge, whichever way that is counted
        on_deg = (longitude_deg - self._corner[1] + half_deg) % 360.0 - half_deg
        column = on_deg / self._step[1]
        inside = (row >= -_HALF) & (row <= rows - 1 + _HALF) & (column <= columns - 1 + _HALF)
        row, column = np.clip(row, 0, rows - 1), np.clip(column, 0, columns - 1)
        i = np.clip(row.astype(int), 0, rows - 2)
        j = np.clip(column.astype(int), 0, columns - 2)
        u, v = row - i, column - j
        total = np.zeros(row.shape)
        for di, dj, weight in (
            (0, 0, (1 - u) * (1 - v)),
            (0, 1, (1 - u) * v),
            (1, 0, u * (1 - v)),
            (1, 1, u * v),
        ):
            post = np.asarray(self._heights[i + di, j + dj], dtype=float)
            total += (
                np.where(weight > 0, np.where(post == self._no_data, np.nan, post), 0.0) * weight
            )
        return np.where(inside, total, np.nan)


class TerrainFolder:
    """The ground by latitude and longitude. Tiles are opened when they are first asked for."""

    def __init__(self, folder: Path, only: frozenset[str] | None = None) -> None:
        """TerrainError when the folder is not there, or holds no tile, or one that is broken.

        `only`: names of the files that count.
        """
        if not folder.is_dir():
            raise TerrainError(f"{folder}: no such folder of terrain tiles")
        self._paths: dict[tuple[int, int], Path] = {}
        self._open: dict[tuple[int, int], _Tile] = {}
        self._tiffs: list[_Tile] = []
        for path in sorted(folder.iterdir()):
            if only is not None and path.name not in only:
                continue
            match = _NAME.fullmatch(path.name)
            if match is not None:
                _side(path)
                south = int(match[2]) * (1 if match[1].upper() == "N" else -1)
                west = int(match[4]) * (1 if match[3].upper() == "E" else -1)
                self._paths[south, west] = path
            elif path.suffix.lower() in _TIFF:
                self._tiffs.append(_open_tiff(path))
        if not self._paths and not self._tiffs:
            raise TerrainError(f"{folder}: no N38W099.hgt or .tif file in it")

    def __call__(self, latitude_deg: float, longitude_deg: float) -> float | None:
        """Metres above mean sea level; None where no tile tells."""
        height = float(self.heights(np.array([latitude_deg]), np.array([longitude_deg]))[0])
        return None if math.isnan(height) else height

    def heights(self, latitude_deg: Array, longitude_deg: Array) -> Array:
        """The same for arrays of one shape (n,); NaN where no tile tells."""
        result = np.full(latitude_deg.shape, np.nan)
        for tiff in self._tiffs:
            missing = np.isnan(result)
            result[missing] = tiff.at(latitude_deg[missing], longitude_deg[missing])
        south = np.floor(latitude_deg).astype(int)
        west = np.floor(longitude_deg).astype(int)
        for key in sorted(set(zip(south.tolist(), west.tolist(), strict=True))):
            tile = self._tile(key)
            if tile is None:
                continue
            here = (south == key[0]) & (west == key[1]) & np.isnan(result)
            result[here] = tile.at(latitude_deg[here], longitude_deg[here])
        return result

    def _tile(self, key: tuple[int, int]) -> _Tile | None:
        if key not in self._open and key in self._paths:
            path = self._paths[key]
            side = _side(path)
            heights = np.memmap(path, dtype=">i2", mode="r", shape=(side, side))
            step = 1.0 / (side - 1)
            self._open[key] = _Tile(heights, key[0] + 1.0, float(key[1]), step, step, _NO_DATA)
        return self._open.get(key)


def _side(path: Path) -> int:
    size = path.stat().st_size
    if size not in HGT_SIDES:
        wanted = " or ".join(f"{n:,}" for n in HGT_SIDES)
        raise TerrainError(f"{path.name}: {wanted} bytes expected of an SRTM tile, not {size:,}")
    return HGT_SIDES[size]


def _open_tiff(path: Path) -> _Tile:
    try:
        import rasterio
    except ImportError as error:
        raise TerrainError(
            f"{path.name}: GeoTIFF needs the extra 'geotiff' (pip install 'leeward[geotiff]')"
        ) from error
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)  # said below
            with rasterio.open(path) as file:
                return _grid(rasterio, file, path.name)
    except rasterio.errors.RasterioError as error:
        raise TerrainError(
            f"{path.name}: cannot be read as GeoTIFF: {error.__cause__ or error}"
        ) from error


def _grid(rasterio: Any, file: Any, name: str) -> _Tile:
    """What is no map of heights in metres by latitude and longitude is refused."""
    crs, transform = file.crs, file.transform
    if crs is None or not crs.is_geographic:
        raise TerrainError(f"{name}: latitude and longitude (EPSG:4326) expected, not {crs}")
    if transform.is_identity:
        raise TerrainError(f"{name}: a place on the Earth expected, the file tells none")
    if transform.b or transform.d or transform.a <= 0:
        raise TerrainError(f"{name}: rows from west to east expected, not a grid that is turned")
    if file.count != 1 or np.dtype(file.dtypes[0]).kind not in "iuf":
        raise TerrainError(
            f"{name}: one band of heights expected, not {file.count} of {file.dtypes[0]}"
        )
    if (file.units[0] or "m").lower() not in _METRES:
        raise TerrainError(f"{name}: heights in metres expected, not in {file.units[0]}")
    scale, offset = file.scales[0], file.offsets[0]
    no_data = float("nan") if file.nodata is None else float(file.nodata)
    flags = rasterio.enums.MaskFlags
    if (scale, offset) == (1.0, 0.0) and flags.per_dataset not in file.mask_flag_enums[0]:
        heights = file.read(1)
    else:
        heights = file.read(1, masked=True).astype(np.float32).filled(np.nan) * scale + offset
        no_data = float("nan")
    row_deg, column_deg = -transform.e, transform.a
    north_deg, west_deg = transform.f - row_deg / 2, transform.c + column_deg / 2
    return _Tile(heights, north_deg, west_deg, row_deg, column_deg, no_data)
