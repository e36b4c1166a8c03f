"""Flights that do not go up, burst and come down: the phase is right, and nothing false is told."""

from __future__ import annotations

import numpy as np
import pytest

from server.flight.landing.hang import drawn_hang
from server.flight.landing.predict import predict
from server.flight.landing.question import Hang
from server.flight.mission import Mission
from tests.odd_flights import KINDS, follow, make_odd
from tests.seen import shown

EVENTS = {
    "slow climb": ["launch", "burst", "landing"],
    "float and cut": ["launch", "float", "burst", "landing"],
    "two balloons": ["launch", "burst", "landing"],
    "slow sink": ["launch", "sink", "burst", "landing"],
    "bounce and drag": ["launch", "burst", "landing"],
    "interference": ["launch", "burst", "landing"],
}


@pytest.mark.parametrize("kind", [*KINDS, "interference"])
def test_the_phase_is_right_and_the_record_too(kind: str) -> None:
    made = make_odd(kind, 6_003)
    phases, _ = follow(made)
    assert phases["right"] / sum(phases.values()) > 0.97, phases
    flight = Mission(made.plan)
    flight.receive(made.receptions)
    assert [e.kind for e in flight.events() if e.kind != "float"] == [
        e for e in EVENTS[kind] if e != "float"
    ]
    assert ("float" in [e.kind for e in flight.events()]) == (kind == "float and cut")


def test_a_sink_is_told_with_a_time_that_nobody_knows() -> None:
    made = make_odd("slow sink", 6_003)
    flight = Mission(made.plan)
    flight.receive([r for r in made.receptions if r.heard_at_s < made.truth.burst_s])
    question = flight.flights[0].landing_question()
    assert question is not None
    assert question.hang is not None
    assert -2.0 < question.hang.rate_ms < -0.4
    landing = predict(question)
    assert landing is not None
    assert landing.late_s - landing.early_s > 3_600.0, "let go now, or in an hour, or never"
    state = shown(flight, (question, landing))
    assert state["phase"] == "descent"
    assert [a["kind"] for a in state["alarms"] if a["severity"] == "warning"] == ["sink"]


def test_a_wait_is_drawn_for_each_member() -> None:
    """Lomax distribution, longhand: half of all waits are shorter than T (2^(1/2) - 1)."""
    from_m = np.full(20_000, 20_000.0)
    hung = drawn_hang(Hang(3_600.0, 0.0), from_m, 500.0, 1)
    assert np.median(hung.seconds) == pytest.approx(7_200.0 * (2**0.5 - 1.0), rel=0.02)
    edges_m = np.arange(0.0, 40_001.0, 250.0)
    assert hung.by_layer_s(edges_m).sum(axis=1) == pytest.approx(hung.seconds)
    sinking = drawn_hang(Hang(3_600.0, -1.0), from_m, 500.0, 1)
    assert (sinking.z_m >= 500.0 - 1e-6).all()
    assert sinking.by_layer_s(edges_m).sum(axis=1) == pytest.approx(sinking.seconds)
