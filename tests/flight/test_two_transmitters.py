"""Two transmitters under one callsign are told, whichever of them the track follows; nothing else is."""

from __future__ import annotations

import random
from typing import Any

import numpy as np
import pytest

from server.flight.inputs import FlightPlan, LaunchPlan, Plan, Reception, TrackerPlan
from server.flight.mission import Mission
from server.flight.times import parse_time
from server.flight.track.two_transmitters import OVER_S, two_transmitters
from tests.flights import LAUNCH, T0, flown, packet, position_at, real_logs
from tests.seen import shown

MAIN = "N0CALL-11"
PLAN = Plan(
    flights=(FlightPlan(launch=LaunchPlan(*LAUNCH), trackers=(TrackerPlan("Main", MAIN),)),)
)
FROM_S, UNTIL_S = 2_400.0, 4_200.0
CAR = (LAUNCH[0] + 0.2, LAUNCH[1] + 0.5, 540.0)


def alarms(receptions: list[Reception], kind: str = "two_transmit") -> list[dict[str, Any]]:
    mission = Mission(PLAN)
    mission.receive(receptions)
    return [alarm for alarm in shown(mission)["alarms"] if alarm["kind"] == kind]


def true(until_s: float = UNTIL_S, every_s: float = 30.0) -> list[Reception]:
    return [packet(t, MAIN) for t in np.arange(0.0, until_s, every_s).tolist()]


def from_a_car(until_s: float = UNTIL_S, every_s: float = 30.0) -> list[Reception]:
    """A second tracker of the same callsign that somebody tries in a car."""
    times_s = np.arange(FROM_S + 11.0, until_s, every_s).tolist()
    return [packet(t, MAIN, CAR) for t in times_s]


def carried_off(until_s: float = UNTIL_S) -> list[Reception]:
    """Begins where the box is, and leads away by 25 m/s more than it drifts."""
    found = []
    for t in np.arange(FROM_S + 11.0, until_s, 30.0).tolist():
        latitude_deg, longitude_deg, altitude_m = position_at(t)
        off_deg = 25.0 * (t - FROM_S) / 111_000.0
        found.append(packet(t, MAIN, (latitude_deg + off_deg, longitude_deg, altitude_m)))
    return found


BACKUP = "N0CALL-12"
TWO = Plan(
    flights=(
        FlightPlan(
            launch=LaunchPlan(*LAUNCH),
            trackers=(TrackerPlan("Main", MAIN), TrackerPlan("Backup", BACKUP)),
        ),
    )
)


def carried_off_against_a_backup(until_s: float = UNTIL_S) -> list[Reception]:
    """The second one beacons six times as often as the box's two, and leads away slowly."""
    found = true(until_s) + [packet(t, BACKUP) for t in np.arange(15.0, until_s, 30.0).tolist()]
    for t in np.arange(FROM_S + 2.0, until_s, 5.0).tolist():
        latitude_deg, longitude_deg, altitude_m = position_at(t)
        off_deg = 10.0 * (t - FROM_S) / 111_000.0
        found.append(packet(t, MAIN, (latitude_deg + off_deg, longitude_deg, altitude_m)))
    return found


def test_a_backup_is_believed_and_the_doubled_one_left_out() -> None:
    mission = Mission(TWO)
    mission.receive(carried_off_against_a_backup())
    state = shown(mission)
    true_deg = position_at(UNTIL_S)
    assert abs(state["track"]["latitude_deg"] - true_deg[0]) * 111_000.0 < 500.0
    main, backup = state["trackers"]
    assert main["last_rejection"]["kind"] == "two_transmit"
    assert main["last_rejection"]["against"] == [BACKUP]
    assert backup["last_rejection"] is None
    assert [a["kind"] for a in state["alarms"] if a["until"] is None] == ["launch", "two_transmit"]


def test_the_doubled_one_is_used_again_once_it_is_over() -> None:
    off_s = FROM_S + 900.0
    heard = [r for r in carried_off_against_a_backup(off_s) if r.heard_at_s < T0 + off_s]
    later_s = np.arange(off_s, off_s + 1_500.0, 15.0).tolist()
    heard += [packet(t, MAIN if t % 30 == 0 else BACKUP) for t in later_s]
    mission = Mission(TWO)
    mission.receive(heard)
    main, _ = shown(mission)["trackers"]
    assert main["last_rejection"] is None


def test_with_a_backup_too_the_order_and_the_slices_do_not_matter() -> None:
    heard = carried_off_against_a_backup(FROM_S + 700.0)
    whole = Mission(TWO)
    whole.receive(heard)
    random.Random(5).shuffle(heard)
    other = Mission(TWO)
    for first in range(0, len(heard), 25):
        other.book(heard[first : first + 25])
        other.work(7)
    other.settle()
    assert shown(other) == shown(whole)


