"""A fall that is not the planned one, or changes, is told with what it does to time and place."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from server.flight.inputs import DescentPlan, FlightPlan, LaunchPlan, Plan, Reception, TrackerPlan
from server.flight.landing.descent import FallConstants, planned_constant
from server.flight.landing.fall_signs import effect, fall_signs
from server.flight.landing.predict import predict
from server.flight.mission import Mission
from server.flight.physics.atmosphere import density_kg_m3
from tests.flights import LAUNCH, T0, packet
from tests.plans import with_flight
from tests.seen import shown

PLAN = Plan(
    flights=(
        FlightPlan(
            launch=LaunchPlan(*LAUNCH),
            trackers=(TrackerPlan("Main", callsign="N0CALL-11"),),
            descent=DescentPlan(mass_kg=2.1, parachute_diameter_m=1.8),
        ),
    )
)
K, _ = planned_constant(PLAN.flights[0].descent, FallConstants())
BURST_S, DRIFT_MS = 5_400.0, 8.0
AS_PLANNED: Callable[[float], float] = lambda _: 1.0  # noqa: E731 - beside the others


def made_fall(factor: Callable[[float], float]) -> tuple[list[Reception], float]:
    """Packets every 30 s until two minutes after it came down, and when that is. `factor` of the
    planned fall speed, by altitude."""
    metres = math.cos(math.radians(LAUNCH[0])) * 111_320.0
    heard, altitude_m, elapsed_s, down_s = [], LAUNCH[2], 0.0, math.inf
    while elapsed_s < down_s + 121.0:
        if 120.0 < elapsed_s <= BURST_S:
            altitude_m += 5.0
        elif elapsed_s > BURST_S and math.isinf(down_s):
            speed_ms = factor(altitude_m) * K / math.sqrt(float(density_kg_m3(altitude_m)))
            altitude_m = max(altitude_m - speed_ms, LAUNCH[2])
            down_s = elapsed_s if altitude_m == LAUNCH[2] else down_s
        aloft_s = min(max(elapsed_s - 120.0, 0.0), down_s - 120.0)
        if elapsed_s % 30.0 == 0.0:
            place = (LAUNCH[0], LAUNCH[1] + DRIFT_MS * aloft_s / metres, altitude_m)
            heard.append(packet(elapsed_s, position=place))
        elapsed_s += 1.0
    return heard, down_s


def state_of(heard: list[Reception], plan: Plan = PLAN) -> dict[str, Any]:
    flight = Mission(plan)
    flight.receive(heard)
    question = flight.flights[0].landing_question()
    assert question is not None
    answer = predict(question)
    assert answer is not None
    return shown(flight, (question, answer))


def until(heard: list[Reception], elapsed_s: float) -> list[Reception]:
    return [reception for reception in heard if reception.heard_at_s < T0 + elapsed_s]


def fall_alarms(state: dict[str, Any]) -> list[dict[str, Any]]:
    return [
        alarm for alarm in state["alarms"] if alarm["kind"] in ("fall_changed", "fall_unplanned")
    ]


@pytest.mark.parametrize(("factor", "side"), [(2.2, "short"), (0.45, "beyond")])
def test_a_fall_that_is_wrong_from_the_burst_on(factor: float, side: str) -> None:
    heard, down_s = made_fall(lambda _: factor)
    _, planned_s = made_fall(AS_PLANNED)
    for share in (0.4, 0.8):
        state = state_of(until(heard, BURST_S + share * (down_s - BURST_S)))
        found = state["landing"]["fall"]
        assert (found["against"], found["side"]) == ("plan", side)
        assert found["ratio"] == pytest.approx(factor, rel=0.08)
        assert found["later_s"] == pytest.approx(down_s - planned_s, rel=0.12)
        away_m = DRIFT_MS * abs(down_s - planned_s)
        assert found["away_m"] == pytest.approx(away_m, rel=0.12)
    (alarm,) = fall_alarms(state)
    assert alarm["id"] == "fall-unplanned"
    assert alarm["severity"] == "warning"
    assert alarm["facts"]["ratio"] == pytest.approx(factor, rel=0.15), "when it was noticed"


def test_a_fall_as_planned_has_no_words_and_no_alarm() -> None:
    heard, down_s = made_fall(AS_PLANNED)
    for after_s in (120.0, 600.0, 0.9 * (down_s - BURST_S), 10_000.0):
        state = state_of(until(heard, BURST_S + after_s))
        assert state["landing"]["fall"] is None
        assert fall_alarms(state) == []


def test_a_plan_that_says_nothing_of_the_fall_is_not_compared() -> None:
    heard, down_s = made_fall(lambda _: 2.2)
    told = until(heard, down_s - 200.0)
    silent_plan = with_flight(PLAN, descent=DescentPlan())
    state = state_of(told, silent_plan)
    assert state["landing"]["fall"] is None
    assert fall_alarms(state) == []
    vague = with_flight(
        PLAN, descent=replace(PLAN.flights[0].descent, fall_speed_relative_sigma=0.5)
    )  # 2.2 times is within what it leaves open
    assert fall_alarms(state_of(told, vague)) == []


def test_little_of_the_fall_is_not_enough() -> None:
    heard, _ = made_fall(lambda _: 2.2)
    state = state_of(until(heard, BURST_S + 200.0))
    assert state["phase"] == "descent"
    assert state["landing"]["fall"] is None
    assert fall_alarms(state) == []


def test_a_step_is_told_and_stays_told() -> None:
    """As planned down to 10 km, then twice as fast; also when nothing is heard any more."""
    heard, down_s = made_fall(lambda z: 2.0 if z < 10_000.0 else 1.0)
    in_the_air = until(heard, down_s - 250.0)
    state = state_of(in_the_air)
    assert state["landing"]["fall"]["against"] == "before"
    assert state["landing"]["fall"]["ratio"] == pytest.approx(2.0, abs=0.1)
    (alarm,) = fall_alarms(state)
    assert alarm["id"] == "fall-faster"
    assert alarm["facts"]["ratio"] == pytest.approx(2.0, abs=0.15)
    assert alarm["facts"]["since_altitude_m"] == pytest.approx(10_000.0, abs=600.0)
    silent = state_of([*in_the_air, packet(down_s + 1_000.0, "N0CALL-3")])
    assert silent["landing"]["basis"] == "last contact"
    assert silent["landing"]["fall"]["ratio"] == pytest.approx(2.0, abs=0.1)
    (over,) = fall_alarms(silent)
    assert (over["id"], over["time"]) == (alarm["id"], alarm["time"])


def test_an_unplanned_fall_is_told_from_the_last_contact_too() -> None:
    heard, down_s = made_fall(lambda _: 2.2)
    silent = state_of([*until(heard, down_s - 250.0), packet(down_s + 1_000.0, "N0CALL-3")])
    assert silent["landing"]["basis"] == "last contact"
    assert silent["landing"]["fall"]["ratio"] == pytest.approx(2.2, rel=0.08)


@pytest.mark.parametrize(
    ("factor", "wanted"),
    [
        (lambda _: 2.2, ["fall-unplanned"]),
        (lambda z: 2.0 if z < 18_000.0 else 1.0, ["fall-faster"]),
        (lambda z: 2.0 if 5_000.0 < z < 15_000.0 else 1.0, ["fall-faster", "fall-slower"]),
        (
            lambda z: 0.75 + 1.15 * z / 27_000.0,
            ["fall-unplanned"],
        ),  # wrong at first, then less and less
        (lambda z: 1.0 if z < 10_000.0 else 2.2, ["fall-unplanned", "fall-slower"]),
    ],
)
def test_an_alarm_is_raised_once_and_outlives_the_fall(
    factor: Callable[[float], float], wanted: list[str]
) -> None:
    """Packet by packet, after the landing, and computed anew: the same ids at the same times."""
    heard, down_s = made_fall(factor)
    flight = Mission(PLAN)
    seen: dict[str, float] = {}
    for reception in heard:
        flight.receive([reception])
        question = flight.flights[0].landing_question()
        if question is None or question.burst_s is None:
            continue
        signs = fall_signs(question)
        if signs.off_plan is not None:
            seen.setdefault("fall-unplanned", signs.off_plan.noticed_s)
        for step in signs.alarming:
            seen.setdefault("fall-faster" if step.ratio > 1.0 else "fall-slower", step.noticed_s)
    assert list(seen) == wanted
    landed = state_of(heard)
    assert landed["phase"] == "landed"
    assert [alarm["id"] for alarm in fall_alarms(landed)] == wanted
    again = state_of(heard[::-1])
    assert fall_alarms(again) == fall_alarms(landed)
    in_the_air = fall_alarms(state_of(until(heard, down_s - 100.0)))
    assert [alarm["time"] for alarm in in_the_air] == [
        alarm["time"] for alarm in fall_alarms(landed)
    ]


def test_a_fall_as_planned_has_no_effect() -> None:
    heard, down_s = made_fall(AS_PLANNED)
    flight = Mission(PLAN)
    flight.receive(until(heard, BURST_S + 0.5 * (down_s - BURST_S)))
    question = flight.flights[0].landing_question()
    assert question is not None
    answer = predict(question)
    assert answer is not None
    none = effect(question, answer)
    assert none is not None
    assert abs(none.later_s) < 0.06 * (down_s - BURST_S)  # aloft the model expects it to be faster
    assert none.away_m < DRIFT_MS * 0.06 * (down_s - BURST_S)


def test_a_box_that_is_carried_downhill_does_not_fall() -> None:
    heard, down_s = made_fall(AS_PLANNED)
    last = state_of(heard)["track"]
    first_s = math.ceil((down_s + 120.0) / 30.0) * 30.0
    for i in range(1, 21):
        place = (last["latitude_deg"], last["longitude_deg"] + 0.003 * i, LAUNCH[2] - 25.0 * i)
        heard.append(packet(first_s + 30.0 * i, position=place))
    state = state_of(heard)
    assert state["phase"] == "landed"
    assert state["track"]["altitude_m"] < LAUNCH[2] - 300.0
    assert fall_alarms(state) == []
