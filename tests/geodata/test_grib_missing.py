"""What GRIB2 files lack: levels under the ground, numbers that stand for missing, whole fields."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from server.geodata.forecast import read_forecast
from server.geodata.forecast_winds import ForecastError
from server.geodata.grib import read_grib
from tests.geodata.grib_files import (
    BY_LEVEL,
    EAST_MS,
    HEIGHTS_M,
    NOON_S,
    NORTH_MS,
    PACKED_MS,
    Point,
    Value,
    column,
    wind,
    write_grib,
)


def under_the_ground(hidden: int, east_of_deg: float = 180.0, hour: int | None = None) -> Value:
    """East wind whose lowest `hidden` levels are missing west of a longitude, at one hour or both."""

    def east_ms(at: Point) -> float | None:
        gone = at.level < hidden and at.longitude_deg < east_of_deg and hour in (None, at.hour)
        return None if gone else EAST_MS[at.level]

    return east_ms


def test_levels_under_the_ground_are_left_out(tmp_path: Path) -> None:
    path = write_grib(
        tmp_path / "masked.grib2", {**BY_LEVEL, "u": under_the_ground(2)}, hours=(12,)
    )
    height, east, north = column(path, 38.35, -98.2)
    np.testing.assert_allclose(height, HEIGHTS_M[2:], atol=1.0)
    np.testing.assert_allclose(east, EAST_MS[2:], atol=PACKED_MS)
    np.testing.assert_allclose(north, NORTH_MS[2:], atol=PACKED_MS)


@pytest.mark.parametrize("name", ["u", "v", "gh"])
def test_they_are_left_out_where_they_are_missing_alone(tmp_path: Path, name: str) -> None:
    """Missing west of 98 W. At 98 W itself its western neighbour has no say."""
    known = BY_LEVEL[name]
    hidden = under_the_ground(3, -98.0)

    def value(at: Point) -> float | None:
        return None if hidden(at) is None else known(at)

    path = write_grib(tmp_path / "slope.grib2", {**BY_LEVEL, name: value}, hours=(12,))
    for longitude_deg, left_out in ((-99.2, 3), (-98.1, 3), (-98.0, 0), (-97.1, 0)):
        height, east, _ = column(path, 38.35, longitude_deg)
        np.testing.assert_allclose(height, HEIGHTS_M[left_out:], atol=1.0)
        np.testing.assert_allclose(east, EAST_MS[left_out:], atol=PACKED_MS)


def test_they_are_left_out_when_they_are_missing_alone(tmp_path: Path) -> None:
    path = write_grib(
        tmp_path / "later.grib2", {**BY_LEVEL, "u": under_the_ground(1, hour=18)}, hours=(12, 18)
    )
    assert len(column(path, 38.35, -98.2, NOON_S)[0]) == 10
    assert len(column(path, 38.35, -98.2, NOON_S + 3_600)[0]) == 9
    assert len(column(path, 38.35, -98.2, NOON_S + 6 * 3_600)[0]) == 9


def test_too_few_levels_that_are_known(tmp_path: Path) -> None:
    path = write_grib(
        tmp_path / "thin.grib2", {**BY_LEVEL, "v": under_the_ground(8, -98.0)}, hours=(12,)
    )
    forecast = read_grib(path)
    assert len(forecast.profile(38.35, -97.2, NOON_S)[0]) == 10
    with pytest.raises(ForecastError, match=r"knows 2 of its 10 at 38\.35, -99\.20"):
        forecast.profile(38.35, -99.2, NOON_S)
    empty = write_grib(tmp_path / "empty.grib2", {**BY_LEVEL, "v": under_the_ground(10)})
    with pytest.raises(ForecastError, match="missing everywhere"):
        read_grib(empty)


def test_a_number_that_stands_for_missing_is_no_wind(tmp_path: Path) -> None:
    """Without a bitmap nothing tells it from a value but that no wind is like it."""
    fields = wind(lambda at: 9_999.0 if at.level == 0 else EAST_MS[at.level], lambda at: 0.0)
    path = write_grib(tmp_path / "filled.grib2", fields)
    with pytest.raises(ForecastError, match="u at 1000 hPa within ±300 m/s expected, not 9999"):
        read_grib(path)


def test_files_without_what_is_needed_are_refused(tmp_path: Path) -> None:
    without = {name: value for name, value in BY_LEVEL.items() if name != "gh"}
    with pytest.raises(ForecastError, match="geopotential height on 3 or more"):
        read_forecast(write_grib(tmp_path / "winds.grib2", without))
    with pytest.raises(ForecastError, match="found 2"):
        read_forecast(write_grib(tmp_path / "thin.grib2", levels=2))
    whole = write_grib(tmp_path / "whole.grib2", levels=3).read_bytes()
    wider = write_grib(tmp_path / "wider.grib2", levels=3, longitudes=[-100.0, -98.0, -96.0])
    (tmp_path / "two.grib2").write_bytes(whole + wider.read_bytes())
    (tmp_path / "cut.grib2").write_bytes(whole[:-100])
    (tmp_path / "empty.grib2").write_bytes(b"")
    (tmp_path / "text.grib2").write_bytes(b"GRIB but not really" * 50)
    nine_by_seven, nine_by_eight = (bytes((0, 0, 0, 9, 0, 0, 0, rows)) for rows in (7, 8))
    (tmp_path / "short.grib2").write_bytes(whole.replace(nine_by_seven, nine_by_eight))
    for name, words in (
        ("two", "all fields on one grid"),
        ("cut", "not GRIB2"),
        ("empty", "no field"),
        ("text", r"not GRIB2|no field"),
        ("short", "8 x 9 values expected, not 63"),
        ("none", "no such file"),
    ):
        with pytest.raises(ForecastError, match=words):
            read_forecast(tmp_path / f"{name}.grib2")
