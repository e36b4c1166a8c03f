"""Definitions of telemetry: whose they are, and that hearing many of them costs little."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

import pytest

from server.flight.inputs import FlightPlan, LaunchPlan, Plan, Reception, TrackerPlan
from server.flight.mission import Mission
from server.flight.packets import positions
from server.flight.packets.sensors import pressure_pa
from tests.flights import LAUNCH, T0, packet
from tests.seen import shown

PLAN = Plan(
    flights=(FlightPlan(launch=LaunchPlan(*LAUNCH), trackers=(TrackerPlan("Main", "N0CALL-11"),)),)
)


def said(elapsed_s: float, text: str, sender: str = "N0CALL-11") -> Reception:
    line = f"{sender}>APZLWD:{text}"
    return Reception(round((T0 + elapsed_s) * 1000), "tnc", "tnc2", line.encode())


def measured(elapsed_s: float, raw: str = "!!!!*P") -> Reception:
    """A position with base-91 telemetry: sequence and one channel, raw 9 * 91 + 47 = 866."""
    one = packet(elapsed_s)
    return replace(one, payload=one.payload + f"|{raw}|".encode())


GIVEN = [
    *(measured(t, f"!!*{chr(40 + t // 30)}") for t in range(0, 900, 30)),
    said(301.0, ":N0CALL-11:PARM.Air"),
    said(302.0, ":N0CALL-11:UNIT.hPa"),
    said(303.0, ":N0CALL-11:EQNS.0,1,0"),
    said(500.0, ":N0CALL-11:EQNS.0,0.5,100"),
]


def test_pressures_follow_the_last_definition() -> None:
    flight = Mission(PLAN)
    flight.receive(GIVEN)
    raw = 9 * 91 + ord("(") - 33
    assert flight.flights[0].track.records()[0].fix.pressure_pa == pytest.approx(
        100.0 * (0.5 * raw + 100.0)
    )
    (sensor,) = shown(flight)["sensors"]
    assert (sensor["quantity"], sensor["unit"]) == ("Air", "hPa")


def test_any_order_gives_the_same_state() -> None:
    end = None
    for seed in range(6):
        mixed = random.Random(seed).sample(GIVEN, len(GIVEN))
        flight = Mission(PLAN)
        for i, one in enumerate(mixed):
            flight.receive([one])
            if i % 5 == seed % 5:
                shown(flight)
        state = shown(flight)
        end = end or state
        assert state == end


@pytest.mark.parametrize("kind", ["PARM.x", "UNIT.kPa", "EQNS.0,9,9", "BITS.00000000"])
def test_a_stranger_rescales_nothing(kind: str) -> None:
    flight, clean = Mission(PLAN), Mission(PLAN)
    clean.receive(GIVEN)
    flight.receive([*GIVEN, said(600.0, f":N0CALL-11:{kind}", "N0CALL-7")])
    assert flight.flights[0].track.records() == clean.flights[0].track.records()
    assert shown(flight)["sensors"] == shown(clean)["sensors"]


def test_a_definition_costs_the_same_whatever_has_been_heard(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A hundred of them, each undoing the last: the fixes are worked out again once, with the work."""
    flight = Mission(PLAN)
    flight.receive(GIVEN)
    worked_out: list[tuple[Any, ...]] = []

    def counted(*given: Any) -> Any:
        worked_out.append(given)
        return pressure_pa(*given)

    monkeypatch.setattr(positions, "pressure_pa", counted)
    flight.book(
        [said(901.0 + i, f":N0CALL-11:UNIT.{'kPa' if i % 2 else 'hPa'}") for i in range(100)]
    )
    assert worked_out == []
    flight.settle()
    assert 0 < len(worked_out) <= 2 * 30
