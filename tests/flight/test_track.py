"""The fused track: order, faults and phases, on a made flight whose truth is known."""

from __future__ import annotations

import itertools
import math
import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.flight.inputs import FlightPlan, LaunchPlan, Plan, Reception, Tick, TrackerPlan
from server.flight.mission import Mission
from server.flight.physics.geodesy import distance_bearing
from server.flight.tracker_state import RejectionKind
from tests.flights import (
    LAUNCH,
    T0,
    altitude_at,
    flown,
    information,
    landed_at,
    made_flight,
    packet,
    position_at,
    real_logs,
    receptions,
)
from tests.seen import shown

PLAN = Plan(
    flights=(
        FlightPlan(
            launch=LaunchPlan(*LAUNCH),
            trackers=(
                TrackerPlan("Main", callsign="N0CALL-11"),
                TrackerPlan("Backup", callsign="N0CALL-12", role="backup"),
            ),
        ),
    )
)


def fly(given: list[Reception], plan: Plan = PLAN) -> Mission:
    flight = Mission(plan)
    flight.receive(given)
    return flight


def errors_m(flight: Mission, at_s: float) -> tuple[float, float]:
    """Horizontal and vertical error of the track as it stands, against the made flight."""
    track = shown(flight)["track"]
    latitude_deg, longitude_deg, altitude_m = position_at(at_s)
    away_m, _ = distance_bearing(
        track["latitude_deg"], track["longitude_deg"], latitude_deg, longitude_deg
    )
    return away_m, abs(track["altitude_m"] - altitude_m)


FLIGHT = [  # twenty minutes before the burst to twenty after
    packet(t, callsign)
    for callsign, interval_s in (("N0CALL-11", 30), ("N0CALL-12", 45))
    for t in range(4_200, 6_600, interval_s)
]


@settings(max_examples=12, deadline=None)
@given(st.randoms(use_true_random=False))
def test_any_order_gives_the_same_track_bit_for_bit(chance: random.Random) -> None:
    straight = fly(sorted(FLIGHT))
    mixed = list(FLIGHT)
    chance.shuffle(mixed)
    flight = Mission(PLAN)
    cut = chance.randrange(len(mixed))
    for reception in mixed[:cut]:  # some one by one, so that the filter runs in between
        flight.receive([reception])
        if chance.random() < 0.05:
            flight.flights[0].track.records()
    flight.receive(mixed[cut:])
    assert flight.flights[0].track.records() == straight.flights[0].track.records()
    assert flight.events() == straight.events()
    assert shown(flight) == shown(straight)


def test_phases_and_events_of_a_plain_flight() -> None:
    flight = fly(list(made_flight(landed_at(5_400.0) + 180.0)))
    launch, burst, landing = flight.events()
    assert [e.kind for e in flight.events()] == ["launch", "burst", "landing"]
    assert launch.time_s == pytest.approx(T0 + 120.0, abs=15.0)
    assert burst.time_s == pytest.approx(T0 + 5_400.0, abs=15.0)
    assert burst.altitude_m == pytest.approx(altitude_at(5_400.0), abs=150.0)
    assert burst.noticed_s - burst.time_s <= 75.0
    assert landing.noticed_s - (T0 + landed_at(5_400.0)) <= 90.0  # three beacons
    assert flight.flights[0].track.phase() == "landed"


def test_the_track_is_nearer_than_a_receiver_is() -> None:
    flight = fly(list(made_flight(3_000.0)))
    horizontal_m, vertical_m = errors_m(flight, 3_000.0)
    assert horizontal_m < 25.0
    assert vertical_m < 25.0


def replaced(at_s: float, wrong: tuple[float, float, float]) -> list[Reception]:
    """The made flight with one packet that says something else."""
    return [
        packet(t, position=wrong) if t == at_s else packet(t)
        for t in (30.0 * i for i in range(100))
    ]


WRONG = [
    ("zero", (0.0, 0.0, 8_000.0), "null_island"),
    ("digit dropped in latitude", (3.83, -98.1, 8_000.0), "position_off"),
    ("two degrees off", (40.35, -98.1, 8_000.0), "position_off"),
]


