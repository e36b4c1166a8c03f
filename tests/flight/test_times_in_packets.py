"""Times that packets carry, held against when they are heard; and who may say what the time is."""

from __future__ import annotations

import random
from dataclasses import replace

import orjson
import pytest

from server.flight.inputs import (
    FlightPlan,
    LaunchPlan,
    Plan,
    Reception,
    Tick,
    TrackerPlan,
    VehiclePlan,
)
from server.flight.mission import Mission
from server.flight.packets.sent_at import TimeDoubt
from tests.flights import LAUNCH, T0, packet, position_at
from tests.seen import kinds, shown

MAIN, BACKUP, STRANGER = "N0CALL-11", "N0CALL-12", "N0CALL-7"
PLAN = Plan(
    flights=(
        FlightPlan(
            launch=LaunchPlan(*LAUNCH),
            trackers=(
                TrackerPlan("Main", MAIN),
                TrackerPlan("Backup", BACKUP),
                TrackerPlan("Phone", source="phone", role="phone"),
            ),
        ),
    ),
    vehicles=(VehiclePlan("Car", source="gps", own=True),),
)
INFERRED = Plan(infer_trackers=True)
UNTIL_S = 3_000


def fly(given: list[Reception], plan: Plan = PLAN) -> Mission:
    flight = Mission(plan)
    flight.receive(given)
    return flight


def good(
    until_s: int = UNTIL_S, names: tuple[str, ...] = (MAIN,), every_s: int = 30
) -> list[Reception]:
    return [
        packet(t + 7 * i, name) for t in range(0, until_s, every_s) for i, name in enumerate(names)
    ]


def stamped(elapsed_s: float, stamp: bytes, callsign: str = MAIN) -> Reception:
    """The packet of that moment with another time in it: seven characters."""
    true = packet(elapsed_s, callsign)
    head, _, said = true.payload.partition(b":/")
    return replace(true, payload=head + b":/" + stamp + said[7:])


def assert_same_place(flight: Mission, clean: Mission) -> None:
    a, b = flight.flights[0].track.latest(), clean.flights[0].track.latest()
    assert a is not None
    assert b is not None
    assert a.fix.time_s == b.fix.time_s
    assert a.after.state is not None
    assert b.after.state is not None
    x, y = a.after.state.mixture, b.after.state.mixture
    for axis, other in zip(x, y, strict=True):
        assert axis.position == pytest.approx(other.position, abs=40.0)
        assert axis.velocity == pytest.approx(other.velocity, abs=2.0)


def hhmmss(of_day_s: float) -> bytes:
    s = int(of_day_s) % 86_400
    return f"{s // 3600:02d}{s // 60 % 60:02d}{s % 60:02d}h".encode()


@pytest.mark.parametrize("plan", [PLAN, INFERRED], ids=["planned", "inferred"])
@pytest.mark.parametrize("names", [(MAIN,), (MAIN, BACKUP)], ids=["one", "two"])
def test_a_restarted_receiver_in_mid_flight(plan: Plan, names: tuple[str, ...]) -> None:
    """It sends 000000h twice, then counts up from there, then knows the time again."""
    given = good(names=names)
    for i, t in enumerate(range(2_400, 2_640, 30)):
        k = given.index(packet(t))
        given[k] = stamped(t, b"000000h" if i < 2 else hhmmss(30.0 * i))
    flight, clean = fly(given, plan), fly(good(names=names), plan)
    assert_same_place(flight, clean)
    assert flight.now_s == clean.now_s
    assert flight.senders[MAIN].doubted.total() == 8
    assert "times_ahead" in kinds(shown(flight))


@pytest.mark.parametrize(
    "off_s", [1, 50, 600, 3_600, 5 * 3_600, 11 * 3_600, -1, -50, -600, -3_600, -11 * 3_600]
)
def test_one_wrong_stamp_is_over_with_the_next_good_packet(off_s: int) -> None:
    given = good()
    given[80] = stamped(2_400, hhmmss(T0 + 2_400 + off_s))
    for until in (82, len(given)):
        flight, clean = fly(given[:until]), fly(good()[:until])
        assert_same_place(flight, clean)
        assert flight.now_s == clean.now_s


def post(ahead_s: float, elapsed_s: float, count: int = 1) -> Reception:
    positions = []
    for i in range(count):
        t = elapsed_s - 15.0 * (count - 1 - i)
        latitude_deg, longitude_deg, _ = position_at(t)
        positions.append(
            {
                "coords": {"latitude": latitude_deg, "longitude": longitude_deg, "accuracy": 8.0},
                "timestamp": (T0 + t + ahead_s) * 1000.0,
            }
        )
    body = orjson.dumps({"positions": positions})
    return Reception(round((T0 + elapsed_s + 1.0) * 1000), "phone", "phone", body)


@pytest.mark.parametrize("ahead_s", [120.0, 20 * 3_600.0, 26 * 365 * 86_400.0, 70 * 365 * 86_400.0])
def test_a_phone_whose_clock_is_ahead(ahead_s: float) -> None:
    given = [*good(), post(ahead_s, 1_500.0, 20), post(ahead_s, 2_000.0)]
    flight, clean = fly(given), fly(good())
    latest, expected = flight.flights[0].track.latest(), clean.flights[0].track.latest()
    assert latest is not None
    assert expected is not None
    assert latest.fix == expected.fix
    fixes = flight.senders["phone"].all_fixes()
    assert max(f.time_s for f in fixes) <= T0 + 2_001.0
    assert not any(f.own_time for f in fixes)
    first = [f.time_s for f in fixes if f.time_s < T0 + 1_600]
    if ahead_s < 1e9:
        assert first == [T0 + 1_501.0 - 15.0 * i for i in range(19, -1, -1)], "put back by as much"


