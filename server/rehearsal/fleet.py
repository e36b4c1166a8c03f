"""Many different flights for the benches: days, boxes and trackers drawn as real ones are spread.

Winds: a jet of any strength from winter's to summer's, veering with height. Boxes, lifts and
intervals: as in ../shared/data/flights/index.json. Nothing here knows how a landing is predicted.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import numpy as np

from server.rehearsal.scenario import (
    Car,
    Chute,
    Launch,
    Layer,
    Lift,
    Scenario,
    Station,
    Tracker,
    Wind,
)

_FIRST_DAY = datetime(2026, 1, 10, 14, 0, tzinfo=UTC)
_FAILURES = 4 / 104  # of the parachutes: ../shared/checks.md
# shape of the wind with height: share of the jet, and how it turns from the surface's direction
_HEIGHTS_M = (500.0, 1_500.0, 3_000.0, 5_500.0, 9_000.0, 11_500.0, 14_000.0, 17_000.0)
_SHARES = (0.18, 0.30, 0.40, 0.62, 0.92, 1.0, 0.72, 0.40)
_BALLOONS = (  # kg, burst diameter m, neck load kg from and to
    (1.5, 9.1, 3.8, 8.0),
    (2.0, 10.1, 4.5, 8.5),
    (3.0, 11.7, 6.5, 11.0),
)


def draw(seed: int) -> Scenario:
    """The flight number `seed` of the fleet; `fly` it with the same seed."""
    chance = np.random.default_rng([seed, 5])
    balloon_kg, diameter_m, least_kg, most_kg = _BALLOONS[int(chance.integers(len(_BALLOONS)))]
    load_kg = float(chance.uniform(least_kg, most_kg))
    lift_kg = (balloon_kg + load_kg) * float(chance.uniform(0.16, 0.26))
    latitude_deg = float(chance.uniform(38.0, 39.2))
    longitude_deg = float(chance.uniform(-101.2, -99.0))
    day = _FIRST_DAY + timedelta(days=int(chance.integers(0, 330)))
    return Scenario(
        title=f"Fleet flight {seed}",
        words="One of many, drawn for the benches.",
        flight=f"Fleet {seed}",
        seed=seed,
        after_s=600.0,
        garbage=2,
        launch=Launch(
            place="Kansas",
            latitude_deg=latitude_deg,
            longitude_deg=longitude_deg,
            time=day,
            rest_s=120.0,
        ),
        balloon=Lift(
            balloon_kg=balloon_kg,
            payload_kg=load_kg,
            free_lift_kg=lift_kg,
            burst_diameter_m=diameter_m,
            burst_spread=0.05,
        ),
        parachute=Chute(
            diameter_m=3.05 if load_kg < 4.5 else 3.66,
            failure_chance=_FAILURES,
            opening_s=float(chance.uniform(10.0, 60.0)),
        ),
        wind=Wind(layers=_sky(chance), change_ms=float(chance.uniform(2.7, 4.1))),
        trackers=_trackers(chance),
        stations=_stations(latitude_deg, longitude_deg, chance),
        cars=(Car(name="Car 1", source="gps", own=True, leaves_after_s=1_800.0),),
    )


def _sky(chance: np.random.Generator) -> tuple[Layer, ...]:
    jet_ms = float(np.clip(chance.gamma(3.0, 9.0), 6.0, 65.0))
    surface_deg = float(chance.uniform(150.0, 290.0))
    jet_deg = float(chance.normal(265.0, 22.0))
    turn_deg = (jet_deg - surface_deg + 180.0) % 360.0 - 180.0
    layers: list[Layer] = []
    for height_m, share in zip(_HEIGHTS_M, _SHARES, strict=True):
        turned = 1.0 - math.exp(-height_m / 2_500.0)
        layers.append((height_m, (surface_deg + turn_deg * turned) % 360.0, jet_ms * share))
    above_ms = float(chance.normal(4.0, 12.0))  # towards the west in summer, the east in winter
    for height_m, part in ((21_000.0, 0.4), (26_000.0, 0.8), (32_000.0, 1.2)):
        layers.append((height_m, 90.0 if above_ms < 0 else 270.0, abs(above_ms) * part))
    return tuple(layers)


def _trackers(chance: np.random.Generator) -> tuple[Tracker, ...]:
    count = int(chance.choice([1, 2, 3], p=[0.1, 0.45, 0.45]))
    # in the same second as the first, or so near that their packets overtake each other
    second_s = float(chance.choice([0.0, 1.0, 2.0]))
    found = []
    for i in range(count):
        found.append(
            Tracker(
                name=f"Tracker {i + 1}",
                role="main" if i == 0 else "backup",
                format="uncompressed" if i < 2 else "compressed",
                callsign=f"N0CALL-{11 + i}",
                interval_s=30.0,
                offset_s=(0.0, second_s, 12.0)[i],
                hold_s=(0.25, 0.75, 0.0)[i],
                slotted=True,
                power_w=float(chance.uniform(0.2, 1.0)),
            )
        )
    return tuple(found)


def _stations(
    latitude_deg: float, longitude_deg: float, chance: np.random.Generator
) -> tuple[Station, ...]:
    """Four gates and digipeaters, some along the way, none where it must be."""
    found = []
    for i in range(4):
        found.append(
            Station(
                callsign=f"N0CALL-{i + 1}",
                place=f"Station {i + 1}",
                latitude_deg=latitude_deg + float(chance.uniform(-0.7, 0.7)),
                longitude_deg=longitude_deg + float(chance.uniform(-0.5, 2.2)),
                mast_m=float(chance.uniform(10.0, 60.0)),
                digipeater=i % 2 == 0,
                gate=i != 2,
            )
        )
    return tuple(found)
