"""Flights with their pad: the boxes' own logs at every interval, and what happens before a launch."""

from __future__ import annotations

import pytest

from server.flight.flight import Flight
from server.flight.inputs import Plan
from server.flight.snapshot import snapshot
from tests.bench.pad import BEFORE, follow, make_pad
from tests.box_log import BoxLog, box_logs, heard, needs_box_logs, plan_for

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


def follow_log(log: BoxLog, interval_s: float, trackers: int, nmea: bool, plan: Plan) -> Flight:
    """Packet by packet: what was an event once is one for good, and no alarm is false."""
    flight, told, alarms, looked_s = Flight(plan), [], {}, 0.0
    for reception in heard(log, interval_s, trackers=trackers, nmea=nmea):
        flight.receive([reception])
        kinds = [event.kind for event in flight.events()]
        if kinds != told:
            assert kinds[: len(told)] == told, (kinds, told)
            told = kinds
        if reception.heard_at_s > looked_s:
            looked_s = reception.heard_at_s + 120.0
            for alarm in snapshot(flight, None)["alarms"]:
                alarms[alarm["id"]] = alarm
    assert {alarm["kind"] for alarm in alarms.values()} <= NO_LANDING_YET
    return flight


@needs_box_logs
@pytest.mark.parametrize("with_plan", [False, True])
@pytest.mark.parametrize(
    ("interval_s", "trackers", "nmea"),
    [
        (1.0, 1, True), (2.0, 1, False), (5.0, 2, False), (10.0, 1, False), (10.0, 2, True),
        (15.0, 1, False), (20.0, 2, False), (30.0, 1, True), (60.0, 2, False),
    ],
)  # fmt: skip
@pytest.mark.parametrize("log", box_logs(), ids=lambda log: log.name)
def test_a_box_is_followed_from_its_pad(
    log: BoxLog, interval_s: float, trackers: int, nmea: bool, with_plan: bool
) -> None:
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
    assert flight.track.phase() == "landed"


@pytest.mark.parametrize("number", range(4, 4 + 3 * len(BEFORE)))
def test_a_made_pad_is_followed(number: int) -> None:
    seen = follow(make_pad(number))
    assert seen.followed
    assert not seen.false
    assert not seen.false_alarms
