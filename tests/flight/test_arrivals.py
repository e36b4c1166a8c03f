"""A copy is not evidence, and a late packet goes where it belongs."""

from __future__ import annotations

import random
from itertools import permutations

from decoders.nmea import encode_gga, encode_rmc
from decoders.reports import PositionReport
from server.flight.inputs import FlightPlan, Plan, Reception, TrackerPlan
from server.flight.mission import Mission
from tests.flights import T0, packet, position_at

PLAN = Plan(
    flights=(
        FlightPlan(
            trackers=(
                TrackerPlan("Main", callsign="N0CALL-11"),
                TrackerPlan("Wire", source="gps"),
            )
        ),
    )
)


def fly(*given: Reception) -> Mission:
    flight = Mission(PLAN)
    for reception in given:
        flight.apply(reception)
    return flight


def test_six_hearers_are_one_fix() -> None:
    heard = [
        packet(300.0, lag_s=0.8, source="tnc"),
        packet(300.0, lag_s=2.1, path=",N0CALL-3*", source="tnc"),
        packet(300.0, lag_s=1.9, path=",N0CALL-4,qAR,N0CALL-4"),
        packet(300.0, lag_s=3.0, path=",N0CALL-5*,qAR,N0CALL-6"),
        packet(300.0, lag_s=9.0, path=",qAO,N0CALL-7"),
        packet(300.0, lag_s=400.0, path=",N0CALL-3*", source="tnc"),  # repeated minutes later
    ]
    for order in permutations(heard, 6):
        flight = fly(*order)
        sender = flight.senders["N0CALL-11"]
        assert len(flight.flights[0].track.records()) == 1
        assert (sender.health.heard, sender.health.copies) == (1, 5)
        assert sender.health.heard_by["N0CALL-7"] == 1
        assert sender.packets[0].first_heard_s == T0 + 300.8


def test_a_late_packet_goes_where_it_belongs() -> None:
    in_order = [packet(t) for t in range(0, 900, 30)]
    straight = fly(*in_order)
    late = in_order[7]
    delayed = Reception(late.heard_at_ms + 240_000, late.source, late.wire, late.payload)
    flight = fly(*in_order[:7], *in_order[8:20], delayed, *in_order[20:])
    assert [r.fix for r in flight.flights[0].track.records()] == [
        r.fix for r in straight.flights[0].track.records()
    ]
    assert (
        flight.flights[0].track.checkpoint().state == straight.flights[0].track.checkpoint().state
    )


def test_the_same_words_sent_again_are_a_new_packet() -> None:
    # no time in it, and heard directly a beacon interval later
    def beacon(at_s: float, path: str = "") -> Reception:
        line = f"N0CALL-11>APZLWD{path}:!3821.00N/09812.00WO/A=002000"
        return Reception(round((T0 + at_s) * 1000), "tnc", "tnc2", line.encode())

    flight = fly(beacon(0.0), beacon(30.0), beacon(60.0), beacon(62.0, ",N0CALL-3*"))
    sender = flight.senders["N0CALL-11"]
    assert (sender.health.heard, sender.health.copies) == (3, 1)


def test_gga_and_rmc_of_one_second_are_one_fix() -> None:
    latitude_deg, longitude_deg, altitude_m = position_at(600.0)
    said = PositionReport(
        "gps", latitude_deg, longitude_deg, T0 + 600, altitude_m, speed_ms=8.0, course_deg=90.0
    )
    gga, rmc = encode_gga(said), encode_rmc(said)
    heard_at_ms = round((T0 + 600.4) * 1000)
    given = [
        Reception(heard_at_ms, "gps", "nmea", gga.strip()),
        Reception(heard_at_ms + 90, "gps", "nmea", rmc.strip()),
    ]
    for order in (given, given[::-1]):
        (record,) = fly(*order).flights[0].track.records()
        assert record.fix.altitude_m is not None
        assert abs(record.fix.altitude_m - altitude_m) < 0.2
        assert record.fix.speed_ms is not None
        assert abs(record.fix.speed_ms - 8.0) < 0.1
        assert record.fix.time_s == T0 + 600


def test_order_of_arrival_does_not_matter_for_the_books() -> None:
    rng = random.Random(11)
    given = [packet(t, lag_s=1.0) for t in range(0, 1_800, 30)]
    given += [packet(t, lag_s=5.0, path=",N0CALL-3*", source="tnc") for t in range(0, 1_800, 60)]
    straight = fly(*sorted(given))
    for _ in range(5):
        mixed = rng.sample(given, len(given))
        flight = fly(*mixed)
        sender, other = flight.senders["N0CALL-11"], straight.senders["N0CALL-11"]
        assert sender.health.copies == other.health.copies == 30
        assert sender.health.interval_s == other.health.interval_s
        assert sender.packets == other.packets
