"""Several stations, one flight: each has a clock of its own, and the union has one state."""

from __future__ import annotations

import itertools
import random
from dataclasses import replace
from typing import Any

from server.flight.inputs import Command, FlightPlan, LaunchPlan, Plan, Reception, Tick, TrackerPlan
from server.flight.mission import Mission
from tests.flights import LAUNCH, T0, made_flight, packet
from tests.seen import shown

PLAN = Plan(
    flights=(
        FlightPlan(
            name="two cars",
            launch=LaunchPlan(*LAUNCH),
            trackers=(TrackerPlan("Main", "N0CALL-11"),),
        ),
    ),
    station="car-1",
)
NOW_S = T0 + 9_010.0


def heard_by(station: str, ahead_s: float = 0.0) -> list[Reception]:
    """Every packet of the made flight as that station writes it down."""
    return [
        replace(r, source=f"{station}/tnc", heard_at_ms=r.heard_at_ms + round(1000 * ahead_s))
        for r in made_flight()
    ]


def state(
    plan: Plan, given: list[Reception], commands: list[Command] | None = None
) -> dict[str, Any]:
    flight = Mission(plan)
    flight.receive(given)
    for command in commands or ():
        flight.apply(command)
    flight.apply(Tick(NOW_S))
    return shown(flight)


def test_halves_heard_by_two_stations_are_one_flight() -> None:
    first, second = heard_by("car-1")[::2], heard_by("car-2")[1::2]
    both = state(PLAN, first + second)
    assert state(PLAN, second + first) == both
    other = state(replace(PLAN, station="car-2"), first + second)
    assert other == {**both, "station": "car-2"}
    assert both["trackers"][0]["fixes"] == len(first) + len(second)


def test_the_clock_of_another_car_moves_nobody_elses_now() -> None:
    right, wrong = heard_by("car-1"), heard_by("car-2", ahead_s=3_600.0)
    both = state(PLAN, right + wrong)
    alone = state(PLAN, right)
    assert both["now"] == alone["now"]
    assert both["track"] == alone["track"], "copies add nothing to a packet's own time"
    assert both["problems"] == []
    assert both["receptions"]["copies"] == len(right)


def test_each_car_is_told_of_its_own_clock_alone() -> None:
    union = heard_by("car-1") + heard_by("car-2", ahead_s=300.0)
    flight = Mission(replace(PLAN, station="car-2"))
    flight.receive(union)
    flight.apply(Tick(NOW_S + 300.0))
    told = shown(flight)
    assert (told["problems"][0]["kind"], told["problems"][0]["ahead_s"]) == ("own_clock", 300.0)
    assert told["now"] == state(PLAN, union)["now"], "put right, both read the same"


def test_without_a_packet_of_its_own_a_station_takes_the_clock_of_the_others() -> None:
    flight = Mission(replace(PLAN, station="base"))
    flight.receive(heard_by("car-1"))
    assert flight.now_s == heard_by("car-1")[-1].heard_at_s


def test_commands_of_two_screens_end_the_same_in_any_order() -> None:
    given = heard_by("car-1")
    commands = [
        Command(T0 + 100.0, "vehicle", "Car 2", 38.0, -98.0, "car-1"),
        Command(T0 + 100.0, "vehicle", "Car 2", 38.1, -98.1, "car-2"),
        Command(T0 + 50.0, "vehicle", "Car 2", 38.2, -98.2, "car-2"),
        Command(T0 + 60.0, "acknowledge", "burst", station="car-1"),
    ]
    orders = list(itertools.permutations(commands))
    random.Random(3).shuffle(orders)
    ends = [state(PLAN, given, list(order)) for order in orders[:6]]
    assert all(end == ends[0] for end in ends)
    assert ends[0]["vehicles"][0]["time"] == "2026-06-01T13:01:40.000Z"


def test_two_packets_of_one_millisecond_end_the_same_in_any_order() -> None:
    first, second, *rest = heard_by("car-1")[:30]
    second = replace(second, heard_at_ms=first.heard_at_ms)
    assert state(PLAN, [first, second]) == state(PLAN, [second, first])
    assert state(PLAN, [*rest, first, second]) == state(PLAN, [second, first, *rest])


def test_bystanders_are_shown_the_same_whether_all_of_theirs_is_kept_or_not() -> None:
    """Without a plan everybody may turn out a tracker, and everything is kept: the slow way."""
    made = [
        packet(
            30.0 * i, f"N0CALL-{i % 5 + 1}", (38.0 + 1e-3 * i, -98.0, 500.0), path=path, source=s
        )
        for i in range(60)
        for path, s in (("", "car-1/tnc"), (",N0CALL-9*", "car-1/tnc"), ("", "car-2/tnc"))
    ]
    made += [packet(31.0 * i, "N0CALL-7", (0.0, 0.0, 0.0), source="car-1/tnc") for i in range(9)]
    made += [untimed(replace(r, source="car-1/tnc")) for r in made[:40]]
    random.Random(5).shuffle(made)
    kept = state(replace(PLAN, infer_trackers=True), made)
    lean = state(PLAN, made)
    assert len(lean["senders"]) == 6
    for section in ("senders", "receptions", "number"):
        assert lean[section] == kept[section]


def untimed(reception: Reception) -> Reception:
    """The same position, said without its time."""
    head, _, said = reception.payload.partition(b":/")
    return replace(reception, payload=head + b":!" + said[7:])