@pytest.mark.parametrize(("name", "wrong", "reason"), WRONG, ids=[w[0] for w in WRONG])
def test_one_wrong_fix_is_rejected_and_explained(
    name: str, wrong: tuple[float, float, float], reason: str
) -> None:
    flight = Mission(PLAN)
    for reception in replaced(1_800.0, wrong):
        flight.apply(reception)
        if reception.heard_at_s > T0 + 1_800.0:
            break
    (main,) = (t for t in shown(flight)["trackers"] if t["label"] == "Main")
    assert main["rejected"] == 1
    assert main["last_rejection"]["kind"] == reason
    flight.receive(replaced(1_800.0, wrong))
    assert errors_m(flight, 2_970.0)[0] < 30.0


def test_altitude_in_the_wrong_unit_is_not_used() -> None:
    latitude_deg, longitude_deg, altitude_m = position_at(1_800.0)
    flight = fly(replaced(1_800.0, (latitude_deg, longitude_deg, altitude_m * 0.3048)))
    verdicts = [v for v in flight.flights[0].track.verdicts() if v.reason]
    assert len(verdicts) == 1
    assert verdicts[0].accepted
    assert not verdicts[0].altitude_used
    assert verdicts[0].reason is not None
    assert verdicts[0].reason.kind == RejectionKind.ALTITUDE_OFF
    assert (verdicts[0].reason.off_m or 0.0) < 0.0
    assert verdicts[0].reason.against == ()
    assert errors_m(flight, 2_970.0)[1] < 30.0


def test_a_frozen_receiver_is_called_stuck_and_not_believed() -> None:
    frozen = position_at(2_400.0)
    given = list(made_flight(3_600.0))
    given += [
        packet(t, "N0CALL-12", position_at(t) if t <= 2_400.0 else frozen)
        for t in range(0, 3_600, 60)
    ]
    flight = fly(sorted(given))
    (backup,) = (t for t in shown(flight)["trackers"] if t["label"] == "Backup")
    assert backup["state"] == "stuck"
    assert backup["last_rejection"]["kind"] == "frozen"
    assert errors_m(flight, 3_600.0)[0] < 30.0


def test_an_altitude_that_stays_above_18_km_is_not_a_float() -> None:
    given = []
    for t in range(0, 4_800, 30):
        latitude_deg, longitude_deg, altitude_m = position_at(t)
        given.append(packet(t, position=(latitude_deg, longitude_deg, min(altitude_m, 18_000.0))))
    flight = fly(given)
    assert flight.flights[0].track.phase() == "ascent"
    (main,) = (t for t in shown(flight)["trackers"] if t["label"] == "Main")
    assert main["state"] == "stuck"
    assert main["last_rejection"]["kind"] == "stuck"


def test_a_wrong_first_fix_is_left_behind() -> None:
    given = [packet(0.0, position=(12.0, 45.0, 900.0))]
    given += [packet(t) for t in range(30, 1_200, 30)]
    for plan in (PLAN, Plan(flights=(FlightPlan(trackers=PLAN.trackers),))):
        assert errors_m(fly(given, plan), 1_170.0)[0] < 30.0


def test_a_tracker_without_altitude_helps_sideways() -> None:
    given = []
    for t in range(0, 2_400, 30):
        given.append(packet(t))
        plain = packet(t + 15.0, "N0CALL-12").payload.split(b"/A=")[0]
        given.append(Reception(round((T0 + t + 16.0) * 1000), "internet", "tnc2", plain))
    flight = fly(given)
    assert errors_m(flight, 2_385.0)[0] < 30.0
    assert not any(v.reason for v in flight.flights[0].track.verdicts())
    assert flight.flights[0].track.phase() == "ascent"


