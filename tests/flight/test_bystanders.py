"""Who is only heard: counted, and shown where he was last, though little of him is kept."""

from __future__ import annotations

import random

import pytest

from server.flight.inputs import FlightPlan, Plan, Reception, TrackerPlan, VehiclePlan
from server.flight.mission import Mission
from server.flight.view.snapshot import snapshot
from tests.flights import T0

FLIGHTS = (FlightPlan(trackers=(TrackerPlan("Main", "N0CALL-11"),)),)
PLACES = (
    "3822.00N/09811.00W-",
    "3822.01N/09811.00W-",
    "3950.00N/09711.00W-",
    "0000.00N/00000.00W-",
)


def heard(chance: random.Random) -> list[Reception]:
    """Timed and untimed, two of one second, nowhere, again at once, by a digipeater, an hour late."""
    found = []
    for _ in range(40):
        second = chance.randrange(0, 400, 10)
        stamp = f"/{(13 * 3600 + second) // 3600:02d}{second // 60 % 60:02d}{second % 60:02d}h"
        said = chance.choice([stamp, "!"]) + chance.choice(PLACES) + chance.choice(["", " words"])
        for path in chance.sample(["", ",RELAY*", ",qAR,GATE"], chance.randrange(1, 4)):
            ms = round(1_000 * (T0 + second)) + chance.choice([900, 1_900, 14_000, 200_000])
            line = f"N0CALL-7>APRS{path}:{said}"
            found.append(Reception(ms, "car/tnc", "tnc2", line.encode()))
    return found


@pytest.mark.parametrize("seed", range(12))
def test_any_order_ends_in_the_same_last_place_and_the_same_counts(seed: int) -> None:
    chance = random.Random(seed)
    receptions = heard(chance)
    followed = Mission(Plan(FLIGHTS, vehicles=(VehiclePlan("Van", "N0CALL-7"),)))
    followed.receive(receptions)
    whole = followed.senders["N0CALL-7"]
    states = []
    for order in (receptions, receptions[::-1], chance.sample(receptions, len(receptions))):
        mission = Mission(Plan(FLIGHTS))
        for reception in order:
            mission.book([reception])
            mission.settle()
        states.append(snapshot(mission))
        alone = mission.senders["N0CALL-7"]
        assert alone.latest_fix() == whole.latest_fix()
        assert len(alone.impossible) == len(whole.impossible)
        assert (alone.health.heard, alone.health.copies) == (
            whole.health.heard,
            whole.health.copies,
        )
    assert states[0] == states[1] == states[2]
    assert states[0].receptions.rejected > 0
    assert states[0].receptions.copies > 0
