"""What a flight and a forecast tell of the wind ahead: any beacon interval, any hour, any place."""

from __future__ import annotations

import numpy as np
import pytest

from server.flight.inputs import (
    BalloonPlan,
    DescentPlan,
    FlightPlan,
    LaunchPlan,
    Plan,
    Reception,
    TrackerPlan,
)
from server.flight.landing import winds
from server.flight.landing.legs import legs
from server.flight.landing.predict import Landing, predict
from server.flight.landing.question import Forecast
from server.flight.landing.wind_ageing import ageing
from server.flight.landing.wind_covariance import CENTRES_M, WindConstants
from server.flight.mission import Mission
from server.flight.physics.geodesy import LocalFrame
from tests.flights import LAUNCH, T0, altitude_at, landed_at, made_flight, packet


@pytest.mark.parametrize("interval_s", [1.0, 5.0, 7.0, 10.0, 60.0, 190.0, 300.0, 590.0])
def test_every_beacon_interval_gives_the_wind(interval_s: float) -> None:
    """From one fix a second to one in ten minutes: a climb of 5 m/s through wind that grows by height."""
    time_s = np.arange(0.0, 4_000.0, interval_s)
    z_m = 500.0 + 5.0 * time_s
    x_m = 4.0 * time_s + 0.5 * 0.002 * time_s**2
    seen = winds.samples(time_s, x_m, 0.0 * x_m, z_m, np.zeros(len(time_s), dtype=np.int64))
    true_ms = 4.0 + 0.002 * (CENTRES_M[seen.layer] - 500.0) / 5.0
    assert len(seen.layer) > 60
    thick_m = 5.0 * interval_s  # over a leg the wind is taken as one
    np.testing.assert_allclose(seen.east_ms, true_ms, atol=0.2 + 0.002 * thick_m / 5.0)
    if interval_s > 200.0:
        assert (seen.sigma_ms > 2.0).all(), "a layer's wind is not the mean of four"


def test_fixes_of_one_second_are_not_each_believed() -> None:
    time_s = np.arange(0.0, 900.0)
    first, second = legs(time_s, np.zeros(len(time_s), dtype=np.int64))
    assert (time_s[second] - time_s[first]).min() >= 8.0
    assert list(first[1:]) == list(second[:-1]), "each leg begins where the last one ended"
    two = legs(np.repeat(time_s, 2), np.tile([0, 1], len(time_s)))
    assert len(two[0]) == 2 * len(first)
    assert legs(np.empty(0), np.empty(0, dtype=np.int64))[0].size == 0


def test_what_lies_on_the_pad_tells_no_wind() -> None:
    """An hour at rest with a receiver's jitter, then a climb: the layers aloft stay as they were."""
    chance = np.random.default_rng(3)
    rest_s, climb_s = np.arange(0.0, 3_600.0, 30.0), np.arange(3_600.0, 5_000.0, 30.0)
    rest = np.column_stack(
        [
            rest_s,
            chance.normal(0.0, 4.0, rest_s.shape),
            560.0 + chance.normal(0.0, 3.0, rest_s.shape),
        ]
    )
    climb = np.column_stack(
        [climb_s, 10.0 * (climb_s - 3_600.0), 560.0 + 5.0 * (climb_s - 3_600.0)]
    )
    both = np.concatenate([rest, climb])
    calm = [
        winds.samples(
            rows[:, 0], rows[:, 1], 0 * rows[:, 1], rows[:, 2], np.zeros(len(rows), dtype=np.int64)
        )
        for rows in (both, climb)
    ]
    assert calm[0].layer.tolist() == calm[1].layer.tolist()
    np.testing.assert_allclose(calm[0].east_ms, calm[1].east_ms, atol=1.0)


class Growing:
    """A forecast that is right: 8 m/s from the west, and 2 m/s more each hour and each 100 km east."""

    run_s = None

    def __init__(self, since_s: float, spread_ms: np.ndarray | None = None) -> None:
        self._since_s, self.spread_ms = since_s, spread_ms

    def profile(
        self, _: float, longitude_deg: float, time_s: float, /
    ) -> tuple[winds.Array, winds.Array, winds.Array]:
        east_ms = 8.0 + 2.0 * (time_s - self._since_s) / 3_600.0 + 2.0 * (longitude_deg + 98.2)
        return np.array([0.0, 40_000.0]), np.full(2, east_ms), np.zeros(2)

    def spread(self, *_: float) -> tuple[np.ndarray, np.ndarray] | None:
        return None if self.spread_ms is None else (np.array([0.0, 40_000.0]), self.spread_ms)


def predicted(plan: Plan, forecast: Forecast | None, heard: list[Reception]) -> Landing:
    flight = Mission(plan, None, forecast)
    flight.receive(heard)
    question = flight.flights[0].landing_question()
    assert question is not None
    answer = predict(question)
    assert answer is not None
    return answer


