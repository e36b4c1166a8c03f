"""Flights with their pad: the boxes' own logs at every interval, and what happens before a launch."""

from __future__ import annotations

import random
from typing import Any

import numpy as np
import pytest

from server.flight.alarms import Evidence, of_events, of_withdrawn
from server.flight.inputs import Command, FlightPlan, Plan, Reception
from server.flight.landing.fall_signs import FallSigns
from server.flight.mission import Mission
from server.flight.state import EventKind
from server.flight.track.events import Event, Withdrawn
from server.flight.view.snapshot import snapshot
from tests.box_log import BoxLog, aprs_text, box_logs, heard, needs_box_logs, plan_for
from tests.pad_flights import follow, make_pad
from tests.seen import shown

FIFTEEN_SECONDS, HUNDRED_METRES = 15.0, 100.0
NO_LANDING_YET = {
    "launch",
    "burst",
    "low",
    "tracker_lost",
    "landed",
}  # kinds of alarms that are true


def near_s(interval_s: float) -> float:
    return max(60.0, 3.0 * interval_s)


def follow_log(log: BoxLog, interval_s: float, trackers: int, nmea: bool, plan: Plan) -> Mission:
    """Packet by packet: what was an event once is one for good, and no alarm is false."""
    flight, looked_s = Mission(plan), 0.0
    told: list[EventKind] = []
    alarms: dict[str, dict[str, Any]] = {}
    for reception in heard(log, interval_s, trackers=trackers, nmea=nmea):
        flight.receive([reception])
        kinds = [event.kind for event in flight.events()]
        if kinds != told:
            assert kinds[: len(told)] == told, (kinds, told)
            told = kinds
        if reception.heard_at_s > looked_s:
            looked_s = reception.heard_at_s + 120.0
            for alarm in shown(flight)["alarms"]:
                alarms[alarm["id"]] = alarm
    assert {alarm["kind"] for alarm in alarms.values()} <= NO_LANDING_YET
    return flight


@needs_box_logs
@pytest.mark.parametrize(
    ("number", "interval_s", "trackers", "nmea", "with_plan"),
    [
        (0, 1.0, 1, True, False),
        (1, 1.0, 1, False, True),
        (0, 2.0, 1, False, True),
        (1, 2.0, 2, True, False),
        (0, 5.0, 2, False, False),
        (1, 5.0, 1, False, True),
        (0, 10.0, 1, False, True),
        (1, 10.0, 2, True, False),
        (0, 15.0, 1, False, False),
        (1, 15.0, 1, False, True),
        (0, 20.0, 2, False, True),
        (1, 20.0, 2, False, False),
        (0, 30.0, 1, True, False),
        (1, 30.0, 1, True, True),
        (0, 60.0, 2, False, True),
        (1, 60.0, 2, False, False),
    ],
)
def test_a_box_is_followed_from_its_pad(
    number: int, interval_s: float, trackers: int, nmea: bool, with_plan: bool
) -> None:
    """Each interval of each log, with one of its trackers, wires and plans: all took twice as long."""
    log = box_logs()[number]
    plan = plan_for(log, trackers, nmea=nmea) if with_plan else Plan(infer_trackers=True)
    flight = follow_log(log, interval_s, trackers, nmea, plan)
    assert [event.kind for event in flight.events()] == ["launch", "burst", "landing"]
    launch, burst, landing = flight.events()
    assert log.launch_s is not None
    assert log.burst_s is not None
    assert log.landing_s is not None
    assert abs(launch.time_s - log.launch_s) < near_s(interval_s)
    assert launch.noticed_s - log.launch_s < near_s(interval_s)
    assert abs(burst.time_s - log.burst_s) < FIFTEEN_SECONDS
    assert abs(burst.altitude_m - log.burst_altitude_m) < HUNDRED_METRES
    assert abs(landing.time_s - log.landing_s) < near_s(interval_s) + 90.0
    assert flight.flights[0].track.phase() == "landed"


