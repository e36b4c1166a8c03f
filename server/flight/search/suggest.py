"""Where next: the place to listen from, and the ground to walk over, by the particles' chances."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from server.flight.search.area import Density
from server.flight.search.evidence import DETECTION, HIDDEN_ON_GROUND
from server.flight.search.particles import Particles
from server.flight.search.reach import BOX_ANTENNA_M, Ground, Viewpoint

Array = npt.NDArray[np.float64]

LISTEN_S = 600.0  # at one place, before one drives on; common practice, no source
SIDE = 13  # candidates a side
WALK_MS = 0.8  # across country, looking about; common practice, no source
SIGHT_M = {"open": 60.0, "crops": 15.0, "wood": 15.0}  # to both sides together; common practice
_STRIP = 2.0  # a stretch is so many times as long as it is wide
_FEW = 400  # particles that candidates are tried with


class Listen(NamedTuple):
    """A place, the height of its ground, and the chance that a packet is heard there within LISTEN_S."""

    x_m: float
    y_m: float
    ground_m: float
    chance: float


class Walk(NamedTuple):
    """A stretch that one person looks over in an hour of open ground, and the chance to find it there."""

    x_m: float
    y_m: float
    width_m: float
    length_m: float
    chance: float


def listen(
    particles: Particles,
    ground: Ground,
    alive: float,
    packets: float,
    rate: float,
    here: Sequence[tuple[float, float]],
) -> Listen | None:
    """The best of a grid about the particles, and of where cars are. `packets`: sent in LISTEN_S.

    None where nothing can be heard (no beacon interval is known).
    """
    if packets <= 0.0:
        return None
    every = max(len(particles.weight) // _FEW, 1)
    order = np.argsort(-particles.weight)[: _FEW * every : every]
    x_m, y_m = particles.x_m[order], particles.y_m[order]
    weight = particles.weight[order] / particles.weight[order].sum()
    low_m = ground.at(x_m, y_m) + BOX_ANTENNA_M
    spread = [np.quantile(v, (0.02, 0.98)) for v in (x_m, y_m)]
    more_m = 0.3 * max(
        float(spread[0][1] - spread[0][0]), float(spread[1][1] - spread[1][0]), 1_000.0
    )
    xs = np.linspace(spread[0][0] - more_m, spread[0][1] + more_m, SIDE)
    ys = np.linspace(spread[1][0] - more_m, spread[1][1] + more_m, SIDE)
    reach = 2.0 * float(np.hypot(xs[-1] - xs[0], ys[-1] - ys[0]))
    on_ground = np.ones(len(x_m), dtype=bool)
    best: Listen | None = None
    for at_x, at_y in [*((float(x), float(y)) for x in xs for y in ys), *here]:
        view = Viewpoint(ground, at_x, at_y, reach)
        chance = view.chance(x_m, y_m, low_m, on_ground, rate)
        heard = (1.0 - HIDDEN_ON_GROUND) * (1.0 - (1.0 - chance) ** packets)
        total = alive * float(weight @ heard)
        if best is None or total > best.chance:
            here_m = float(ground.at(np.array([at_x]), np.array([at_y]))[0])
            best = Listen(at_x, at_y, here_m, total)
    return best


def walk(on: Density, kind: str = "open") -> Walk:
    """The stretch with most chance for an hour; the density holds what was searched already."""
    area_m2 = WALK_MS * 3_600.0 * SIGHT_M[kind]
    width_m = (area_m2 / _STRIP) ** 0.5
    length_m = width_m * _STRIP
    step_x, step_y = float(on.x_m[1] - on.x_m[0]), float(on.y_m[1] - on.y_m[0])
    mass = on.at * on.cell_m2
    sums = np.pad(np.cumsum(np.cumsum(mass, axis=0), axis=1), ((1, 0), (1, 0)))
    best: Walk | None = None
    for wide, tall in ((width_m, length_m), (length_m, width_m)):
        columns = min(max(round(wide / step_x), 1), mass.shape[1])
        rows = min(max(round(tall / step_y), 1), mass.shape[0])
        held = sums[rows:, columns:] - sums[:-rows, columns:] - sums[rows:, :-columns]
        held = held + sums[:-rows, :-columns]
        i, j = np.unravel_index(int(np.argmax(held)), held.shape)
        share = min(area_m2 / (rows * columns * on.cell_m2), 1.0)  # where cells are larger
        chance = float(held[i, j]) * share * DETECTION[kind]
        if best is None or chance > best.chance:
            middle = (on.x_m[j] + step_x * (columns - 1) / 2, on.y_m[i] + step_y * (rows - 1) / 2)
            best = Walk(float(middle[0]), float(middle[1]), wide, tall, chance)
    assert best is not None
    return best
