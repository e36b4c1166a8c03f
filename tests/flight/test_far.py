"""A tracker that is nowhere near its planned launch is told; one that swaps its numbers is not used."""

from __future__ import annotations

from typing import Any

import pytest

from decoders.reports import PositionReport
from server.flight.inputs import FlightPlan, LaunchPlan, Plan, TrackerPlan
from server.flight.mission import Mission
from server.flight.packets.positions import why_impossible
from server.flight.tracker_state import RejectionKind
from tests.flights import LAUNCH, packet, position_at
from tests.seen import shown

MAIN = "N0CALL-11"
EAST_DEG = 20.0  # LAUNCH lies at 98 degrees west, which is no latitude
SITE = LAUNCH[0], LAUNCH[1] + EAST_DEG, LAUNCH[2]
PLAN = Plan(flights=(FlightPlan(launch=LaunchPlan(*SITE), trackers=(TrackerPlan("Main", MAIN),)),))


def seen(way: str) -> dict[str, Any]:
    mission = Mission(PLAN)
    for second in range(0, 600, 30):
        lat, lon, altitude_m = position_at(float(second))
        lon += EAST_DEG
        said = {
            "right": (lat, lon),
            "swapped": (abs(lon), -abs(lat)),  # the numbers; the letters stay
            "elsewhere": (lat, lon + 60.0),
        }[way]
        mission.receive([packet(float(second), MAIN, (*said, altitude_m))])
    return shown(mission)


def test_swapped_numbers_are_not_used() -> None:
    state = seen("swapped")
    (told,) = state["problems"]
    assert (told["kind"], told["name"], told["count"]) == ("swapped", MAIN, 20)
    assert told["distance_m"] < 10_000.0
    (tracker,) = state["trackers"]
    assert tracker["last_rejection"]["kind"] == "swapped"
    assert (tracker["rejected"], tracker["last_latitude_deg"], state["track"]) == (20, None, None)


def test_swapped_with_their_signs() -> None:
    report = PositionReport(MAIN, SITE[1], SITE[0])
    found = why_impossible(report, SITE[:2])
    assert found is not None
    assert (found.kind, found.off_m) == (RejectionKind.SWAPPED, 0.0)
    assert why_impossible(report) is None


def test_another_place_is_told_and_used() -> None:
    state = seen("elsewhere")
    (told,) = state["problems"]
    assert (told["kind"], told["name"]) == ("far_from_launch", MAIN)
    assert told["distance_m"] > 1_000_000.0
    assert state["track"] is not None


def test_the_right_place_is_not_told() -> None:
    state = seen("right")
    assert state["problems"] == []
    assert state["trackers"][0]["rejected"] == 0


@pytest.mark.parametrize("site", [(47.0, -46.5), (33.0, -151.0), (0.5, -3.0)])
def test_a_launch_where_both_numbers_are_alike_or_one_is_no_latitude(
    site: tuple[float, float],
) -> None:
    launch = LaunchPlan(*site, 100.0)
    mission = Mission(
        Plan(flights=(FlightPlan(launch=launch, trackers=(TrackerPlan("Main", MAIN),)),))
    )
    for second in range(0, 600, 30):
        off_deg = 0.001 * second
        place = site[0] + off_deg, site[1] - off_deg, 100.0 + 5.0 * second
        mission.receive([packet(float(second), MAIN, place)])
    assert shown(mission)["problems"] == []
