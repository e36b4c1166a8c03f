"""GRIB2 that the tests write through ecCodes, read back; what is expected is computed by hand here."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from server.geodata.forecast import read_forecast
from server.geodata.forecast_winds import ForecastError, GridForecast
from server.geodata.grib import read_grib
from tests.flights import T0
from tests.geodata.extras import require_module
from tests.geodata.grib_files import (
    BY_LEVEL,
    EAST_MS,
    HEIGHTS_M,
    LATITUDES_DEG,
    LONGITUDES_DEG,
    NOON_S,
    NORTH_MS,
    PACKED_MS,
    Point,
    Value,
    column,
    scanned,
    wind,
    write_grib,
)


def test_it_is_interpolated_in_place_and_time(tmp_path: Path) -> None:
    """At 38.75 N, 98.2 W and 15 UTC: a quarter of the way from 39 to 38.5, 0.6 from 98.5 to 98, half

    way from 12 to 18 UTC. East grows by 2 m/s a degree north and by 0.5 m/s an hour, north by 3 m/s a
    degree east, and the levels rise by 40 m a degree north."""
    fields: dict[str, Value] = {
        "u": lambda at: EAST_MS[at.level] + 2.0 * (at.latitude_deg - 38.0) + 0.5 * (at.hour - 12),
        "v": lambda at: NORTH_MS[at.level] + 3.0 * (at.longitude_deg + 98.0),
        "gh": lambda at: HEIGHTS_M[at.level] + 40.0 * (at.latitude_deg - 38.0),
    }
    path = write_grib(tmp_path / "model.grib2", fields)
    height, east, north = column(path, 38.75, -98.2, NOON_S + 3 * 3_600)
    np.testing.assert_allclose(height, [h + 30.0 for h in HEIGHTS_M], atol=1.0)
    np.testing.assert_allclose(east, [e + 1.5 + 1.5 for e in EAST_MS], atol=PACKED_MS)
    np.testing.assert_allclose(north, [n - 0.6 for n in NORTH_MS], atol=PACKED_MS)


def test_times_have_minutes_and_steps(tmp_path: Path) -> None:
    """Valid three hours after 12:30 UTC."""
    path = write_grib(tmp_path / "step.grib2", hours=(12,), dataTime=1230, step=3)
    forecast = read_grib(path)
    assert isinstance(forecast, GridForecast)
    assert forecast.time_s.tolist() == [NOON_S + 3.5 * 3_600]
    assert forecast.run_s == NOON_S + 0.5 * 3_600


def test_geopotential_stands_in_for_height(tmp_path: Path) -> None:
    """WMO No. 8 and the standard atmosphere: geopotential over 9.80665 m/s^2 is geopotential height."""
    fields = {**BY_LEVEL, "z": lambda at: HEIGHTS_M[at.level] * 9.80665}
    del fields["gh"]
    height, *_ = column(write_grib(tmp_path / "z.grib2", fields), 38.0, -98.0)
    np.testing.assert_allclose(height, HEIGHTS_M, atol=1.0)


def test_fields_that_share_a_message_are_all_read(tmp_path: Path) -> None:
    """u and v are often sent together, sections 4 to 7 repeated (ecCodes: multi-field messages)."""
    eccodes = require_module("eccodes", "grib")
    with (tmp_path / "shared.grib2").open("wb") as file:
        for level in range(10):
            together = eccodes.codes_grib_multi_new()
            path = write_grib(tmp_path / "one.grib2", first=level, levels=level + 1, hours=(12,))
            with path.open("rb") as single:
                while (message := eccodes.codes_grib_new_from_file(single)) is not None:
                    eccodes.codes_grib_multi_append(message, 4, together)
                    eccodes.codes_release(message)
            eccodes.codes_grib_multi_write(together, file)
            eccodes.codes_grib_multi_release(together)
    eccodes.codes_grib_multi_support_off()  # making a message of several fields turned it on
    assert (tmp_path / "shared.grib2").read_bytes().count(b"GRIB") == 10
    height, east, north = column(tmp_path / "shared.grib2", 38.0, -98.0)
    np.testing.assert_allclose(height, HEIGHTS_M, atol=1.0)
    np.testing.assert_allclose(east, EAST_MS, atol=PACKED_MS)
    np.testing.assert_allclose(north, NORTH_MS, atol=PACKED_MS)


def test_levels_in_any_order_come_from_below(tmp_path: Path) -> None:
    upside_down = wind(
        lambda at: EAST_MS[9 - at.level], lambda at: NORTH_MS[9 - at.level]
    )  # what the file calls 1000 hPa lies highest
    upside_down["gh"] = lambda at: HEIGHTS_M[9 - at.level]
    height, east, north = column(write_grib(tmp_path / "up.grib2", upside_down), 38.0, -98.0)
    np.testing.assert_allclose(height, HEIGHTS_M, atol=1.0)
    np.testing.assert_allclose(east, EAST_MS, atol=PACKED_MS)
    np.testing.assert_allclose(north, NORTH_MS, atol=PACKED_MS)


@pytest.mark.parametrize("mode", range(0, 256, 16), ids=lambda mode: f"{mode >> 4:04b}")
def test_every_scanning_order_puts_points_in_their_places(tmp_path: Path, mode: int) -> None:
    """All sixteen of flag table 3.4, each point with a value of its own, on a grid of 7 by 9."""

    def own(at: Point) -> float:
        row = LATITUDES_DEG.index(at.latitude_deg)
        return 10.0 * row + LONGITUDES_DEG.index(at.longitude_deg) + 0.1 * at.level

    path = write_grib(
        tmp_path / "scanned.grib2", wind(own, lambda at: -own(at)), mode=mode, levels=3, hours=(12,)
    )
    forecast = read_grib(path)
    for row, latitude_deg in enumerate(LATITUDES_DEG):
        for place, longitude_deg in enumerate(LONGITUDES_DEG):
            _, east, north = forecast.profile(latitude_deg, longitude_deg, NOON_S)
            expected = np.array([0.0, 0.1, 0.2]) + 10.0 * row + place
            np.testing.assert_allclose(east, expected, atol=PACKED_MS)
            np.testing.assert_allclose(north, -expected, atol=PACKED_MS)


def test_the_tests_order_is_that_of_the_formats_own_library(tmp_path: Path) -> None:
    """ecCodes names each value's place itself, for the eight orders without alternation."""
    eccodes = require_module("eccodes", "grib")
    for mode in range(0, 256, 32):
        path = write_grib(tmp_path / "one.grib2", BY_LEVEL, mode=mode, levels=1, hours=(12,))
        with path.open("rb") as file:
            message = eccodes.codes_grib_new_from_file(file)
        places = scanned(LATITUDES_DEG, LONGITUDES_DEG, mode)
        numbers = {place: float(number) for number, place in enumerate(sorted(places))}
        eccodes.codes_set_values(message, [numbers[place] for place in places])
        for point in eccodes.codes_grib_get_data(message):
            assert round(point.value) == numbers[point.lat, point.lon - 360.0], f"{mode:08b}"
        eccodes.codes_release(message)


