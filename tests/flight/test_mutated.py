"""Some thousand mutated packets through whole flights; the bench `mutated` has two million."""

from __future__ import annotations

import random

import pytest

from server.flight.mission import Mission
from tests.mutated import PLANS, Found, fly, receptions
from tests.seen import shown


@pytest.mark.parametrize("seed", range(6))
def test_nothing_breaks(seed: int) -> None:
    found = Found()
    flight = fly(seed, 800, found)
    assert found.packets == flight.counts.total == 800
    assert not found.exceptions
    assert not found.faults_in_decoders
    assert not found.not_finite
    assert found.unusable == 0
    assert flight.flights[0].track.latest() is not None, "the good packets between them are used"


@pytest.mark.parametrize("seed", range(3))
def test_any_order_gives_the_same_state(seed: int) -> None:
    plan = PLANS[seed]
    given = list(receptions(seed, 400, bool(plan.station)))
    end = None
    for order in range(3):
        mixed = random.Random(order).sample(given, len(given))
        flight = Mission(plan)
        for i in range(0, len(mixed), 40):
            flight.receive(mixed[i : i + 40])
        state = shown(flight)
        end = end or state
        assert state == end
