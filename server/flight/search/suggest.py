"""Where next on foot: the ground to walk over, by the particles' chances."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from server.flight.search.area import Density
from server.flight.search.evidence import DETECTION

WALK_MS = 0.8  # across country, looking about; common practice, no source
SIGHT_M = {"open": 60.0, "crops": 15.0, "wood": 15.0}  # to both sides together; common practice
_STRIP = 2.0  # a stretch is so many times as long as it is wide


class Walk(NamedTuple):
    """A stretch that one person looks over in an hour of open ground, and the chance to find it there."""

    x_m: float
    y_m: float
    width_m: float
    length_m: float
    chance: float


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
