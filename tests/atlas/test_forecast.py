"""Forecast winds from a table and from GRIB2 that the test writes; what they do to the prediction."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from server.atlas.forecast import ForecastError, TableForecast, check, read_forecast
from server.flight.flight import Flight
from server.flight.geodesy import LocalFrame
from server.flight.landing.predict import Landing, predict
from server.flight.landing.question import Forecast
from tests.flight.test_landing import PLAN
from tests.flights import LAUNCH, T0, made_flight

LEVELS_HPA = (1000, 850, 700, 500, 300, 200, 100, 50, 20, 10)
HEIGHTS_M = (110, 1_460, 3_010, 5_570, 9_160, 11_780, 16_180, 20_580, 26_480, 31_050)


def everywhere(east_ms: float, north_ms: float) -> TableForecast:
    heights = np.array([0.0, 10_000.0, 40_000.0])
    return TableForecast(heights, np.full(3, east_ms), np.full(3, north_ms))


def landing(forecast: Forecast | None, until_s: float) -> tuple[Landing, float, float]:
    flight = Flight(PLAN, None, forecast)
    flight.receive(list(made_flight(until_s)))
    question = flight.landing_question()
    assert question is not None
    answer = predict(question)
    assert answer is not None
    return answer, question.motion.x.position, question.motion.y.position


def test_before_the_launch_it_drifts_with_the_forecast_for_the_whole_flight() -> None:
    # by hand: distance = wind x (height / ascent rate + time of the fall)
    answer, x_m, y_m = landing(everywhere(10.0, -4.0), 90.0)
    aloft_s = answer.time_s - answer.as_of_s
    assert answer.x_m - x_m == pytest.approx(10.0 * aloft_s, rel=0.03)
    assert answer.y_m - y_m == pytest.approx(-4.0 * aloft_s, rel=0.06)
    assert 6_000.0 < aloft_s < 10_000.0


def test_what_is_measured_corrects_the_forecast() -> None:
    """The made flight drifts east at 8 m/s; a forecast of 20 m/s is believed above it alone."""
    wrong, x_m, _ = landing(everywhere(20.0, 0.0), 3_000.0)
    unled, _, _ = landing(None, 3_000.0)
    late, late_x_m, _ = landing(everywhere(20.0, 0.0), 6_900.0)
    assert wrong.x_m > unled.x_m
    left_s = late.time_s - late.as_of_s
    assert late.x_m - late_x_m == pytest.approx(8.0 * left_s, abs=2.5 * left_s)
    assert wrong.x_m - x_m < 20.0 * (wrong.time_s - wrong.as_of_s)


def test_a_table_of_directions(tmp_path: Path) -> None:
    file = tmp_path / "sounding.csv"
    file.write_text("altitude_m,direction_deg,speed_ms\n9000,270,30\n500,180,5\n3000,225,14.142\n")
    heights, east, north = read_forecast(file).profile(38.0, -98.0, T0)
    np.testing.assert_allclose(heights, [500, 3_000, 9_000])
    np.testing.assert_allclose(east, [0, 10, 30], atol=1e-3)
    np.testing.assert_allclose(north, [5, 10, 0], atol=1e-3)


WRONG_TABLES = [
    ("altitude_m,speed_ms\n1,2\n", "direction_deg is missing"),
    ("altitude_m,direction_deg,speed_ms\n1,2,x\n", "numbers expected"),
    ("altitude_m,direction_deg,speed_ms\n1,2\n", "numbers expected"),
    ("altitude_m,direction_deg,speed_ms\n1,2,3\n", "3 levels or more"),
    ("altitude_m,direction_deg,speed_ms\n1,2,3\n2,2,3\n3,2,900\n", "0 to 150"),
]


@pytest.mark.parametrize(("text", "words"), WRONG_TABLES)
def test_a_wrong_table_is_explained(tmp_path: Path, text: str, words: str) -> None:
    file = tmp_path / "sounding.csv"
    file.write_text(text)
    with pytest.raises(ForecastError, match=words):
        read_forecast(file)


def write_grib(path: Path, *, names: tuple[str, ...] = ("u", "v", "gh"), levels: int = 10) -> None:
    """Ten levels on a grid of 0.5 degrees about the launch, at 12 and 18 UTC: u grows with time."""
    eccodes = pytest.importorskip("eccodes", reason="the extra grib is not installed")
    day = int(datetime.fromtimestamp(T0, UTC).strftime("%Y%m%d"))
    latitudes = np.arange(40.0, 36.9, -0.5)
    longitudes = np.arange(-100.0, -95.9, 0.5)
    with path.open("wb") as file:
        for hour in (12, 18):
            for level, height_m in list(zip(LEVELS_HPA, HEIGHTS_M, strict=True))[:levels]:
                for name in names:
                    message = eccodes.codes_grib_new_from_samples("regular_ll_pl_grib2")
                    settings = {
                        "dataDate": day, "dataTime": hour * 100, "shortName": name, "level": level,
                        "Ni": len(longitudes), "Nj": len(latitudes),
                        "latitudeOfFirstGridPointInDegrees": latitudes[0],
                        "latitudeOfLastGridPointInDegrees": latitudes[-1],
                        "longitudeOfFirstGridPointInDegrees": longitudes[0] + 360,
                        "longitudeOfLastGridPointInDegrees": longitudes[-1] + 360,
                        "iDirectionIncrementInDegrees": 0.5, "jDirectionIncrementInDegrees": 0.5,
                    }  # fmt: skip
                    for key, value in settings.items():
                        eccodes.codes_set(message, key, value)
                    field = {
                        "u": np.full((len(latitudes), len(longitudes)), hour + 0.0),
                        "v": np.repeat(latitudes[:, None] - 38.0, len(longitudes), axis=1),
                        "gh": np.full((len(latitudes), len(longitudes)), float(height_m)),
                    }[name]
                    eccodes.codes_set_values(message, field.ravel())
                    eccodes.codes_write(message, file)
                    eccodes.codes_release(message)


def test_grib2_is_read_back(tmp_path: Path) -> None:
    write_grib(tmp_path / "model.grib2")
    forecast = read_forecast(tmp_path / "model.grib2")
    heights, east, north = forecast.profile(38.75, -98.2, T0 + 2 * 3_600)  # 15 UTC
    np.testing.assert_allclose(heights, HEIGHTS_M, rtol=1e-3)
    np.testing.assert_allclose(east, 15.0, atol=0.01)  # half way between 12 and 18
    np.testing.assert_allclose(north, 0.75, atol=0.01)
    with pytest.raises(ForecastError, match="covers latitude 37 to 40, the flight is at 52"):
        forecast.profile(52.0, -98.2, T0)
    with pytest.raises(
        ForecastError,
        match=r"2026-06-01 12:00 UTC to 2026-06-01 18:00 UTC, 43 h from 2026-06-03 13:00",
    ):
        forecast.profile(38.0, -98.2, T0 + 2 * 86_400)


def test_grib2_moves_the_prediction_as_computed_by_hand(tmp_path: Path) -> None:
    write_grib(tmp_path / "model.grib2")
    forecast = read_forecast(tmp_path / "model.grib2")
    answer, x_m, y_m = landing(forecast, 90.0)
    aloft_s = answer.time_s - answer.as_of_s
    middle_s = answer.as_of_s + aloft_s * 0.5
    _, east, north = forecast.profile(LAUNCH[0], LAUNCH[1], middle_s)
    frame = LocalFrame(LAUNCH[0], LAUNCH[1])
    from_deg, to_deg = (frame.to_latlon(*at) for at in ((x_m, y_m), (answer.x_m, answer.y_m)))
    middle = math.radians((from_deg[0] + to_deg[0]) / 2)
    degree_m = 111_195.0  # of a great circle on a sphere of 6,371 km
    went_east_m = (to_deg[1] - from_deg[1]) * degree_m * math.cos(middle)  # along the parallel
    went_north_m = (to_deg[0] - from_deg[0]) * degree_m
    assert went_east_m == pytest.approx(float(east.mean()) * aloft_s, rel=0.06)
    assert went_north_m == pytest.approx(float(north.mean()) * aloft_s, abs=1_500.0)


def test_grib2_without_what_is_needed_is_refused(tmp_path: Path) -> None:
    write_grib(tmp_path / "winds.grib2", names=("u", "v"))
    with pytest.raises(ForecastError, match="geopotential height on 3 or more"):
        read_forecast(tmp_path / "winds.grib2")
    write_grib(tmp_path / "thin.grib2", levels=2)
    with pytest.raises(ForecastError, match="found 2"):
        read_forecast(tmp_path / "thin.grib2")
    (tmp_path / "text.grib2").write_bytes(b"GRIB but not really" * 50)
    with pytest.raises(ForecastError, match=r"not GRIB2|no field"):
        read_forecast(tmp_path / "text.grib2")
    with pytest.raises(ForecastError, match="no such file"):
        read_forecast(tmp_path / "none.grib2")


def test_what_a_forecast_cannot_do_is_said(tmp_path: Path) -> None:
    place = (LAUNCH[0], LAUNCH[1])
    write_grib(tmp_path / "winds.grib2")
    whole = read_forecast(tmp_path / "winds.grib2")
    assert check(whole, place, T0, 30_000.0) == (
        True, "forecast: 10 levels from 110 to 31,050 m",
    )  # fmt: skip
    for where, when_s, words in (
        ((10.0, LAUNCH[1]), T0, "covers latitude"),
        ((LAUNCH[0], 20.0), T0, "covers longitude"),
        (place, T0 + 5 * 86_400.0, "115 h from 2026-06-06"),
    ):
        sound, said = check(whole, where, when_s, 30_000.0)
        assert not sound
        assert words in said
        assert "the flight goes without it" in said
    write_grib(tmp_path / "low.grib2", levels=6)
    sound, said = check(read_forecast(tmp_path / "low.grib2"), place, T0, 30_000.0)
    assert not sound
    assert "levels end at 11,780 m, the burst is expected at 30,000 m" in said
