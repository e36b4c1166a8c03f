"""Forecast winds from a table; what they, and those of GRIB2, do to the prediction and say of a plan."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from server.flight.landing.predict import Landing, predict
from server.flight.landing.question import Forecast
from server.flight.mission import Mission
from server.flight.physics.geodesy import LocalFrame
from server.geodata.forecast import check, read_forecast
from server.geodata.forecast_winds import ForecastError, TableForecast
from server.session.session import Session
from tests.flight.test_landing import PLAN
from tests.flights import LAUNCH, T0, made_flight
from tests.geodata.grib_files import EAST_MS, HEIGHTS_M, NORTH_MS, wind, write_grib

NOON_S = T0 - 3_600.0  # the first time of the files


def everywhere(east_ms: float, north_ms: float) -> TableForecast:
    heights = np.array([0.0, 10_000.0, 40_000.0])
    return TableForecast(heights, np.full(3, east_ms), np.full(3, north_ms))


def landing(forecast: Forecast | None, until_s: float) -> tuple[Landing, float, float]:
    flight = Mission(PLAN, None, forecast)
    flight.receive(list(made_flight(until_s)))
    question = flight.flights[0].landing_question()
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


HEAD = "altitude_m,direction_deg,speed_ms\n"
WRONG_TABLES = [
    ("altitude_m,speed_ms\n1,2\n", "direction_deg is missing"),
    ("", "altitude_m is missing"),
    (f"{HEAD}1,2,x\n", "numbers expected"),
    (f"{HEAD}1,2\n", "numbers expected"),
    (f"{HEAD}1,2,3\n", "3 levels or more"),
    (f"{HEAD}1,2,3\n2,2,3\n3,2,900\n", "line 4: speed_ms of 0 to 150 expected, not 900"),
    (f"{HEAD}1,2,3\n2,2,-1\n3,2,9\n", "line 3: speed_ms of 0 to 150 expected, not -1"),
    (f"{HEAD}1,nan,3\n2,2,3\n3,2,9\n", "line 2: direction_deg of 0 to 360 expected, not nan"),
    (f"{HEAD}1,9999,3\n2,2,3\n3,2,9\n", "line 2: direction_deg of 0 to 360 expected, not 9999"),
    (f"{HEAD}1,2,3\n2,-720,3\n3,2,9\n", "line 3: direction_deg of 0 to 360 expected, not -720"),
    (
        f"{HEAD}1,2,3\n1e9,2,3\n3,2,9\n",
        "line 3: altitude_m of -1000 to 100000 expected, not 1e\\+09",
    ),
    (f"{HEAD}-1e9,2,3\n2,2,3\n3,2,9\n", "line 2: altitude_m of -1000 to 100000 expected, not -1e"),
    (f"{HEAD}100,2,3\n300,2,3\n100,2,30\n", "one row for each altitude expected, 100 m has more"),
    (f"{HEAD}{'1' * 200_000},2,3\n", "not a table: field larger than"),
]


@pytest.mark.parametrize(("text", "words"), WRONG_TABLES, ids=[words for _, words in WRONG_TABLES])
def test_a_wrong_table_is_explained(tmp_path: Path, text: str, words: str) -> None:
    file = tmp_path / "sounding.csv"
    file.write_text(text)
    with pytest.raises(ForecastError, match=words) as raised:
        read_forecast(file)
    assert str(file) in str(raised.value)


def test_a_table_that_is_no_text_is_explained(tmp_path: Path) -> None:
    file = tmp_path / "sounding.csv"
    file.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ForecastError, match=r"sounding\.csv: numbers expected"):
        read_forecast(file)


def went(from_m: Sequence[float], to_m: Sequence[float]) -> tuple[float, float]:
    """Metres east along the parallel between two places and metres north, on a sphere of 6,371 km."""
    frame = LocalFrame(LAUNCH[0], LAUNCH[1])
    from_deg, to_deg = frame.to_latlon(*from_m), frame.to_latlon(*to_m)
    middle = math.radians((from_deg[0] + to_deg[0]) / 2)
    degree_m = 111_195.0
    return (
        (to_deg[1] - from_deg[1]) * degree_m * math.cos(middle),
        (to_deg[0] - from_deg[0]) * degree_m,
    )


def test_grib2_moves_the_prediction_as_computed_by_hand(tmp_path: Path) -> None:
    """The wind of the levels, by the line between them, along the heights that it is said to pass.

    It grows by 0.5 m/s an hour from 12 UTC on, and is taken at half the time aloft.
    """
    path = write_grib(
        tmp_path / "model.grib2",
        wind(lambda at: EAST_MS[at.level] + 0.5 * (at.hour - 12), lambda at: NORTH_MS[at.level]),
    )
    answer, x_m, y_m = landing(read_forecast(path), 90.0)
    aloft_s = answer.time_s - answer.as_of_s
    later_ms = 0.5 * (answer.as_of_s + aloft_s / 2 - NOON_S) / 3_600.0
    time_s, altitude_m = answer.path[:, 0], answer.path[:, 3]
    step_s, middle_m = np.diff(time_s), (altitude_m[1:] + altitude_m[:-1]) / 2
    east_m = float(((np.interp(middle_m, HEIGHTS_M, EAST_MS) + later_ms) * step_s).sum())
    north_m = float((np.interp(middle_m, HEIGHTS_M, NORTH_MS) * step_s).sum())
    along_m, beside_m = went(answer.path[0, 1:3].tolist(), answer.path[-1, 1:3].tolist())
    measured_m = 0.3 * aloft_s  # the calm at rest before the launch takes part, a little, aloft too
    assert along_m == pytest.approx(east_m, abs=measured_m)
    assert beside_m == pytest.approx(north_m, abs=measured_m)
    # the landing itself is the middle of draws whose climb and burst differ
    along_m, beside_m = went((x_m, y_m), (answer.x_m, answer.y_m))
    assert along_m == pytest.approx(east_m, rel=0.06)
    assert beside_m == pytest.approx(north_m, abs=4_000.0)


def test_what_a_forecast_cannot_do_is_said(tmp_path: Path) -> None:
    place = (LAUNCH[0], LAUNCH[1])
    whole = read_forecast(
        write_grib(tmp_path / "winds.grib2")
    )  # fields of 12 and of 18 h, no steps
    assert check(whole, place, T0, 30_000.0) == (
        True,
        "forecast: 10 levels from 110 to 31,050 m, run of 2026-06-01 18:00 UTC, 5 h after the launch",
    )
    for where, when_s, words in (
        ((10.0, LAUNCH[1]), T0, "covers latitude"),
        ((LAUNCH[0], 20.0), T0, "covers longitude"),
        (place, T0 + 5 * 86_400.0, "115 h from 2026-06-06"),
    ):
        sound, said = check(whole, where, when_s, 30_000.0)
        assert not sound
        assert words in said
        assert "the flight goes without it" in said
    low = read_forecast(write_grib(tmp_path / "low.grib2", levels=6))
    sound, said = check(low, place, T0, 30_000.0)
    assert not sound
    assert "levels end at 11,780 m, the burst is expected at 30,000 m" in said
    under_ground = wind(
        lambda at: None if at.level < 2 else EAST_MS[at.level], lambda at: NORTH_MS[at.level]
    )
    masked = read_forecast(write_grib(tmp_path / "masked.grib2", under_ground))
    assert check(masked, place, T0, 30_000.0) == (
        True,
        "forecast: 8 of 10 levels from 3,010 to 31,050 m, run of 2026-06-01 18:00 UTC, 5 h after the launch",
    )


def test_without_a_time_the_place_is_checked(tmp_path: Path) -> None:
    whole = read_forecast(write_grib(tmp_path / "winds.grib2"))
    sound, said = check(whole, (LAUNCH[0], LAUNCH[1]), None, 30_000.0)
    assert sound
    assert said == (
        "forecast: 10 levels from 110 to 31,050 m, run of 2026-06-01 18:00 UTC; it is for "
        "2026-06-01 12:00 UTC to 2026-06-01 18:00 UTC, not checked: the plan has no launch time"
    )
    sound, said = check(whole, (10.0, 20.0), None, 30_000.0)
    assert not sound
    assert "covers latitude 37 to 40, the flight is at 10" in said
    assert check(everywhere(5.0, 5.0), (10.0, 20.0), None, 30_000.0) == (
        True,
        "forecast: 3 levels from 0 to 40,000 m",
    )


class _Elsewhere:
    run_s = None

    def profile(self, *_: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        raise ForecastError("the forecast covers latitude 37 to 40, the flight is at 52")

    def spread(self, *_: float) -> None:
        return None


def test_a_forecast_that_cannot_be_used_in_flight_is_said() -> None:
    """A flight that leaves the grid: it goes on by what it measured, and the crew is told."""
    answer, _, _ = landing(_Elsewhere(), 3_000.0)
    unled, _, _ = landing(None, 3_000.0)
    assert (answer.x_m, answer.nine_tenths.radius_m) == (unled.x_m, unled.nine_tenths.radius_m)
    watch = Session(Mission(PLAN, None, _Elsewhere()))
    watch.mission.receive(list(made_flight(3_000.0)))
    watch.settle_landing()
    (problem,) = watch.state().problems
    assert problem.kind == "forecast_unused"
    assert problem.detail == "the forecast covers latitude 37 to 40, the flight is at 52"
