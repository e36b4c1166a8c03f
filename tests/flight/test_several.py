"""Several flights in one mission: each is what it is alone, and they help each other with winds."""

from __future__ import annotations

import functools
import random
from dataclasses import replace
from pathlib import Path

import pytest

from server.flight.inputs import Command, Plan, Tick
from server.flight.landing.beside import told_to_each_other
from server.flight.landing.predict import predict
from server.flight.mission import Mission
from server.flight.physics.geodesy import distance_bearing
from server.flight.state import FlightState
from server.flight.view.answer import Answer
from server.flight.view.snapshot import snapshot
from server.journal.recording import Recording, inferred_plan, read_recording
from server.rehearsal.truth import Truth
from tests.flights import real_logs
from tests.three_boxes import NAMES, heard_until, three_flown, three_heard, three_plan


def truth_of(number: int) -> Truth:
    return three_flown().ours[number].truth


def mission_until(time_s: float, plan: Plan | None = None) -> Mission:
    mission = Mission(plan or three_plan())
    mission.receive(heard_until(time_s))
    mission.apply(Tick(time_s))
    return mission


@functools.cache
def seen_until(time_s: float) -> Mission:
    """For tests that only look."""
    return mission_until(time_s)


def alone(number: int) -> Plan:
    plan = three_plan()
    return replace(
        plan,
        flights=(plan.flights[number],),
        vehicles=tuple(replace(v, flight="") for v in plan.vehicles),
    )


def shown(state: FlightState) -> FlightState:
    """Without what cars there are: the same for all, but seen from each plan."""
    return replace(state, ways=())


@pytest.mark.parametrize("number", [0, 1, 2])
def test_each_flight_is_what_it_is_alone(number: int) -> None:
    time_s = truth_of(1).burst_s + 600.0
    together, single = seen_until(time_s), mission_until(time_s, alone(number))
    one = snapshot(together).flights[number]
    assert one.name == NAMES[number]
    assert shown(one) == shown(snapshot(single).flights[0])
    names = {"Main", "Backup", "Phone", "Main 12", "Backup 12", "Main 13", "Backup 13"}
    assert {t.label for f in snapshot(together).flights for t in f.trackers} == names
    assert not {s.name for s in snapshot(together).senders} & set(together.trackers)


@pytest.mark.parametrize("number", [0, 1, 2])
def test_launch_burst_and_landing_of_each_are_found(number: int) -> None:
    truth = truth_of(number)
    mission = seen_until(three_heard()[-1].heard_at_s)
    events = {e.kind: e.time_s for e in mission.flights[number].events()}
    assert events["launch"] == pytest.approx(truth.launch_s, abs=60.0)
    assert events["burst"] == pytest.approx(truth.burst_s, abs=30.0)
    if number < 2:
        assert events["landing"] == pytest.approx(truth.landing_s, abs=120.0)
    else:  # it fell silent on its way down
        assert "landing" not in events
        assert mission.flights[number].track.phase() == "descent"


def test_any_order_of_the_same_receptions_is_one_state() -> None:
    time_s = truth_of(0).burst_s
    heard = heard_until(time_s)
    once = snapshot(seen_until(time_s))
    mixed = heard[:]
    random.Random(0).shuffle(mixed)
    mission = Mission(three_plan())
    for start in range(0, len(mixed), 701):
        mission.receive(mixed[start : start + 701])
    mission.apply(Tick(time_s))
    assert snapshot(mission) == once


def test_the_box_ahead_shows_what_lies_above() -> None:
    """When the first has burst, the last, far below it, knows the winds up to there."""
    time_s, late = truth_of(0).burst_s + 120.0, truth_of(2)
    questions = [flight.landing_question() for flight in seen_until(time_s).flights]
    told = told_to_each_other(questions)
    assert all(question is not None for question in told)
    off_m, radius_m = [], []
    for question in (questions[2], told[2]):
        assert question is not None
        landing = predict(question)
        assert landing is not None
        place = question.frame.to_latlon(landing.x_m, landing.y_m)
        here = float(place[0]), float(place[1])
        off_m.append(distance_bearing(*here, late.landing[0], late.landing[1])[0])
        radius_m.append(landing.nine_tenths.radius_m)
    assert off_m[1] < 10_000.0 < radius_m[0]
    assert radius_m[1] < 0.5 * radius_m[0]
    assert [one.name for one in told[2].others] == ["Lark 11", "Lark 12"]  # type: ignore[union-attr]
    answers = [None if q is None else Answer(q, predict(q)) for q in told]  # type: ignore[arg-type]
    landing_shown = snapshot(seen_until(time_s), answers).flights[2].landing
    assert landing_shown is not None
    assert {"Lark 11", "Lark 12"} <= {wind.name for wind in landing_shown.winds}


