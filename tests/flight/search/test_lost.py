"""A flight that falls silent in the air: contact, the search, and the crew's notes in any order."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from decoders.reports import BearingReport
from server.flight.inputs import (
    FlightPlan,
    LaunchPlan,
    Plan,
    Reception,
    Tick,
    TrackerPlan,
    VehiclePlan,
)
from server.flight.landing.predict import predict
from server.flight.mission import Mission
from server.flight.physics.geodesy import distance_bearing
from server.flight.search.asked import (
    MOST_STRETCHES,
    Silent,
    Way,
    search_question,
    silent_stretches,
)
from server.flight.search.notes import MOST_NOTES, Notes
from server.flight.search_state import Search
from server.flight.view.searching import silent_flight
from server.session.session import Session
from tests.flights import LAUNCH, T0, altitude_at, landed_at, made_flight, packet, position_at

LOST_S = 6_300.0  # after T0: it falls, some kilometres up
LANDED_S = landed_at(5_400.0)
TRUE = position_at(LANDED_S)
PLAN = Plan(
    flights=(
        FlightPlan(
            name="Tern 7",
            launch=LaunchPlan(*LAUNCH, time_s=T0 + 120.0),
            trackers=(TrackerPlan("Main", "N0CALL-11"),),
        ),
    ),
    vehicles=(VehiclePlan("Car 1", callsign="N0CALL-9", own=True),),
)


def note(number: int, at_s: float = T0 + LANDED_S + 600.0, **told: Any) -> Reception:
    body = {"id": f"note-{number:04}", "by": "Car 2", "time_ms": round(at_s * 1_000)} | told
    return Reception(round(at_s * 1_000) + 500, "notes", "note", json.dumps(body).encode())


def lost() -> list[Reception]:
    return [one for one in made_flight() if one.heard_at_s < T0 + LOST_S]


def search_of(
    receptions: list[Reception], at_s: float, plan: Plan = PLAN
) -> tuple[Search, Session]:
    session = Session(Mission(plan))
    session.mission.receive(receptions)
    session.mission.apply(Tick(at_s))
    session.settle_landing()
    state = session.state().flights[0]
    session.close()
    return state.search, session


def car(elapsed_s: float, latitude_deg: float, longitude_deg: float) -> Reception:
    return packet(elapsed_s, "N0CALL-9", (latitude_deg, longitude_deg, 500.0))


def towards(at: tuple[float, float], off_deg: float = 0.0) -> dict[str, Any]:
    """A bearing from a place to where it lies in truth."""
    _, bearing_deg = distance_bearing(*at, TRUE[0], TRUE[1])
    return {
        "kind": "bearing",
        "latitude_deg": at[0],
        "longitude_deg": at[1],
        "bearing_deg": (bearing_deg + off_deg) % 360.0,
        "sureness": "sharp",
    }


def test_while_it_is_heard_there_is_nothing_to_search() -> None:
    search, _ = search_of(lost(), T0 + LOST_S)
    assert search.contact == "heard"
    assert search.result is None
    assert search.expected_now is None


def test_what_is_worked_out_is_told_as_such_while_it_falls_unheard() -> None:
    search, session = search_of(lost(), T0 + LOST_S + 200.0)
    assert search.contact == "lost"
    assert search.expected_now is not None
    true_m = altitude_at(LOST_S + 200.0)
    assert search.expected_now.altitude_m == pytest.approx(true_m, abs=400.0)
    assert session.state().flights[0].landing is not None
    search, _ = search_of(lost(), T0 + LANDED_S + 1_200.0)
    assert search.expected_now is None, "it is on the ground by now"
    assert search.result is not None
    assert search.result.effective_particles > 200.0
    best = search.result.best_latitude_deg, search.result.best_longitude_deg
    assert distance_bearing(*best, TRUE[0], TRUE[1])[0] < 5_000.0


def test_two_bearings_make_the_area_at_least_half_as_large() -> None:
    near = (TRUE[0] - 0.03, TRUE[1] - 0.01), (TRUE[0] + 0.005, TRUE[1] + 0.04)
    notes = [note(1, **towards(near[0], 4.0)), note(2, **towards(near[1], -5.0))]
    at_s = T0 + LANDED_S + 1_800.0
    before, _ = search_of(lost(), at_s)
    after, _ = search_of([*lost(), *notes], at_s)
    assert before.result is not None
    assert after.result is not None
    assert after.result.area_90_m2 < 0.5 * before.result.area_90_m2
    reflected = [b.reflected for b in after.bearings if b.reflected is not None]
    assert len(reflected) == 2
    assert max(reflected) < 0.3


def test_a_found_box_ends_the_search() -> None:
    place: dict[str, Any] = {
        "latitude_deg": TRUE[0],
        "longitude_deg": TRUE[1],
        "note": "in a ditch",
    }
    search, _ = search_of(
        [*lost(), note(1, kind="claim"), note(2, kind="found", **place)], T0 + LANDED_S + 1_800.0
    )
    assert search.contact == "found"
    assert search.found is not None
    assert search.found.by == "Car 2"
    assert [claim.can for claim in search.claims] == [True]


def test_notes_count_the_same_in_any_order_and_called_off_ones_do_not() -> None:
    near = TRUE[0] - 0.06, TRUE[1] - 0.02
    notes = [
        note(1, **towards(near)),
        note(2, **towards(near, 170.0)),
        note(3, kind="call off", of="note-0002"),
        note(4, kind="searched", path=[list(near)], width_m=100, ground="crops"),
    ]
    at_s = T0 + LANDED_S + 1_800.0
    straight, _ = search_of([*lost(), *notes, notes[0]], at_s)
    assert [b.id for b in straight.bearings] == ["note-0001"]
    assert len(straight.searched) == 1
    mixed = [*lost(), *notes, notes[0]]
    random.Random(4).shuffle(mixed)
    session = Session(Mission(PLAN))
    for one in mixed:
        session.mission.apply(one)
    session.mission.apply(Tick(at_s))
    session.settle_landing()
    assert session.state().flights[0].search == straight
    session.close()


def test_a_car_that_stands_in_the_middle_and_hears_nothing_moves_the_area() -> None:
    """It heard the flight in the air; where it stands now it would hear a box that lies near."""
    before_s = LOST_S - 300.0
    first, _ = search_of([*lost(), car(before_s, 38.0, -98.6)], T0 + LANDED_S + 600.0)
    assert first.result is not None
    at = first.result.best_latitude_deg, first.result.best_longitude_deg
    there = [car(LANDED_S + 60.0 * n, *at) for n in range(60)]
    after, _ = search_of([*lost(), car(before_s, 38.0, -98.6), *there], T0 + LANDED_S + 3_700.0)
    assert after.result is not None
    assert min(first.result.ended[0].chance, after.result.ended[0].chance) > 0.8  # unless it wakes
    moved_m, _ = distance_bearing(
        *at, after.result.best_latitude_deg, after.result.best_longitude_deg
    )
    assert moved_m > 100.0
    assert after.result.listen is not None


def test_a_flood_of_notes_is_bounded() -> None:
    notes = Notes()
    one = BearingReport(
        "Car 1", "", 0.0, latitude_deg=0, longitude_deg=0, bearing_deg=0, sureness="sharp"
    )
    for number in range(MOST_NOTES + 50):
        notes.take(replace(one, id=f"note-{number:05}", time_s=float(number)), (number, None))
    assert len(notes.of(BearingReport, "Tern 7", first=True)) == MOST_NOTES
    assert notes.beyond == 50
    assert notes.of(BearingReport, "Tern 7", first=False) == (), "of a flight that it does not name"


def test_many_packets_heard_without_a_position_are_all_kept() -> None:
    """More of them than views are kept: thinning the silences between has an end."""
    way = Way("Car 1", [(0.0, 0.0, 0.0)], 7, 10)
    heard = [(60.0 * n, ("Car 1",)) for n in range(1, 2 * MOST_STRETCHES)]
    found = silent_stretches([way], 0.0, 60.0 * 2 * MOST_STRETCHES, 60.0, 0.0, heard)
    assert sum(one.heard for one in found) == len(heard)


def test_a_packet_that_comes_when_it_is_due_is_no_miss_of_who_heard_it() -> None:
    """It was counted twice, as heard and as not heard; of two hearers of one packet each missed it."""
    ways = [Way(name, [(0.0, 0.0, 0.0)], 7, 10) for name in ("Car 1", "N0CALL-4", "N0CALL-5")]
    heard = [(60.0 * n, ("Car 1", "N0CALL-4")) for n in range(1, 6)]
    found = silent_stretches(ways, 0.0, 300.0, 60.0, 0.0, heard)
    assert sum(one.heard for one in found) == 10
    assert sum(one.packets for one in found if not one.heard) == pytest.approx(5.0)  # of N0CALL-5


def test_a_car_that_is_known_by_its_beacon_alone_is_no_receiver() -> None:
    """Its silence was evidence, and what our car heard was put down to it."""
    plan = replace(PLAN, vehicles=(*PLAN.vehicles, VehiclePlan("Car 2", callsign="N0CALL-8")))
    here = car(LOST_S - 300.0, 38.0, -98.6)
    other = packet(LOST_S - 299.0, "N0CALL-8", (TRUE[0], TRUE[1], 500.0))
    heard_ms = round((T0 + LOST_S + 61.5) * 1_000)
    late = Reception(heard_ms, "internet", "tnc2", b"N0CALL-11>APZLWD:>no fix")
    alone, _ = search_of([*lost(), here, other, late], T0 + LANDED_S + 600.0)
    both, _ = search_of([*lost(), here, other, late], T0 + LANDED_S + 600.0, plan)
    assert alone.result is not None
    assert both.result is not None
    assert both.result.best_latitude_deg == alone.result.best_latitude_deg
    assert both.result.ended == alone.result.ended


def silent_of(mission: Mission) -> Silent:
    question = mission.flights[0].landing_question()
    assert question is not None
    landing = predict(question)
    assert landing is not None
    silent = silent_flight(mission.flights[0], question, landing, 60.0)
    assert silent is not None
    return silent


def test_where_a_car_was_is_known_for_as_long_as_it_is_silent() -> None:
    """Only its last 400 positions counted: with one a second, those of the last seven minutes."""
    beside = car(LOST_S - 300.0, TRUE[0], TRUE[1] + 0.02)
    gone_s = LANDED_S + 1_800.0
    away = [car(gone_s + 1.0 * n, 38.0, -98.6) for n in range(500)]
    mission = Mission(PLAN)
    mission.receive([*lost(), beside, *away])
    mission.apply(Tick(T0 + gone_s + 500.0))
    silent = silent_of(mission)
    asked = search_question(silent)
    assert asked is not None
    assert len(asked.cars) == 1
    at = asked.frame.to_xy(TRUE[0], TRUE[1] + 0.02)
    here = [s for s in asked.stretches[0] if np.hypot(s.x_m - at[0], s.y_m - at[1]) < 50.0]
    assert sum(s.packets for s in here) == pytest.approx((gone_s - LOST_S) / 30.0, rel=0.05)


def test_a_digipeater_is_no_car_that_can_be_sent() -> None:
    """It listens, and its silence counts; but nobody drives it anywhere."""
    tall = packet(100.0, "N0CALL-3", (38.07, -97.9, 500.0))
    relayed = [packet(4_000.0 + 30.0 * n, path=",N0CALL-3*") for n in range(8)]
    mission = Mission(PLAN)
    mission.receive([*lost(), *relayed, tall, car(LOST_S - 300.0, 38.0, -98.6)])
    mission.apply(Tick(T0 + LANDED_S + 600.0))
    silent = silent_of(mission)
    assert [one.name for one in silent.listeners] == ["Car 1", "N0CALL-3"]
    assert np.allclose(silent.cars, [(38.0, -98.6)], atol=1e-3)
