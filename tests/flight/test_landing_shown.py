"""From packets to the landing that is shown: predicted, after the last packet, at rest."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from server.flight.landing.descent import FallChange
from server.flight.landing.predict import predict
from server.flight.mission import Mission
from server.flight.physics.geodesy import distance_bearing
from tests.flight.test_landing import PLAN
from tests.flights import altitude_at, flown, landed_at, made_flight, packet, position_at, real_logs
from tests.seen import shown


def landing_of(until_s: float) -> dict[str, Any]:
    flight = Mission(PLAN)
    flight.receive(list(made_flight(until_s)))
    question = flight.flights[0].landing_question()
    assert question is not None
    answer = predict(question)
    return shown(flight, None if answer is None else (question, answer))


def test_a_made_flight_comes_down_where_it_was_predicted() -> None:
    truth = position_at(landed_at(5_400.0))
    for until_s, within_m in ((4_500.0, 30_000.0), (5_700.0, 4_000.0), (6_600.0, 1_000.0)):
        landing = landing_of(until_s)["landing"]
        away_m, _ = distance_bearing(
            landing["latitude_deg"], landing["longitude_deg"], truth[0], truth[1]
        )
        assert away_m < within_m, until_s
        assert landing["basis"] == "prediction"


def test_landed_fixes_take_over() -> None:
    end_s = landed_at(5_400.0)
    state = landing_of(end_s + 200.0)
    assert state["phase"] == "landed"
    landing = state["landing"]
    assert landing["basis"] == "landed fix"
    away_m, _ = distance_bearing(
        landing["latitude_deg"], landing["longitude_deg"], *position_at(end_s)[:2]
    )
    assert away_m < 10.0
    assert landing["radius_90_m"] < 60.0


def state_after(until_s: float, silent_s: float) -> dict[str, Any]:
    flight = Mission(PLAN)
    flight.receive([*made_flight(until_s), packet(until_s + silent_s, "N0CALL-3")])
    question = flight.flights[0].landing_question()
    assert question is not None
    answer = predict(question)
    assert answer is not None
    landing: dict[str, Any] = shown(flight, (question, answer))["landing"]
    return landing


def test_after_the_last_packet_it_goes_on_from_there() -> None:
    """Lost in the air: the prediction stands, says so, and ends in an area on the ground."""
    end_s = landed_at(5_400.0)
    lost_s = next(t for t in range(int(end_s), 0, -1) if t % 30 == 0 and altitude_at(t) > 1_100.0)
    early = state_after(lost_s, 0.0)
    late = state_after(lost_s, 1_800.0)
    assert early["basis"] == "prediction"
    assert late["basis"] == "last contact"
    assert late["radius_90_m"] < 1_500.0
    away_m, _ = distance_bearing(
        late["latitude_deg"], late["longitude_deg"], *position_at(end_s)[:2]
    )
    assert away_m < late["radius_90_m"]


def test_a_change_of_the_fall_is_announced_with_its_effect() -> None:
    flight = Mission(PLAN)
    flight.receive(list(made_flight(6_300.0)))
    question = flight.flights[0].landing_question()
    assert question is not None
    answer = predict(question)
    assert answer is not None
    told = shown(flight, (question, replace(answer, fall_change=FallChange(1.5, 9_000.0))))
    left_s = answer.time_s - answer.as_of_s
    left_m = 8.0 * left_s  # it drifts at 8 m/s
    found = told["landing"]["fall"]
    assert (found["against"], found["ratio"], found["side"]) == ("before", 1.5, "short")
    assert found["since_altitude_m"] == 9_000.0
    assert found["later_s"] == pytest.approx(-left_s / 2)
    assert found["away_m"] == pytest.approx(left_m / 2, rel=0.1)


def test_landed_fixes_tell_how_many_and_how_far_apart() -> None:
    landing = landing_of(landed_at(5_400.0) + 300.0)["landing"]
    assert landing["rest"]["fixes"] > 3
    assert 0.0 <= landing["rest"]["scatter_m"] < 60.0


def test_nothing_is_predicted_on_the_ground() -> None:
    flight = Mission(PLAN)
    flight.receive(list(made_flight(90.0)))
    question = flight.flights[0].landing_question()
    assert question is None or predict(question) is None


@pytest.mark.parametrize("log", real_logs(), ids=lambda p: p.stem)
def test_real_flights_end_with_a_landing_or_with_an_age(log: Path) -> None:
    """Below 2,000 m above sea level the landing is within 1 km of the last packet (issue 2)."""
    flight = flown(log)
    question = flight.flights[0].landing_question()
    assert question is not None
    answer = predict(question)
    assert answer is not None
    state = shown(flight, (question, answer))
    landing, last = state["landing"], flight.flights[0].track.records()[-1].fix
    assert last.altitude_m is not None
    away_m, _ = distance_bearing(
        landing["latitude_deg"], landing["longitude_deg"], last.latitude_deg, last.longitude_deg
    )
    assert landing["as_of"] <= state["now"]
    assert landing["search_area"]["p90"]["type"] == "Polygon"
    if last.altitude_m < 2_000.0:
        assert away_m < 1_000.0
    else:
        assert state["phase"] != "landed"
        assert landing["radius_90_m"] > 300.0