def test_time_without_date_across_midnight() -> None:
    shift_s = 86_400 - T0 % 86_400 - 1_500.0  # midnight comes 25 minutes after the start
    given = []
    for r in made_flight(3_000.0):
        elapsed_s = r.heard_at_s - 1.5 - T0
        position = position_at(elapsed_s)
        moved = packet(elapsed_s + shift_s, position=position)
        given.append(moved)
    flight = fly(given)
    times = [r.fix.time_s for r in flight.flights[0].track.records()]
    assert times == sorted(times)
    assert times[-1] - times[0] == pytest.approx(3_000.0)


def test_without_a_plan_trackers_show_themselves() -> None:
    ground = (38.4, -98.1, 550.0)
    given = list(made_flight(3_000.0))
    given += [packet(t, "N0CALL-3", ground) for t in range(0, 3_000, 600)]
    flight = fly(sorted(given), Plan(infer_trackers=True))
    assert list(flight.trackers) == ["N0CALL-11"]
    state = shown(flight)
    assert [s["name"] for s in state["senders"]] == ["N0CALL-3"]
    assert len(flight.flights[0].track.records()) == 101  # those from before it was known, too
    assert state["phase"] == "ascent"


def test_real_flights_burst_once_and_end_near_their_last_packet() -> None:
    for log in real_logs():
        flight = flown(log)
        kinds = [e.kind for e in flight.events()]
        assert kinds.count("burst") == 1, (log.name, kinds)
        withdrawn = [w.event.kind for w in flight.flights[0].track.checkpoint().phase.withdrawn]
        assert "burst" not in withdrawn, log.name  # gusts upwards leave the climb as well
        burst = next(e for e in flight.events() if e.kind == "burst")
        highest_m = max(r.fix.altitude_m or 0.0 for r in flight.flights[0].track.records())
        assert abs(burst.altitude_m - highest_m) < 500.0, log.name
        # two of them have gaps of minutes, and one leaked for six before it fell
        most_s = 400.0 if log.stem == "flight-300" else 260.0
        assert burst.noticed_s - burst.time_s < most_s, log.name
        rejected = [v for v in flight.flights[0].track.verdicts() if not v.accepted]
        assert len(rejected) <= max(4, len(flight.flights[0].track.records()) // 100), (
            log.name,
            rejected,
        )
        assert math.isfinite(flight.flights[0].track.records()[-1].x_m)


def test_a_real_flight_in_any_order() -> None:
    log = next(p for p in real_logs() if p.stem == "flight-391")  # five trackers
    given = list(receptions(log))
    backwards = Mission(flown(log).plan)
    backwards.receive(given[::-1])
    assert backwards.flights[0].track.records() == flown(log).flights[0].track.records()


def test_joined_in_mid_air_the_ground_is_not_made_up() -> None:
    flight = fly([packet(t) for t in range(2_400, 3_600, 30)], Plan(infer_trackers=True))
    state = shown(flight)
    assert state["phase"] == "ascent"
    assert not any(e["kind"] == "launch" for e in state["events"])
    assert state["track"]["height_above_ground_m"] is None
    question = flight.flights[0].landing_question()
    assert question is not None
    assert question.ground.sigma_m >= 500.0


def test_a_timed_and_an_untimed_packet_of_one_moment_tie_in_no_order() -> None:
    """Same place, altitude and millisecond; one has its own time, the other that of its hearing."""
    given = list(made_flight(1_500.0))
    elapsed_s = 900.0
    timed = packet(elapsed_s, lag_s=0.0, source="tnc")
    said = information(elapsed_s, position_at(elapsed_s))
    untimed = replace(timed, payload=f"N0CALL-11>APZLWD:!{said[8:]}".encode())
    states = []
    for pair in itertools.permutations([timed, untimed]):
        for late in (given, given[::-1]):
            flight = fly([*pair, *late])
            flight.apply(Tick(T0 + 1_600.0))
            states.append(
                (flight.flights[0].track.checkpoint(), flight.flights[0].track.verdicts())
            )
    tied = [r.fix for r in flight.flights[0].track.records() if r.fix.time_s == T0 + elapsed_s]
    assert {fix.own_time for fix in tied} == {True, False}
    assert all(state == states[0] for state in states)
