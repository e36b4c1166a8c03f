"""When contact is called lost, what is known of a float, and where a box that is carried away came down."""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pytest

from server.flight.inputs import FlightPlan, LaunchPlan, Plan, Reception, TrackerPlan
from server.flight.landing.predict import predict
from server.flight.landing.question import Forecast
from server.flight.mission import Mission
from server.flight.physics.geodesy import distance_bearing
from tests.flights import LAUNCH, T0, landed_at, made_flight, packet, position_at
from tests.seen import shown

PLAN = Plan(
    flights=(
        FlightPlan(
            launch=LaunchPlan(*LAUNCH),
            trackers=(
                TrackerPlan("Main", callsign="N0CALL-11"),
                TrackerPlan("Backup", callsign="N0CALL-12"),
            ),
        ),
    )
)
END_S = landed_at(5_400.0)
ELSEWHERE = "N0CALL-3"  # whoever is heard last: it tells the time, and nothing of the payload


class EastWind:
    """10 m/s from the west wherever it is asked for."""

    run_s = float(T0 - 18_000.0)

    def profile(
        self, latitude_deg: float, longitude_deg: float, time_s: float
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        return np.array([0.0, 20_000.0, 40_000.0]), np.full(3, 10.0), np.zeros(3)

    def spread(self, *_: float) -> None:
        return None


def state_of(heard: list[Reception], forecast: Forecast | None = None) -> dict[str, Any]:
    flight = Mission(PLAN, None, forecast)
    flight.receive(sorted(heard))
    question = flight.flights[0].landing_question()
    assert question is not None
    answer = predict(question)
    assert answer is not None
    return shown(flight, (question, answer))


def silent_for(silent_s: float, heard: list[Reception], last_s: float) -> dict[str, Any]:
    landing: dict[str, Any] = state_of([*heard, packet(last_s + silent_s, ELSEWHERE)])["landing"]
    return landing


def test_on_the_pad_no_contact_is_lost() -> None:
    heard = [*made_flight(90.0), packet(1_500.0, ELSEWHERE)]
    state = state_of(heard, EastWind())
    assert state["phase"] == "ground"
    assert state["landing"]["basis"] == "prediction"


@pytest.mark.parametrize(("until_s", "phase"), [(2_700.0, "ascent"), (6_300.0, "descent")])
@pytest.mark.parametrize("interval_s", [30.0, 180.0])
def test_contact_is_lost_by_the_trackers_own_interval(
    until_s: float, phase: str, interval_s: float
) -> None:
    """When the tracker's own alarm of silence comes; never before two and a half minutes."""
    heard = list(made_flight(until_s, interval_s))
    assert state_of(heard)["phase"] == phase
    flight = Mission(PLAN)
    flight.receive(sorted(heard))
    limit_s = max(flight.senders["N0CALL-11"].health.threshold_s(), 150.0)
    last_s = max(r.heard_at_s for r in heard) - T0
    assert silent_for(limit_s - 5.0, heard, last_s)["basis"] == "prediction"
    lost = silent_for(limit_s + 5.0, heard, last_s)
    assert lost["basis"] == "last contact"
    assert lost["as_of_phase"] == phase


def test_a_slow_backup_that_still_speaks_is_waited_for() -> None:
    until_s = 6_000.0
    fast = list(made_flight(until_s))
    slow = list(made_flight(until_s, 300.0, "N0CALL-12"))
    assert silent_for(600.0, fast + slow, until_s)["basis"] == "prediction"
    gone = list(made_flight(until_s - 3_000.0, 300.0, "N0CALL-12"))  # that one has failed long ago
    assert silent_for(600.0, fast + gone, until_s)["basis"] == "last contact"


def test_a_float_is_said_to_be_one_and_its_end_not_known() -> None:
    rng = np.random.default_rng(5)
    heard, metres = [], math.cos(math.radians(LAUNCH[0])) * 111_320.0
    for t in range(0, 9_000, 30):
        altitude_m = min(LAUNCH[2] + 5.0 * max(t - 120, 0), 24_000.0) + rng.normal(0.0, 8.0)
        east_deg = 8.0 * max(t - 120, 0) / metres
        heard.append(packet(float(t), position=(LAUNCH[0], LAUNCH[1] + east_deg, altitude_m)))
    state = state_of(heard)
    assert state["phase"] == "float"
    assert state["landing"]["as_of_altitude_m"] == pytest.approx(24_000.0, abs=50.0)
    early, late = (
        datetime.fromisoformat(state["landing"][f"time_{end}"]) for end in ("early", "late")
    )
    assert late - early > timedelta(hours=1), "for how long it floats is not known"
    lost = silent_for(600.0, heard, 8_970.0)
    assert lost["basis"] == "last contact"
    assert lost["as_of_phase"] == "float"


def away_m(landing: dict[str, Any]) -> float:
    return distance_bearing(
        landing["latitude_deg"], landing["longitude_deg"], *position_at(END_S)[:2]
    )[0]


def rested_and_carried(rest_s: float) -> list[Reception]:
    """At rest for `rest_s`, then on a car's floor for 20 minutes at 15 m/s."""
    end_s = math.ceil((END_S + rest_s) / 30) * 30
    heard = list(made_flight(end_s))
    latitude_deg, longitude_deg, altitude_m = position_at(END_S)
    for i in range(1, 41):
        place = (latitude_deg, longitude_deg + 450.0 * i / 87_300.0, altitude_m)
        heard.append(packet(end_s + 30.0 * i, position=place))
    return heard


@pytest.mark.parametrize("rest_s", [180.0, 600.0])
def test_a_payload_that_is_driven_away_landed_where_it_did(rest_s: float) -> None:
    state = state_of(rested_and_carried(rest_s))
    assert state["phase"] == "landed"
    landing = state["landing"]
    assert away_m(landing) < 30.0
    assert landing["radius_90_m"] < 100.0
    assert landing["rest"]["carried_m"] == pytest.approx(18_000.0, abs=50.0)
    assert state["track"]["longitude_deg"] > landing["longitude_deg"] + 0.19


def test_a_fix_that_scatters_is_no_drive() -> None:
    heard = list(made_flight(END_S + 900.0))
    rng = np.random.default_rng(8)
    latitude_deg, longitude_deg, altitude_m = position_at(END_S)
    last_s = math.ceil(END_S / 30) * 30 + 930.0
    for i in range(20):
        north, east = rng.normal(0.0, 20.0, 2)
        place = (latitude_deg + north / 111_000.0, longitude_deg + east / 87_300.0, altitude_m)
        heard.append(packet(last_s + 30.0 * i, position=place))
    landing = state_of(heard)["landing"]
    assert landing["rest"]["carried_m"] is None
    assert away_m(landing) < 30.0


def test_it_says_what_stands_where_no_wind_was_measured() -> None:
    """A season's on the way up, nothing in the fall through what was flown; a forecast with its run."""
    up, down = list(made_flight(2_700.0)), list(made_flight(6_300.0))
    landing = state_of(up)["landing"]
    assert [source["name"] for source in landing["winds"]] == [""]
    assert landing["background"] == {"kind": "season", "run": None}
    assert state_of(down)["landing"]["background"] is None
    for heard in (up, down):
        background = state_of(heard, EastWind())["landing"]["background"]
        assert background["kind"] == "forecast"
        assert datetime.fromisoformat(background["run"]).timestamp() == EastWind.run_s