@pytest.mark.parametrize(
    "number", [4, 5, 7, 8, 9, 12, 13, 14, 16, 17, 18, 19, 21, 70, 300, 360, 362]
)
def test_a_made_pad_is_followed(number: int) -> None:
    """Each interval and each way to the pad; the bench `pad` flies 500."""
    seen = follow(make_pad(number))
    assert seen.followed
    assert not seen.false
    assert not seen.false_alarms


@needs_box_logs
def test_two_flights_a_week_apart_in_one_journal_are_two_flights() -> None:
    first, second = box_logs()
    given = heard(first, 30.0)
    later = heard(second, 30.0)
    flight = Mission(Plan(flights=(FlightPlan(trackers=plan_for(first).trackers),)))
    flight.receive(given)
    assert flight.flights[0].track.phase() == "landed"
    flight.receive([r for r in later if r.heard_at_s < (second.launch_s or 0.0) - 60.0])
    assert flight.flights[0].track.phase() in ("ground", "landed")
    climbing = [r for r in later if r.heard_at_s < (second.burst_s or 0.0) - 600.0]
    flight.receive(climbing[len(flight.flights[0].track.records()) - len(given) :])
    assert flight.flights[0].track.phase() == "ascent"
    question = flight.flights[0].landing_question()
    assert question is not None
    assert question.burst_s is None, "the burst of the week before is not this flight's"
    assert question.time_s[0] > (second.launch_s or 0.0) - 300.0
    flight = Mission(flight.plan)
    flight.receive([*given, *later])
    assert [e.kind for e in flight.events()] == ["launch", "burst", "landing"] * 2


def crew(at_s: float, said: str) -> Command:
    return Command(at_s, "phase", said)


@needs_box_logs
def test_what_a_crew_member_says_is_believed_until_the_fixes_deny_it() -> None:
    log = box_logs()[0]
    assert log.launch_s is not None
    launch_s = log.launch_s
    given = heard(log, 10.0)
    before = [r for r in given if r.heard_at_s < launch_s - 300.0]
    flight = Mission(plan_for(log))
    flight.receive(before)
    assert flight.flights[0].track.phase() == "ground"
    flight.apply(crew(launch_s - 300.0, "launched"))
    assert flight.flights[0].track.phase() == "ascent"
    assert [e.kind for e in flight.events()] == ["launch"]
    flight.apply(crew(launch_s - 299.0, "withdrawn"))
    assert flight.flights[0].track.phase() == "ground"
    assert flight.events() == ()
    flight.apply(crew(launch_s - 298.0, "launched"))
    resting = [r for r in given if launch_s - 300.0 <= r.heard_at_s < launch_s]
    flight.receive(resting)
    assert flight.flights[0].track.phase() == "ground", "it rested on for five minutes"
    assert [w.event.kind for w in flight.flights[0].track.checkpoint().phase.withdrawn] == [
        "launch"
    ]
    flight.receive([r for r in given if launch_s <= r.heard_at_s < launch_s + 90.0])
    assert flight.flights[0].track.phase() == "ascent"
    flight.apply(crew(launch_s + 90.0, "not launched"))
    assert flight.flights[0].track.phase() == "ground"
    flight.receive([r for r in given if launch_s + 90.0 <= r.heard_at_s < launch_s + 180.0])
    assert flight.flights[0].track.phase() == "ascent", "it climbs, whatever was said"
    flight.apply(crew(launch_s + 180.0, "landed"))
    assert flight.flights[0].track.phase() == "landed"
    flight.receive([r for r in given if launch_s + 180.0 <= r.heard_at_s < launch_s + 400.0])
    assert flight.flights[0].track.phase() == "ascent"


@needs_box_logs
def test_the_order_of_what_is_said_and_heard_decides_nothing() -> None:
    log = box_logs()[0]
    assert log.launch_s is not None
    given = [r for r in heard(log, 20.0) if r.heard_at_s < log.launch_s + 900.0]
    said = [
        crew(log.launch_s - 400.0, "launched"),
        crew(log.launch_s - 390.0, "withdrawn"),
        crew(log.launch_s + 200.0, "not launched"),
    ]
    inputs: list[Reception | Command] = [*given, *said]
    states = []
    for seed in range(4):
        shuffled = list(inputs)
        random.Random(seed).shuffle(shuffled)
        flight = Mission(plan_for(log))
        for one in shuffled:
            flight.apply(one)
        states.append((flight.flights[0].track.checkpoint(), shown(flight)))
    assert all(state == states[0] for state in states)