def test_orders_that_are_not_read_are_refused(tmp_path: Path) -> None:
    for keys, words in (
        ({"scanningMode": 0b1000}, "not shifted ones"),
        # a grid sent towards the west with the flag of the east would go round the Earth
        ({"scanningMode": 0b1000_0000}, "fit its step and scanning order"),
        ({"scanningMode": 0b0100_0000}, "fit its scanning order"),
        (
            {"iDirectionIncrementInDegrees": 0.25},
            "9 points of longitude are 0.5 degrees apart, 0.25",
        ),
    ):
        path = write_grib(tmp_path / "odd.grib2", levels=3, **keys)
        with pytest.raises(ForecastError, match=words) as raised:
            read_grib(path)
        assert str(path) in str(raised.value)


# the antimeridian, and grids round the Earth


def eastward(path: Path, longitudes: Sequence[float], mode: int = 0) -> Path:
    """East grows by 0.5 m/s a degree from the first longitude on."""

    def east_ms(at: Point) -> float:
        return EAST_MS[at.level] + 0.5 * (at.longitude_deg - longitudes[0])

    fields = wind(east_ms, lambda at: NORTH_MS[at.level])
    return write_grib(path, fields, longitudes=longitudes, mode=mode, hours=(12,))


@pytest.mark.parametrize("mode", [0, 0x80], ids=["eastward", "westward"])
def test_a_grid_across_the_antimeridian(tmp_path: Path, mode: int) -> None:
    longitudes = [170.0 + 0.5 * n for n in range(41)]  # to 190, which is 170 W
    path = eastward(tmp_path / "across.grib2", longitudes, mode)
    forecast = read_grib(path)
    for longitude_deg, on_deg in (
        (170.0, 0.0),
        (179.75, 9.75),
        (180.0, 10.0),
        (-180.0, 10.0),
        (-179.9, 10.1),
        (-170.0, 20.0),
    ):
        _, east, _ = forecast.profile(38.2, longitude_deg, NOON_S)
        np.testing.assert_allclose(east, [e + 0.5 * on_deg for e in EAST_MS], atol=PACKED_MS)
    for longitude_deg in (169.9, -169.9, 0.0, -98.2):
        with pytest.raises(ForecastError, match="covers longitude 170 to -170, the flight is at"):
            forecast.profile(38.2, longitude_deg, NOON_S)