def test_a_phone_may_send_what_it_saved_hours_ago() -> None:
    flight = fly([*good(), post(-5 * 3_600.0, 2_000.0)])
    assert flight.senders["phone"].doubted.total() == 0
    assert [f.time_s for f in flight.senders["phone"].all_fixes()] == [T0 + 2_000.0 - 5 * 3_600.0]


def weather(elapsed_s: float, off_s: float, callsign: str = STRANGER) -> Reception:
    return stamped(elapsed_s, hhmmss(T0 + elapsed_s + off_s), callsign)


@pytest.mark.parametrize("off_s", [-5 * 3_600.0, 600.0, -600.0])
def test_a_stranger_cannot_set_the_clock(off_s: float) -> None:
    for plan in (PLAN, INFERRED):
        clean = fly(good(900), plan)
        given = [
            *good(900),
            *(
                replace(
                    packet(t, STRANGER, (38.3, -98.1, 500.0)),
                    payload=weather(t, off_s).payload.partition(b"h")[0]
                    + b"h3818.00N/09806.00W_090/001",
                )
                for t in range(0, 900, 20)
            ),
        ]
        flight = fly(given, plan)
        assert flight.now_ahead_s == 0.0
        assert flight.senders[MAIN].all_fixes() == clean.senders[MAIN].all_fixes()


@pytest.mark.parametrize("ahead_s", [-400.0, 300.0, 4 * 3_600.0])
@pytest.mark.parametrize("names", [(MAIN,), (MAIN, BACKUP)], ids=["one", "two"])
@pytest.mark.parametrize("plan", [PLAN, INFERRED], ids=["planned", "inferred"])
def test_the_stations_clock_is_wrong_and_its_trackers_say_so(
    ahead_s: float, names: tuple[str, ...], plan: Plan
) -> None:
    late = [
        replace(r, heard_at_ms=r.heard_at_ms + round(1000 * ahead_s)) for r in good(names=names)
    ]
    flight, clean = fly(late, plan), fly(good(names=names), plan)
    assert flight.now_ahead_s == pytest.approx(ahead_s, abs=2.0)
    for name in names:
        assert flight.senders[name].all_fixes() == clean.senders[name].all_fixes()


def test_of_two_trackers_the_one_that_agrees_with_the_station_is_believed() -> None:
    wrong = [stamped(t, hhmmss(T0 + t - 7_200), BACKUP) for t in range(0, 3_000, 30)]
    flight = fly([*good(), *wrong])
    assert flight.now_ahead_s == 0.0
    assert flight.senders[BACKUP].doubted == {TimeDoubt.BEHIND: len(wrong)}
    assert not any(f.own_time for f in flight.senders[BACKUP].all_fixes())
    verdicts = [
        v.accepted
        for r, v in zip(
            flight.flights[0].track.records(), flight.flights[0].track.verdicts(), strict=True
        )
        if r.fix.tracker == BACKUP
    ]
    assert sum(verdicts) > 0.9 * len(verdicts), "its places are used, at the time of hearing"


@pytest.mark.parametrize("plan", [PLAN, INFERRED], ids=["planned", "inferred"])
def test_any_order_gives_the_same_state(plan: Plan) -> None:
    """With every kind of wrong time at once, in one piece, one by one, and in batches."""
    given = good(1_800, (MAIN, BACKUP))
    given[40] = stamped(600, b"000000h")
    given += [weather(t, -18_000.0) for t in range(0, 900, 30)]
    given += [post(72_000.0, 900.0, 5), post(0.0, 1_000.0)]
    given = [
        replace(
            r, heard_at_ms=r.heard_at_ms + (240_000 if r.heard_at_ms < 1000 * (T0 + 700) else 0)
        )
        for r in given
    ]
    end = None
    for seed in range(3):
        mixed = random.Random(seed).sample(given, len(given))
        flight = Mission(plan)
        size = (1, 7, len(mixed))[seed % 3]
        for i in range(0, len(mixed), size):
            flight.receive(mixed[i : i + size])
        flight.apply(Tick(T0 + 1_900.0))
        state = shown(flight)
        end = end or state
        assert state == end


@pytest.mark.parametrize("ahead_s", [1_200.0, 5 * 3_600.0])
def test_the_computer_starts_again_in_flight_with_a_wrong_clock(ahead_s: float) -> None:
    """One tracker alone: its own time goes on, so it is the clock that jumped."""
    given = [
        replace(r, heard_at_ms=r.heard_at_ms + (round(1000 * ahead_s) if i >= 60 else 0))
        for i, r in enumerate(good())
    ]
    clean = fly(good())
    for seed in range(3):
        mixed = random.Random(seed).sample(given, len(given)) if seed else given
        flight = Mission(PLAN)
        for one in mixed:
            flight.receive([one])
        assert flight.now_ahead_s == pytest.approx(ahead_s, abs=2.0)
        assert flight.senders[MAIN].all_fixes() == clean.senders[MAIN].all_fixes()
