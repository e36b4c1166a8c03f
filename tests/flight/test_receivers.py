"""Several receivers on one gpsd: the source's place never alternates between them."""

from __future__ import annotations

import random

import orjson
import pytest

from decoders.readings import GpsdRules
from server.flight.inputs import Plan, Reception, VehiclePlan
from server.flight.mission import Mission
from server.flight.packets.receivers import HELD_MS, Receivers
from tests.seen import shown

A, B = "/dev/ttyACM0", "/dev/ttyACM1"
START_MS = 1_781_524_800_000
PLAN = Plan(vehicles=(VehiclePlan("Car", source="gps", own=True),))


def tpv(after_ms: int, device: object, latitude_deg: float, mode: int = 3) -> Reception:
    content = {
        "class": "TPV",
        "device": device,
        "mode": mode,
        "lat": latitude_deg,
        "lon": 2.0,
        "time": f"2026-06-15T12:{after_ms // 60_000:02d}:{after_ms // 1000 % 60:02d}.000Z",
    }
    return Reception(START_MS + after_ms, "gps", "gpsd", orjson.dumps(content))


def two(seconds: int = 40) -> list[Reception]:
    """A stands at 46 N and loses its fix from the 10th to the 30th second; B stands at 10 N."""
    heard = []
    for i in range(seconds):
        heard.append(tpv(1000 * i, A, 46.0, mode=1 if 10 <= i < 30 else 3))
        heard.append(tpv(1000 * i + 400, B, 10.0))
    return heard


def places(flight: Mission) -> dict[str, list[tuple[float, float]]]:
    return {
        name: [(fix.time_s - START_MS / 1000.0, fix.latitude_deg) for fix in sender.all_fixes()]
        for name, sender in flight.senders.items()
    }


def last_place(flight: Mission, name: str) -> float:
    """Of a receiver that nobody follows only the last place is asked for."""
    fix = flight.senders[name].latest_fix()
    assert fix is not None
    return fix.latitude_deg


def test_one_speaks_for_the_source_and_another_when_it_is_lost() -> None:
    flight = Mission(PLAN)
    for reception in two():
        flight.apply(reception)
    found = places(flight)
    assert set(found) == {"gps", "gps@ttyACM1", "gps@ttyACM0"}
    own = [place for _, place in found["gps"]]
    assert own == [46.0] * 10 + [10.0] * 11 + [46.0] * 10
    assert found["gps"][10][0] == 19.0  # 9 s after the last fix of the first one, and over 10
    assert last_place(flight, "gps@ttyACM1") == 10.0


def test_any_order_gives_the_same_flight() -> None:
    heard = two()
    in_order = Mission(PLAN)
    in_order.receive(heard)
    for seed in range(5):
        shuffled = heard[:]
        random.Random(seed).shuffle(shuffled)
        one_by_one = Mission(PLAN)
        for reception in shuffled:
            one_by_one.apply(reception)
        assert places(one_by_one) == places(in_order)
        assert shown(one_by_one) == shown(in_order)


def test_the_plan_may_name_it() -> None:
    flight = Mission(Plan(vehicles=PLAN.vehicles, readings={"gps": GpsdRules(B)}))
    flight.receive(two())
    assert {place for _, place in places(flight)["gps"]} == {10.0}
    assert last_place(flight, "gps@ttyACM0") == 46.0


def test_one_receiver_is_always_the_sources() -> None:
    flight = Mission(PLAN)
    flight.receive([reception for reception in two() if b"ttyACM1" in reception.payload])
    assert set(places(flight)) == {"gps"}


@pytest.mark.parametrize("device", [7, None, "", {}, "x" * 501])
def test_what_names_no_device_is_the_sources(device: object) -> None:
    flight = Mission(PLAN)
    flight.receive([tpv(0, A, 46.0), tpv(500, device, 46.0)])
    assert set(flight.senders) == {"gps"}


@pytest.mark.parametrize(
    ("device", "name"),
    [
        ("/dev/" + "x" * 80, "@" + "x" * 30),
        ("udp://127.0.0.1:5000", "@127.0.0.1-5000"),
        ("a b\n", "@a-b-"),
        ("/", "@-"),
    ],
)
def test_names_are_bounded_and_without_blanks(device: str, name: str) -> None:
    suffix = Receivers().suffix(tpv(0, device, 1.0), device, True, GpsdRules(A))
    assert suffix == name


def test_a_fix_of_long_ago_holds_nobody_back() -> None:
    receivers = Receivers()
    assert receivers.suffix(tpv(0, A, 1.0), A, True, None) == ""
    assert receivers.suffix(tpv(HELD_MS, B, 1.0), B, True, None) == "@ttyACM1"
    assert receivers.suffix(tpv(HELD_MS + 1, B, 1.0), B, True, None) == ""
