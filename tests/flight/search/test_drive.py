"""Where to drive: its chances against packets that are sent one by one, and what it must prefer."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest

from server.flight.physics.geodesy import LocalFrame
from server.flight.search.drive import DRIVE_MS, ROAD_FACTOR, Drive, drive
from server.flight.search.evidence import HIDDEN_ON_GROUND
from server.flight.search.particles import Particles, evenly
from server.flight.search.reach import GROUND_RANGE_M, Ground, Viewpoint, by_distance

Array = npt.NDArray[np.float64]
GROUND = Ground(LocalFrame(38.4, -98.0), None, 500.0)
INTERVAL_S, RATE = 60.0, 0.8
# of plane ground, about which nothing is known but the distance: what a car at 0, 0 hears of a box beside it
SIGHT = float(
    Viewpoint(GROUND, 0.0, 0.0, 5_000.0).sight(np.zeros(1), np.zeros(1), np.array([500.5]))[0]
)


def clump(x_m: float, y_m: float, sigma_m: float, count: int = 1_000) -> Particles:
    draw = np.random.default_rng(5)
    x, y = draw.normal((x_m, y_m), sigma_m, (count, 2)).T
    return evenly(x, y, np.zeros(count))


def planned(particles: Particles, here: tuple[float, float], sound: float = 0.7) -> Drive | None:
    living = np.vstack([np.full(len(particles.weight), sound), np.zeros(len(particles.weight))])
    return drive(particles, living, GROUND, INTERVAL_S, RATE, (here,), 3)


def heard_by_the_end(particles: Particles, here: tuple[float, float], to: Drive) -> float:
    """Packet by packet from each place, a new hiding-place for each cell of about the grid's width."""
    draw = np.random.default_rng(8)
    at, end = np.array(here), np.array([to.x_m, to.y_m])
    away_m = float(np.hypot(*(end - at)))
    moving_s = away_m * ROAD_FACTOR / DRIVE_MS
    cell_m = 0.4 * 4.1 * 1_000.0 * 1.6 / 24  # of a clump of 1 km: 4.1 sigma between its 2 and 98 %
    heard = np.zeros(len(particles.weight), dtype=bool)
    hidden_in, hidden = -1, np.zeros(len(heard), dtype=bool)
    for time_s in np.arange(draw.uniform(0.0, INTERVAL_S), moving_s + to.stop_s, INTERVAL_S):
        done = min(time_s / moving_s, 1.0) if moving_s > 0.0 else 1.0
        car = at + (end - at) * done
        if hidden_in != math.floor(done * away_m / cell_m):
            hidden_in = math.floor(done * away_m / cell_m)
            hidden = draw.random(len(heard)) < HIDDEN_ON_GROUND
        off_m = np.hypot(particles.x_m - car[0], particles.y_m - car[1])
        chance = RATE * SIGHT * by_distance(off_m, GROUND_RANGE_M)
        heard |= ~hidden & (draw.random(len(heard)) < chance)
    return float(heard.mean())


def test_the_chance_of_a_drive_is_what_packets_come_to() -> None:
    particles = clump(0.0, 0.0, 1_000.0, 4_000)
    here = (-6_000.0, 0.0)
    to = planned(particles, here)
    assert to is not None
    assert to.chance == pytest.approx(0.7 * heard_by_the_end(particles, here, to), abs=0.06)
    assert to.chance <= to.chance_in_an_hour <= 0.7


def test_it_goes_where_it_lies() -> None:
    """Nine in ten lie in the east."""
    east, west = clump(6_000.0, 0.0, 800.0, 900), clump(-6_000.0, 0.0, 800.0, 100)
    both = evenly(np.append(east.x_m, west.x_m), np.append(east.y_m, west.y_m), np.zeros(1_000))
    to = planned(both, (0.0, 0.0))
    assert to is not None
    assert to.x_m > 1_500.0
    assert to.chance_in_an_hour > 0.6


def test_what_was_passed_in_silence_is_not_passed_again() -> None:
    """All of the weight that is left lies away from the car: it does not stand and wait."""
    ring = clump(0.0, 0.0, 4_000.0, 4_000)
    left = np.hypot(ring.x_m, ring.y_m) > 3_500.0
    to = planned(evenly(ring.x_m[left], ring.y_m[left], np.zeros(int(left.sum()))), (0.0, 0.0))
    assert to is not None
    ends = np.array([(to.x_m, to.y_m), *to.then])
    assert np.hypot(*ends[-1]) > 2_000.0
    assert to.chance_in_an_hour > 0.3


def test_it_is_the_same_each_time_and_none_where_nothing_sends() -> None:
    particles = clump(0.0, 0.0, 2_000.0)
    assert planned(particles, (9_000.0, 2_000.0)) == planned(particles, (9_000.0, 2_000.0))
    assert planned(particles, (9_000.0, 2_000.0), sound=0.0) is None


def test_hills_between_are_gone_round_or_climbed() -> None:
    """A ridge hides the box from the car's side; from the top, or beyond, it is heard."""

    class Ridge:
        def __call__(self, latitude_deg: float, longitude_deg: float) -> float:
            x_m, _ = GROUND.frame.to_xy(latitude_deg, longitude_deg)
            return float(self._height(np.array([float(x_m)]))[0])

        def heights(self, latitude_deg: Array, longitude_deg: Array) -> Array:
            x_m, _ = GROUND.frame.to_xy(latitude_deg, longitude_deg)
            return self._height(np.asarray(x_m))

        @staticmethod
        def _height(x_m: Array) -> Array:
            return np.asarray(500.0 + 150.0 * np.exp(-((x_m / 250.0) ** 2)))

    ground = Ground(GROUND.frame, Ridge(), 500.0)
    particles = clump(1_200.0, 0.0, 250.0)
    living = np.vstack([np.full(1_000, 0.7), np.zeros(1_000)])
    to = drive(particles, living, ground, INTERVAL_S, RATE, ((-900.0, 0.0),), 3)
    assert to is not None
    assert to.x_m > -100.0, "not on this side, near as it is"
    assert to.chance_in_an_hour > 0.5