def evidence_of(events: list[Event], withdrawn: list[Withdrawn] | None = None) -> Evidence:
    nothing = snapshot(Mission(Plan())).flights[0]
    return Evidence(nothing, events, withdrawn or [], None, FallSigns(), None, 600.0, [])


def test_an_acknowledged_burst_that_was_none_does_not_silence_the_next() -> None:
    event = Event("burst", 1_000.0, 20_000.0, 0.0, 0.0, 1_030.0)
    (first,) = of_events(evidence_of([event]))
    (second,) = of_events(evidence_of([event._replace(time_s=4_000.0, noticed_s=4_030.0)]))
    assert first.id != second.id
    (taken_back,) = of_withdrawn(evidence_of([], [Withdrawn(event, 1_100.0)]))
    assert taken_back.id not in (first.id, second.id)
    assert taken_back.facts["withdrawn"] == "burst"


@needs_box_logs
@pytest.mark.parametrize("hours", [0.2, 3.0, 20.0])
def test_a_box_found_hours_after_its_last_packet_has_landed(hours: float) -> None:
    """Lost behind a ridge 800 m above the ground: what is heard next is heard from where it lies."""
    log = box_logs()[0]
    assert log.burst_s is not None
    falling = (log.time_s > log.burst_s) & (log.altitude_m < log.altitude_m[-1] + 800.0)
    lost_s = float(log.time_s[falling][0])
    given = [r for r in heard(log, 20.0) if r.heard_at_s < lost_s]
    place = float(log.latitude_deg[-1]), float(log.longitude_deg[-1]), float(log.altitude_m[-1])
    for i in range(10):
        time_s = lost_s + hours * 3_600.0 + 20.0 * i
        payload = f"N0CALL-11>APZLWD:{aprs_text(time_s, *place)}".encode()
        given.append(Reception(round(1_000 * (time_s + 1.6)), "tnc", "tnc2", payload))
    flight = Mission(plan_for(log))
    flight.receive(given)
    assert flight.flights[0].track.phase() == "landed"
    assert [e.kind for e in flight.events()] == ["launch", "burst", "landing"]
    latest = flight.flights[0].track.latest()
    assert latest is not None
    assert latest.fix.latitude_deg == pytest.approx(place[0], abs=1e-4)


@needs_box_logs
@pytest.mark.parametrize(("hill_m", "length_m", "speed_ms"), [(150, 5_000, 20), (300, 12_000, 25)])
@pytest.mark.parametrize("interval_s", [5.0, 30.0])
def test_a_drive_over_steep_hills_is_no_launch(
    hill_m: float, length_m: float, speed_ms: float, interval_s: float
) -> None:
    """An hour over hills with grades up to 0.19, then the pad and the flight of a real box."""
    log = box_logs()[0]
    assert log.launch_s is not None
    way_m = np.arange(3_600) * speed_ms
    up_m = hill_m * np.sin(2 * np.pi * way_m / length_m)
    east_deg = (way_m - way_m[-1]) / 86_000.0
    driven = BoxLog(
        "driven",
        log.time_s[0] - 3_600.0 + np.arange(3_600),
        np.full(3_600, log.latitude_deg[0]),
        log.longitude_deg[0] + east_deg,
        log.altitude_m[0] + up_m - up_m[-1],
        None,
        None,
        None,
    )
    flight = Mission(Plan(flights=(FlightPlan(trackers=plan_for(log).trackers),)))
    for reception in [*heard(driven, interval_s), *heard(log, interval_s)]:
        flight.apply(reception)
        if reception.heard_at_s < log.launch_s:
            assert flight.events() == ()
        if reception.heard_at_s > log.launch_s + 300.0:
            break
    assert [event.kind for event in flight.events()] == ["launch"]