@pytest.mark.parametrize(
    ("until_s", "within_m"), [(300.0, 900.0), (2_500.0, 2_400.0), (6_000.0, 900.0)]
)
def test_a_right_forecast_of_a_growing_wind_is_not_undone(until_s: float, within_m: float) -> None:
    """What was measured is held against the forecast of its own time and place, not of later ones.

    The made balloon climbs at one rate, real ones more slowly aloft: half-way up the wind is expected to
    have grown some minutes longer than it does.
    """
    forecast, frame = Growing(T0), LocalFrame(LAUNCH[0], LAUNCH[1])
    x_m, heard, end_s = 0.0, [], landed_at(5_400.0)
    for second in range(int(end_s) + 1):
        latitude_deg, longitude_deg = map(float, frame.to_latlon(x_m, 0.0))
        if second % 30 == 0 and second <= until_s:
            place = (latitude_deg, longitude_deg, altitude_at(float(second)))
            heard.append(packet(float(second), position=place))
        if second > 120:
            x_m += float(forecast.profile(0.0, longitude_deg, T0 + second)[1][0])
    plan = Plan(
        flights=(
            FlightPlan(
                launch=LaunchPlan(*LAUNCH),
                balloon=BalloonPlan(burst_altitude_m=26_960.0, burst_altitude_sigma_m=200.0),
                descent=DescentPlan(fall_speed_sea_level_ms=5.0, fall_speed_relative_sigma=0.02),
                trackers=(TrackerPlan("Main", callsign="N0CALL-11"),),
            ),
        )
    )
    errors_m = []
    for told in (forecast, None):
        answer = predicted(plan, told, heard)
        late_m = (answer.time_s - T0 - end_s) * 12.0  # the made air is not the standard's
        errors_m.append(abs(answer.x_m - late_m - x_m))
    assert errors_m[0] < within_m
    assert errors_m[0] < 0.5 * errors_m[1]


def test_on_the_pad_it_is_predicted_from_the_planned_launch_on() -> None:
    forecast = Growing(T0)
    heard = [packet(float(second), position=LAUNCH) for second in range(0, 91, 30)]
    asked = {}
    for launch_s in (None, T0 + 7_200.0, T0 - 7_200.0):
        plan = Plan(
            flights=(
                FlightPlan(
                    launch=LaunchPlan(*LAUNCH, time_s=launch_s),
                    trackers=(TrackerPlan("Main", callsign="N0CALL-11"),),
                ),
            )
        )
        asked[launch_s] = predicted(plan, forecast, heard)
    now, later, past = asked.values()
    assert past.time_s == pytest.approx(now.time_s, abs=1.0), "held up: it may go at any moment"
    assert later.time_s - now.time_s == pytest.approx(7_200.0 - 90.0, abs=60.0)
    assert later.as_of_s == now.as_of_s
    assert later.x_m > now.x_m + 15_000.0, "in two hours it blows harder"


def test_a_layer_that_was_met_hours_ago_is_less_sure_with_all_about_it() -> None:
    """Longhand: nothing is added within three hours; at six the stated sigma; 2/3 law; tall."""
    c = WindConstants()
    row = np.arange(3, dtype=np.float64)
    layer = np.array([10, 14, 40])
    seen = winds.WindSamples(layer, 0 * row, row, row, 1 + 0 * row, 0 * row, 0 * row)
    here = (0 * row, 0 * row)

    def added(hours: float) -> np.ndarray:
        return ageing(seen, layer, np.full(3, 3_600.0 * hours), here, c)

    assert (added(2.9) == 0.0).all()
    np.testing.assert_allclose(np.diag(added(6.0)), c.ageing_sigma_ms**2)
    law = (4.0 ** (2 / 3) - 1.0) / (2.0 ** (2 / 3) - 1.0)
    np.testing.assert_allclose(np.diag(added(12.0)), c.ageing_sigma_ms**2 * law)
    beside = added(6.0)[0, 1] / added(6.0)[0, 0]
    assert beside == pytest.approx(np.exp(-1_000.0 / c.lasting_height_m))
    far = (
        np.full(3, 20.0 * 21_600.0),
        0 * row,
    )  # a distance counts as the time that air takes over it
    np.testing.assert_allclose(ageing(seen, layer, 0 * row, far, c), added(6.0))
    assert (np.linalg.eigvalsh(added(9.0)) > -1e-9).all()
    none = winds.WindSamples(layer[:0], *(row[:0] for _ in range(6)))
    assert (ageing(none, layer, row, here, c) == 0.0).all()


def test_an_ensemble_that_agrees_makes_the_area_smaller_and_one_that_does_not_wider() -> None:
    heard = list(made_flight(600.0))
    plan = Plan(
        flights=(
            FlightPlan(
                launch=LaunchPlan(*LAUNCH), trackers=(TrackerPlan("Main", callsign="N0CALL-11"),)
            ),
        )
    )
    radii_m = [
        predicted(plan, Growing(T0, spread_ms), heard).nine_tenths.radius_m
        for spread_ms in (np.array([0.5, 0.5]), None, np.array([8.0, 8.0]))
    ]
    assert radii_m[0] < 0.99 * radii_m[1]  # burst and climb rate are as unsure as before
    assert radii_m[2] > 1.2 * radii_m[1]  # and the climb has shown by now that it is not so wrong
