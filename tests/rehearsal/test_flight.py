"""A whole made flight: the same seed the same bytes, everything readable but the rubbish."""

from __future__ import annotations

from collections import Counter

import pytest

from decoders.decode import decode
from decoders.phone import decode_body
from server.rehearsal.fleet import draw
from server.rehearsal.flight import Stage, fly
from server.rehearsal.scenario import load, names
from server.rehearsal.truth import distance_m
from tests.rehearsal.made import scenario


def test_same_seed_same_bytes_other_seed_other_flight() -> None:
    short = scenario("early-burst", after_s=60.0)
    one, again, other = fly(short), fly(short), fly(short, 4)
    assert one.receptions == again.receptions
    assert one.truth.landing == again.truth.landing
    assert other.receptions != one.receptions
    assert distance_m(other.truth.landing, one.truth.landing) > 100.0


@pytest.mark.parametrize("name", names())
def test_everything_can_be_read_but_the_rubbish(name: str) -> None:
    flown = fly(load(name))
    problems: Counter[str] = Counter()
    for heard_at_ms, source, wire, payload in flown.receptions:
        problem = decode(wire, payload, heard_at_ms / 1000.0, source).problem
        problems["bad" if problem else "good"] += 1
    assert problems["bad"] <= flown.scenario.garbage
    assert problems["bad"] >= 0.6 * flown.scenario.garbage
    moments = [reception[0] for reception in flown.receptions]
    assert moments == sorted(moments)


@pytest.mark.parametrize("name", names())
def test_the_phone_is_silent_in_the_air(name: str) -> None:
    flown = fly(load(name))
    for heard_at_ms, _, wire, payload in flown.receptions:
        if wire == "phone":
            assert heard_at_ms / 1000.0 > flown.truth.landing_s + 600.0
            reports, problem = decode_body(payload, "phone")
            assert problem is None
            assert reports[0].altitude_datum == "ellipsoid"


def test_playing_bit_by_bit_is_the_same_flight() -> None:
    flown = fly(scenario("early-burst", after_s=60.0))
    stage = Stage(scenario("early-burst", after_s=60.0))
    pieces = []
    time_s = stage.truth.start_s
    while time_s < stage.truth.end_s + 60.0:
        pieces += stage.until(time_s)
        time_s += 37.0
    assert tuple(tuple(piece) for piece in pieces) == flown.receptions


def test_copies_by_digipeater_receiver_and_internet() -> None:
    flown = fly(load("two-teams"))
    ways: dict[tuple[str, bytes], set[tuple[str, bool]]] = {}
    for heard_at_ms, source, wire, payload in flown.receptions:
        if wire in ("kiss", "tnc2"):
            found = decode(wire, payload, heard_at_ms / 1000.0, source).transmission
            if found is not None and found.sender == "N0CALL-11":
                key = (found.sender, found.information)
                ways.setdefault(key, set()).add((source, bool(found.repeated_by)))
    assert sum(len(way) > 1 for way in ways.values()) > 0.5 * len(ways)
    assert {("tnc", False), ("tnc", True), ("internet", False)} <= set().union(*ways.values())


def test_after_the_landing_the_box_is_heard_by_nobody_far_away() -> None:
    flown = fly(load("demo"))
    landing_ms = flown.truth.landing_s * 1000.0
    late = [
        heard_at_ms
        for heard_at_ms, source, wire, payload in flown.receptions
        if landing_ms + 8_000 < heard_at_ms < landing_ms + 600_000 and wire in ("kiss", "tnc2")
        if (found := decode(wire, payload, heard_at_ms / 1000.0, source).transmission)
        and found.sender in ("N0CALL-11", "N0CALL-12")
        and len(payload) > 40
    ]
    assert not late


def test_a_fleet_of_different_flights() -> None:
    flights = [fly(draw(seed), seed) for seed in range(6)]
    assert len({round(f.truth.burst[2], -2) for f in flights}) == 6
    for flown in flights:
        assert 18_000.0 < flown.truth.burst[2] < 38_000.0
        assert len(flown.receptions) > 300
        assert draw(flown.seed) == flown.scenario