@pytest.mark.parametrize("first_deg", [0.0, -180.0, 20.0])
def test_a_grid_round_the_earth_has_no_edge(tmp_path: Path, first_deg: float) -> None:
    """Every 2.5 degrees, the last at 2.5 short of the first. The wind is the level's by the cosine of

    the longitude; between two points it is the line between their cosines."""
    longitudes = [first_deg + 2.5 * n for n in range(144)]
    path = write_grib(
        tmp_path / "globe.grib2",
        wind(
            lambda at: EAST_MS[at.level] * math.cos(math.radians(at.longitude_deg)),
            lambda at: NORTH_MS[at.level],
        ),
        latitudes=(37.0, 38.0, 39.0),
        longitudes=longitudes,
        hours=(12,),
    )
    forecast = read_grib(path)
    for longitude_deg, low_deg, part in (
        (179.9, 177.5, 0.96),
        (-179.9, 180.0, 0.04),
        (-1.0, 357.5, 0.6),
        (0.0, 0.0, 0.0),
        (19.5, 17.5, 0.8),
        (-98.0, -100.0, 0.8),
        (262.0, 260.0, 0.8),
    ):
        low, high = (math.cos(math.radians(deg)) for deg in (low_deg, low_deg + 2.5))
        _, east, north = forecast.profile(38.2, longitude_deg, NOON_S)
        expected = [e * (low + part * (high - low)) for e in EAST_MS]
        np.testing.assert_allclose(east, expected, atol=PACKED_MS)
        np.testing.assert_allclose(north, NORTH_MS, atol=PACKED_MS)


def test_a_grid_almost_round_the_earth_has_one(tmp_path: Path) -> None:
    longitudes = [2.5 * n for n in range(143)]  # to 355
    forecast = read_grib(eastward(tmp_path / "gap.grib2", longitudes))
    forecast.profile(38.2, -5.0, NOON_S)
    with pytest.raises(ForecastError, match="covers longitude 0 to -5, the flight is at -3"):
        forecast.profile(38.2, -3.0, NOON_S)


def test_places_and_times_outside_are_refused(tmp_path: Path) -> None:
    path = write_grib(tmp_path / "model.grib2")
    forecast = read_grib(path)
    for latitude_deg, longitude_deg in ((37.0, -100.0), (40.0, -96.0)):  # its corners are inside
        forecast.profile(latitude_deg, longitude_deg, NOON_S)
    for latitude_deg, longitude_deg, words in (
        (52.0, -98.2, "covers latitude 37 to 40, the flight is at 52"),
        (36.99, -98.2, "covers latitude"),
        (38.0, -95.9, "covers longitude -100 to -96, the flight is at -95.9"),
        (38.0, 98.2, "covers longitude"),
        (38.0, 179.9, "covers longitude"),
        (38.0, math.nan, "covers longitude"),
        (math.nan, -98.2, "covers latitude"),
    ):
        with pytest.raises(ForecastError, match=words):
            forecast.profile(latitude_deg, longitude_deg, NOON_S)
    with pytest.raises(
        ForecastError,
        match=r"2026-06-01 12:00 UTC to 2026-06-01 18:00 UTC, 43 h from 2026-06-03 13:00",
    ):
        forecast.profile(38.0, -98.2, T0 + 2 * 86_400)


# what is refused


def test_two_fields_for_one_place_in_the_file_are_refused(tmp_path: Path) -> None:
    """Which of two runs, or members, is meant nobody told. The same one twice is no harm."""
    once = write_grib(tmp_path / "once.grib2", hours=(12,)).read_bytes()
    other = wind(lambda at: EAST_MS[at.level] + 2.0, BY_LEVEL["v"])
    again = write_grib(tmp_path / "other.grib2", other, hours=(12,)).read_bytes()
    (tmp_path / "two.grib2").write_bytes(once + again)
    with pytest.raises(ForecastError, match="one u at 1000 hPa expected for each time, not two"):
        read_grib(tmp_path / "two.grib2")
    geopotential: dict[str, Value] = {"z": lambda at: HEIGHTS_M[at.level] * 9.80665}
    same = write_grib(tmp_path / "z.grib2", geopotential, hours=(12,)).read_bytes()
    (tmp_path / "twice.grib2").write_bytes(once + once + same)
    height, east, _ = column(tmp_path / "twice.grib2", 38.0, -98.0)
    np.testing.assert_allclose(height, HEIGHTS_M, atol=1.0)
    np.testing.assert_allclose(east, EAST_MS, atol=PACKED_MS)


def test_a_file_that_ends_its_decoders_process_ends_nothing_else(tmp_path: Path) -> None:
    """Found by chance bytes: ecCodes 2.50 dies of these (signal 11); a later one may refuse the file."""
    file = tmp_path / "model.grib2"
    fields = {
        "u": lambda at: None if at.level < 1 else 5.0,
        "v": lambda _: 1.0,
        "gh": lambda at: HEIGHTS_M[at.level],
    }
    write_grib(file, fields)
    damaged = bytearray(file.read_bytes())
    damaged[494:502] = bytes([0, 255, 0, 0, 255, 1, 0, 255])
    damaged[7876:7878], damaged[131] = bytes([255, 241]), 255
    file.write_bytes(damaged)
    with pytest.raises(ForecastError):
        read_forecast(file)