@pytest.mark.parametrize("every_s", [10.0, 30.0, 60.0])
def test_a_second_one_in_a_car_is_told_within_minutes(every_s: float) -> None:
    (alarm,) = alarms([*true(), *from_a_car(every_s=every_s)])
    assert (alarm["severity"], alarm["until"]) == ("urgent", None)
    assert alarm["facts"]["apart_m"] > 30_000.0
    assert {"one_latitude_deg", "other_latitude_deg", "other_altitude_m"} <= alarm["facts"].keys()
    late_s = parse_time(alarm["time"]) / 1_000.0 - (T0 + FROM_S)
    assert late_s < 400.0


def test_one_that_is_led_away_is_told_when_they_are_some_kilometres_apart() -> None:
    (alarm,) = alarms([*true(), *carried_off()])
    assert alarm["until"] is None
    late_s = parse_time(alarm["time"]) / 1_000.0 - (T0 + FROM_S)
    assert 25.0 * late_s < 12_000.0, "long before it is 40 km off"


def test_on_the_pad_as_well() -> None:
    heard = [packet(t, MAIN) for t in np.arange(0.0, 110.0, 10.0).tolist()]
    heard += [packet(t + 5.0, MAIN, CAR) for t in np.arange(0.0, 110.0, 10.0).tolist()]
    (alarm,) = alarms(heard)
    assert alarm["until"] is None


def test_it_ends_when_one_is_switched_off() -> None:
    (alarm,) = alarms([*true(6_000.0), *from_a_car(3_000.0)])
    end_s = parse_time(alarm["until"]) / 1_000.0 - T0
    assert 3_000.0 - 60.0 + OVER_S < end_s < 3_000.0 + 60.0 + OVER_S
    assert alarm["severity"] == "info"


def test_the_order_of_arrival_does_not_matter() -> None:
    heard = [*true(), *from_a_car()]
    wanted = alarms(heard)
    random.Random(3).shuffle(heard)
    assert alarms(heard) == wanted


def test_one_wrong_fix_now_and_then_is_no_second_transmitter() -> None:
    chance = random.Random(7)
    heard = true()
    for t in np.arange(600.0, UNTIL_S, 60.0).tolist():
        wrong = (LAUNCH[0] + chance.uniform(-1, 1), LAUNCH[1] + chance.uniform(-1, 1), 9_000.0)
        heard.append(packet(t + 10.0, MAIN, wrong))
    assert alarms(heard) == []


@pytest.mark.parametrize("from_s", [-900.0, 300.0], ids=["pad", "air"])
@pytest.mark.parametrize("every", [2, 3])
def test_a_digit_that_is_lost_now_and_then_is_no_second_transmitter(
    every: int, from_s: float
) -> None:
    """One receiver's fixes, thirty degrees off in latitude: they move as the right ones do."""
    heard = []
    for i, t in enumerate(np.arange(from_s, UNTIL_S, 30.0).tolist()):
        latitude_deg, longitude_deg, altitude_m = position_at(t)
        lost_deg = 30.0 if i % every == 0 else 0.0
        heard.append(packet(t, MAIN, (latitude_deg - lost_deg, longitude_deg, altitude_m)))
    assert alarms(heard) == []


def test_untimed_packets_that_come_late_are_no_second_transmitter() -> None:
    """Ten minutes late by a slow way, each a little different, so that none is taken for a copy."""
    heard = []
    for t in np.arange(0.0, UNTIL_S, 30.0).tolist():
        for late_s, more in ((0.0, ""), (600.0, " ")):
            one = packet(t, MAIN)
            head, _, said = one.payload.partition(b":/")
            untimed = head + b":!" + said[7:] + more.encode()
            at_ms = one.heard_at_ms + round(1_000 * late_s)
            heard.append(Reception(at_ms, one.source, one.wire, untimed))
    assert alarms(heard) == []


def test_a_jump_there_and_back_is_none() -> None:
    time_s = np.arange(0.0, 1_200.0, 10.0)
    x_m = np.where((time_s > 300.0) & (time_s < 600.0), 50_000.0, 0.0)
    assert two_transmitters(time_s, x_m, *[0.0 * x_m] * 4) == []
    x_m = np.where(np.arange(len(time_s)) % 2 == 1, 50_000.0, 0.0)
    (told,) = two_transmitters(
        time_s, x_m, 0.0 * x_m, np.full(len(x_m), np.nan), 0.0 * x_m, x_m / 1e5
    )
    assert (told.since_s, told.noticed_s) == (10.0, 50.0)
    assert told.over_s == time_s[-1] + OVER_S
    assert told.apart_m == 50_000.0


@pytest.mark.parametrize("log", real_logs(), ids=lambda log: str(log.stem))
def test_no_real_flight_raises_it(log: Any) -> None:
    assert [a for a in shown(flown(log))["alarms"] if a["kind"] == "two_transmit"] == []