def test_one_flight_alone_is_told_nothing() -> None:
    question = mission_until(truth_of(0).launch_s + 1_500.0, alone(0)).flights[0].landing_question()
    assert told_to_each_other([question, None]) == (question, None)


def test_alarms_carry_the_flight_and_are_acknowledged_one_by_one() -> None:
    mission = mission_until(three_heard()[-1].heard_at_s)
    bursts = [a for a in snapshot(mission).alarms if a.kind == "burst"]
    assert sorted(a.flight for a in bursts) == list(NAMES)
    assert len({a.id for a in bursts}) == 3
    mission.apply(Command(mission.now_s, "acknowledge", bursts[1].id))
    told = {a.flight: a.acknowledged for a in snapshot(mission).alarms if a.kind == "burst"}
    assert told == {a.flight: a is bursts[1] for a in bursts}


def test_what_is_said_of_one_flight_holds_for_it_alone() -> None:
    time_s = truth_of(1).launch_s - 300.0
    mission = mission_until(time_s)
    mission.apply(Command(time_s, "phase", "launched", flight="Lark 12"))
    said = [flight.said for flight in snapshot(mission).flights]
    assert [one is None for one in said] == [True, False, True]
    mission.apply(Command(time_s + 1.0, "phase", "landed"))  # of a page that knows one flight
    first = snapshot(mission).flights[0].said
    assert first is not None
    assert first.said == "landed"


def test_a_car_follows_the_flight_that_the_crew_says() -> None:
    time_s = truth_of(0).launch_s + 1_800.0
    mission = mission_until(time_s)
    assert {v.name: v.flight for v in snapshot(mission).vehicles} == {
        "Car 1": "",
        "Car 2": "Lark 12",
    }
    mission.apply(Command(time_s, "assign", "Car 1", flight="Lark 13"))
    mission.apply(Command(time_s, "assign", "Car 2", flight="no such flight"))
    follows = {v.name: v.flight for v in snapshot(mission).vehicles}
    assert follows == {"Car 1": "Lark 13", "Car 2": "Lark 12"}


def test_each_landing_has_the_ways_of_all_cars() -> None:
    mission = mission_until(truth_of(2).launch_s + 1_500.0)
    questions = [flight.landing_question() for flight in mission.flights]
    answers = [None if q is None else Answer(q, predict(q)) for q in questions]  # type: ignore[arg-type]
    flights = snapshot(mission, answers).flights
    assert all([way.vehicle for way in flight.ways] == ["Car 1", "Car 2"] for flight in flights)
    assert len({flight.ways[0].distance_m for flight in flights}) == 3


def test_a_log_without_a_plan_that_holds_three_boxes_is_shown_as_three_flights() -> None:
    recording = Recording("morning.log", three_heard(), (), {"mass_kg": "2.1"}, ())
    plan = inferred_plan(recording)
    names = [flight.name for flight in plan.flights]
    boxes = [{"N0CALL-11", "N0CALL-12"}, {"N0CALL-13", "N0CALL-14"}, {"N0CALL-8", "N0CALL-15"}]
    assert [{*name.split(" and ")} for name in names] == boxes
    mission = Mission(plan)
    mission.receive(three_heard())
    bursts_s = [
        next(e.time_s for e in flight.events() if e.kind == "burst") for flight in mission.flights
    ]
    for number, burst_s in enumerate(bursts_s):
        assert burst_s == pytest.approx(truth_of(number).burst_s, abs=30.0)


@pytest.mark.parametrize("log", real_logs(), ids=lambda log: str(log.stem))
def test_a_real_flight_is_one_flight(log: Path) -> None:
    """Up to three trackers on one box, with all that goes wrong with them."""
    assert len(inferred_plan(read_recording(log)).flights) == 1
