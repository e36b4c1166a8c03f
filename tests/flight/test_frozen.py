"""All trackers freeze in the air: nobody knows where it is, and that is an alarm."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from server.flight.inputs import FlightPlan, LaunchPlan, Plan, Reception, TrackerPlan
from server.flight.mission import Mission
from server.flight.times import parse_time
from tests.flights import LAUNCH, T0, flown, packet, position_at, real_logs
from tests.seen import shown

TRACKERS = (TrackerPlan("Main", "N0CALL-11"), TrackerPlan("Backup", "N0CALL-12"))
PLAN = Plan(flights=(FlightPlan(launch=LaunchPlan(*LAUNCH), trackers=TRACKERS),))
FROZEN_S = 3_000.0


def heard(until_s: float, *, frozen: tuple[str, ...], again_s: float = 1e9) -> list[Reception]:
    """Both trackers each half minute; those named stand still from `FROZEN_S` to `again_s`."""
    found = []
    for second in range(0, int(until_s), 15):
        name = "N0CALL-11" if second % 30 == 0 else "N0CALL-12"
        stands = name in frozen and FROZEN_S < second < again_s
        found.append(
            packet(float(second), name, position_at(FROZEN_S if stands else float(second)))
        )
    return found


def alarms(receptions: list[Reception]) -> list[dict[str, Any]]:
    mission = Mission(PLAN)
    mission.receive(receptions)
    return [alarm for alarm in shown(mission)["alarms"] if alarm["kind"] == "frozen"]


def test_both_at_once_are_told_within_minutes() -> None:
    (alarm,) = alarms(heard(4_000.0, frozen=("N0CALL-11", "N0CALL-12")))
    assert alarm["severity"] == "urgent"
    assert alarm["until"] is None
    assert alarm["facts"]["altitude_m"] == pytest.approx(position_at(FROZEN_S)[2], abs=120.0)
    after_s = parse_time(alarm["time"]) / 1_000.0 - (T0 + FROZEN_S)
    assert 60.0 <= after_s <= 180.0


def repeating(until_s: float, again_s: float = 1e9) -> list[Reception]:
    """Both trackers hang: from `FROZEN_S` to `again_s` each sends its last packet anew, byte for byte."""
    found = []
    for second in range(0, int(until_s), 15):
        name = "N0CALL-11" if second % 30 == 0 else "N0CALL-12"
        hangs = FROZEN_S < second < again_s
        said = FROZEN_S - (0.0 if second % 30 == 0 else 15.0) if hangs else float(second)
        one = packet(said, name)
        found.append(replace(one, heard_at_ms=round((T0 + second + 1.5) * 1_000)))
    return found


def test_a_backlog_that_is_old_when_it_comes_repeats_nothing() -> None:
    """A TNC hands over what it kept and hears no more: all of it is old, and none repeats another."""
    late_s = 15.0 * 60.0
    kept = heard(FROZEN_S, frozen=())
    before, backlog = kept[:-20], kept[-20:]
    at_ms = round((T0 + FROZEN_S + late_s) * 1_000)
    handed = [
        replace(one, heard_at_ms=at_ms + 5_000 * number) for number, one in enumerate(backlog)
    ]
    assert alarms([*before, *handed]) == []
    again = [replace(one, heard_at_ms=at_ms + 120_000 + 5_000 * n) for n, one in enumerate(backlog)]
    (alarm,) = alarms([*before, *handed, *again, *again])
    assert alarm["facts"]["repeats"] == "position"


def test_the_same_bytes_over_and_over_are_told_too() -> None:
    (alarm,) = alarms(repeating(4_000.0))
    assert (alarm["severity"], alarm["until"]) == ("urgent", None)
    after_s = parse_time(alarm["time"]) / 1_000.0 - (T0 + FROZEN_S)
    assert 60.0 <= after_s <= 180.0
    (alarm,) = alarms(repeating(4_600.0, again_s=4_000.0))
    assert alarm["until"] is not None


PARTS = [("place", "urgent", 240.0), ("altitude", "warning", 180.0), ("nothing", "urgent", 180.0)]


def in_part(repeats: str, until_s: float, again_s: float = 1e9) -> list[Reception]:
    """As `heard`, but what stands still from `FROZEN_S` on is a part of the position; or it is 0, 0."""
    found = []
    for second in range(0, int(until_s), 15):
        name = "N0CALL-11" if second % 30 == 0 else "N0CALL-12"
        latitude_deg, longitude_deg, altitude_m = position_at(float(second))
        if FROZEN_S < second < again_s:
            stands = position_at(FROZEN_S)
            if repeats == "altitude":
                altitude_m = stands[2]
            else:
                latitude_deg, longitude_deg = stands[:2] if repeats == "place" else (0.0, 0.0)
        found.append(packet(float(second), name, (latitude_deg, longitude_deg, altitude_m)))
    return found


@pytest.mark.parametrize(("repeats", "severity", "within_s"), PARTS)
def test_a_part_of_the_position_alone_is_told_too(
    repeats: str, severity: str, within_s: float
) -> None:
    (alarm,) = alarms(in_part(repeats, 4_000.0))
    assert (alarm["severity"], alarm["until"]) == (severity, None)
    assert alarm["facts"]["repeats"] == repeats
    after_s = parse_time(alarm["time"]) / 1_000.0 - (T0 + FROZEN_S)
    assert 60.0 <= after_s <= within_s
    (alarm,) = alarms(in_part(repeats, 4_200.0, again_s=3_600.0))
    assert alarm["until"] is not None


def test_each_frozen_at_its_own_height_is_one_alarm() -> None:
    """One some minutes after the other: their altitudes differ, neither changes."""
    found = []
    for second in range(0, 5_000, 15):
        first = second % 30 == 0
        at_s = min(float(second), FROZEN_S + (0.0 if first else 300.0))
        found.append(
            packet(float(second), "N0CALL-11" if first else "N0CALL-12", position_at(at_s))
        )
    (alarm,) = alarms(found)
    assert alarm["facts"]["repeats"] == "position"


def test_silence_is_no_repeating() -> None:
    assert alarms([r for r in heard(4_000.0, frozen=()) if r.heard_at_s < T0 + FROZEN_S]) == []
    beyond = packet(4_000.0, "N0CALL-7")
    silent = [r for r in heard(4_000.0, frozen=()) if r.heard_at_s < T0 + FROZEN_S]
    assert alarms([*silent, beyond]) == []


def test_it_ends_when_one_is_right_again() -> None:
    both = ("N0CALL-11", "N0CALL-12")
    (alarm,) = alarms(heard(4_600.0, frozen=both, again_s=4_000.0))
    assert alarm["until"] is not None


def test_one_alone_is_no_alarm_of_all() -> None:
    assert alarms(heard(4_000.0, frozen=("N0CALL-12",))) == []
    assert alarms(heard(4_000.0, frozen=())) == []


@pytest.mark.parametrize("log", real_logs(), ids=lambda log: str(log.stem))
def test_no_real_flight_raises_it(log: Any) -> None:
    assert [a for a in shown(flown(log))["alarms"] if a["kind"] == "frozen"] == []
