"""A second station whose clock shows another date: put right where it can be told, otherwise not used."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from server.flight.inputs import Command, FlightPlan, LaunchPlan, Plan, Reception, Tick, TrackerPlan
from server.flight.mission import Mission
from tests.flights import LAUNCH, T0, packet
from tests.plans import with_flight
from tests.seen import kinds, shown

PLAN = Plan(
    flights=(FlightPlan(launch=LaunchPlan(*LAUNCH), trackers=(TrackerPlan("Main", "N0CALL-11"),)),),
    station="car-1",
)
UNTIL_S = 3_000
DAY_S = 86_400.0
OFF = [5 * 3_600.0, DAY_S, 31 * DAY_S + 77.0, 9_497 * DAY_S + 25_000.0, 56 * 365.25 * DAY_S + 300.0]
OFF += [-ahead_s for ahead_s in OFF[:4]]


def heard_by(station: str, ahead_s: float = 0.0, timed: bool = True) -> list[Reception]:
    heard = []
    for t in range(0, UNTIL_S, 30):
        one = packet(t, source=f"{station}/tnc")
        if not timed:
            head, _, said = one.payload.partition(b":/")
            one = replace(one, payload=head + b":!" + said[7:])
        heard.append(replace(one, heard_at_ms=one.heard_at_ms + round(1000.0 * ahead_s)))
    return heard


def flown(given: list[Reception], plan: Plan = PLAN) -> Mission:
    flight = Mission(plan)
    flight.receive(given)
    flight.apply(Tick(T0 + UNTIL_S))
    return flight


@pytest.mark.parametrize("ahead_s", OFF)
@pytest.mark.parametrize("timed", [True, False], ids=["timed", "untimed"])
def test_a_wrong_date_is_put_right_by_what_both_heard(ahead_s: float, timed: bool) -> None:
    ours, theirs = heard_by("car-1", timed=timed), heard_by("car-2", ahead_s, timed)
    # each misses some that the other hears
    given = ours[:40] + ours[50:] + theirs[10:70]
    flight, clean = flown(given), flown(ours)
    fixes = flight.senders["N0CALL-11"].all_fixes()
    expected = clean.senders["N0CALL-11"].all_fixes()
    assert len(fixes) == len(expected)
    for a, b in zip(fixes, expected, strict=True):
        assert a.time_s == pytest.approx(b.time_s, abs=3.0)
    state, right = shown(flight), shown(clean)
    assert (state["now"], state["phase"]) == (right["now"], right["phase"])
    assert state["track"]["latitude_deg"] == right["track"]["latitude_deg"]
    assert [p["name"] for p in state["problems"] if p["kind"] == "other_clock"] == ["car-2"]


def test_hours_are_put_right_by_the_times_in_the_packets_alone() -> None:
    flight = flown(heard_by("car-1")[:60] + heard_by("car-2", 5 * 3_600.0)[60:])
    fixes = flight.senders["N0CALL-11"].all_fixes()
    assert fixes == flown(heard_by("car-1")).senders["N0CALL-11"].all_fixes()


@pytest.mark.parametrize(
    ("ahead_s", "timed"),
    [(a, t) for a in OFF for t in (True, False) if a >= DAY_S or (a > 0 and not t)],
)
def test_what_is_later_than_now_is_not_used(ahead_s: float, timed: bool) -> None:
    """Nothing was heard by both: nobody tells by how much it is wrong."""
    ours, theirs = heard_by("car-1", timed=timed), heard_by("car-2", ahead_s, timed)
    flight, clean = flown(ours[:20] + theirs[60:]), flown(ours[:20])
    assert flight.flights[0].track.records() == clean.flights[0].track.records()
    state = shown(flight)
    assert state["now"] == shown(clean)["now"]
    assert state["number"] == 60
    (told,) = (one for one in state["problems"] if one["kind"] == "later_than_now")
    assert (told["name"], told["count"]) == ("car-2", 40)


def test_one_entry_seventy_years_ahead() -> None:
    ours = heard_by("car-1")
    one = heard_by("car-2", 70 * 365.25 * DAY_S)[50]
    flight = flown([one, *ours])
    clean = flown(ours)
    assert flight.flights[0].track.records() == clean.flights[0].track.records()
    assert flight.now_s == clean.now_s
    later = packet(UNTIL_S + 30, source="car-1/tnc")
    flight.receive([later])
    latest = flight.flights[0].track.latest()
    assert latest is not None
    assert latest.fix.time_s == T0 + UNTIL_S + 30


def test_a_date_that_is_set_right_in_flight() -> None:
    theirs = heard_by("car-2", -26 * 365 * DAY_S)[:50] + heard_by("car-2")[50:]
    ours = heard_by("car-1")
    flight, clean = flown(ours[::2] + theirs), flown(ours)
    fixes = flight.senders["N0CALL-11"].all_fixes()
    assert fixes == clean.senders["N0CALL-11"].all_fixes()


def test_what_was_held_back_is_used_once_it_is_not_later_than_now() -> None:
    """A link brings what the other heard before our own next packet: no problem, and no loss."""
    ours, theirs = heard_by("car-1"), heard_by("car-2")
    flight = Mission(PLAN)
    flight.receive(ours[:10])
    flight.apply(Tick(T0 + 300.0))
    flight.receive(theirs[10:20])
    assert flight.held
    flight.apply(Tick(T0 + 600.0))
    assert not flight.held
    assert len(flight.flights[0].track.records()) == 20


def test_a_journal_read_to_its_end_keeps_what_others_heard_after_us() -> None:
    flight = Mission(PLAN)
    flight.receive(heard_by("car-1")[:30] + heard_by("car-2")[30:])
    assert len(flight.flights[0].track.records()) == 100
    assert not flight.held


@pytest.mark.parametrize("ahead_s", [DAY_S, -31 * DAY_S])
def test_a_station_that_hears_nothing_itself_believes_the_one_at_work(ahead_s: float) -> None:
    plan = replace(PLAN, station="base")
    given = heard_by("car-2") + heard_by("car-1", ahead_s)
    flight, clean = flown(given, plan), flown(heard_by("car-2"), plan)
    fixes = flight.senders["N0CALL-11"].all_fixes()
    assert fixes == clean.senders["N0CALL-11"].all_fixes()


@pytest.mark.parametrize("ahead_s", [DAY_S + 100.0, -5 * 3_600.0, 70 * 365.25 * DAY_S])
def test_any_order_gives_the_same_state(ahead_s: float) -> None:
    given = heard_by("car-1")[:60] + heard_by("car-2", ahead_s)[20:] + heard_by("car-3", -90.0)[::3]
    given += heard_by("car-4", ahead_s, timed=False)[61:70]
    end = None
    for plan in (
        PLAN,
        replace(with_flight(PLAN, trackers=()), infer_trackers=True),
        replace(PLAN, station="x"),
    ):
        end = None
        for seed in range(4):
            mixed = random.Random(seed).sample(given, len(given))
            flight = Mission(plan)
            size = (1, 9, 40, len(mixed))[seed]
            for i in range(0, len(mixed), size):
                flight.receive(mixed[i : i + size])
                if seed == 2:
                    flight.apply(Tick(T0 + 10.0 * i))
            flight.apply(Tick(T0 + UNTIL_S))
            state = shown(flight)
            end = end or state
            assert state == end


def test_our_own_clock_is_behind_and_nothing_was_heard_by_it() -> None:
    flight = Mission(replace(PLAN, station="base"))
    flight.receive(heard_by("car-1"))
    flight.apply(Tick(T0 - DAY_S))
    assert len(flight.flights[0].track.records()) == 100
    assert kinds(shown(flight))[0] == "own_clock_behind"
    flight.receive([heard_by("car-2", 70 * 365.25 * DAY_S)[50]])
    flight.apply(Tick(T0 + UNTIL_S))
    assert len(flight.flights[0].track.records()) == 100
    assert flight.held.keys() == {"car-2"}


def test_a_vehicle_is_not_where_a_wrong_date_says() -> None:
    flight = flown(heard_by("car-1") + heard_by("car-2", DAY_S)[:50])
    flight.apply(Command(T0 + 900.0, "vehicle", "Car 2", 38.0, -98.0, "car-1"))
    flight.apply(Command(T0 + 600.0 + DAY_S, "vehicle", "Car 2", 39.0, -99.0, "car-2"))
    flight.apply(Command(T0 + 70 * 365 * DAY_S, "vehicle", "Car 2", 39.0, -99.0, "car-3"))
    (vehicle,) = shown(flight)["vehicles"]
    assert (vehicle["latitude_deg"], vehicle["longitude_deg"]) == (38.0, -98.0)


@pytest.mark.parametrize("ahead_s", [a for a in OFF if abs(a) >= DAY_S])
def test_halves_of_one_flight_heard_a_day_apart(ahead_s: float) -> None:
    """No packet in common; but a tracker flies once, and its times tell the rest."""
    ours, theirs = heard_by("car-1"), heard_by("car-2", ahead_s)
    flight, clean = flown(ours[::2] + theirs[1::2]), flown(ours)
    fixes = flight.senders["N0CALL-11"].all_fixes()
    assert fixes == clean.senders["N0CALL-11"].all_fixes()
    told = shown(flight)["problems"]
    assert [p["name"] for p in told if p["kind"] == "other_clock"] == ["car-2"]


@pytest.mark.parametrize("ahead_s", [a for a in OFF if abs(a) >= DAY_S])
def test_halves_of_one_flight_without_times_are_not_joined(ahead_s: float) -> None:
    ours, theirs = heard_by("car-1", timed=False), heard_by("car-2", ahead_s, timed=False)
    for given in (ours[::2] + theirs[1::2], theirs[1::2] + ours[::2]):
        flight, clean = flown(given), flown(ours[::2])
        assert flight.flights[0].track.records() == clean.flights[0].track.records()
        told = shown(flight)["problems"]
        assert any(
            p["name"] == "car-2" and p["kind"] in ("undated", "later_than_now") for p in told
        )


def test_the_next_morning_another_car_hears_it_on_the_ground() -> None:
    """Nothing is wrong with either clock: only one of them heard it aloft."""
    ground = [
        replace(
            packet(t, source="car-1/tnc", position=(38.3, -97.9, 500.0)),
            heard_at_ms=round(1000.0 * (T0 + DAY_S + t)),
        )
        for t in range(0, 600, 30)
    ]
    flight = Mission(PLAN)
    flight.receive(heard_by("car-2") + ground)
    assert len(flight.flights[0].track.records()) == 120
    assert shown(flight)["problems"] == []
