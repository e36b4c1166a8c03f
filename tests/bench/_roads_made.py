"""A made road network of any size: section roads of which some are missing, with main roads between."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from server.geodata.roads.building import metres_per_degree
from server.geodata.roads.graph import RoadGraph
from server.geodata.roads.speeds import CLASSES, KINDS, KMH

_EVERY = {10: "tertiary", 40: "primary"}  # of the lines
_MISSING = 0.2


def lattice(
    rows: int, columns: int, apart_m: float, south_west: tuple[float, float], seed: int = 1
) -> RoadGraph:
    """`rows` by `columns` junctions; most roads unpaved section roads, some tracks."""
    rng = np.random.default_rng(seed)
    north, east = metres_per_degree(np.array([south_west[0]]))
    row, column = np.divmod(np.arange(rows * columns), columns)
    jitter = rng.normal(0.0, 0.1, (rows * columns, 2))
    place = np.column_stack(
        [
            south_west[1] + (column + jitter[:, 0]) * apart_m / float(east[0]),
            south_west[0] + (row + jitter[:, 1]) * apart_m / float(north[0]),
        ]
    )
    place_e7 = np.round(place * 1e7).astype(np.int32)
    number = np.arange(rows * columns, dtype=np.int32).reshape(rows, columns)
    begin = np.concatenate([number[:, :-1].ravel(), number[:-1].ravel()])
    end = np.concatenate([number[:, 1:].ravel(), number[1:].ravel()])
    line = np.concatenate(
        [np.repeat(np.arange(rows), columns - 1), np.tile(np.arange(columns), rows - 1)]
    )
    kind = np.full(len(begin), KINDS.index("unclassified"), dtype=np.uint8)
    kind[rng.random(len(begin)) < 0.3] = KINDS.index("residential")
    kind[rng.random(len(begin)) < 0.1] = KINDS.index("track")
    for every, name in _EVERY.items():
        kind[line % every == 0] = KINDS.index(name)
    kept = (rng.random(len(begin)) > _MISSING) | (line % 10 == 0)
    return _graph(place_e7, begin[kept], end[kept], kind[kept])


def _graph(
    place_e7: npt.NDArray[np.int32],
    begin: npt.NDArray[np.int32],
    end: npt.NDArray[np.int32],
    kind: npt.NDArray[np.uint8],
) -> RoadGraph:
    a, b = place_e7[begin] * 1e-7, place_e7[end] * 1e-7
    north, east = metres_per_degree((a[:, 1] + b[:, 1]) / 2)
    length_m = np.hypot((b[:, 1] - a[:, 1]) * north, (b[:, 0] - a[:, 0]) * east)
    kmh = np.array([speed.rural_kmh for speed in CLASSES.values()])[kind]
    time_s = (length_m / (kmh * KMH)).astype(np.float32)
    count = len(begin)
    return RoadGraph(
        junction_e7=place_e7,
        ends=np.column_stack([begin, end]),
        length_m=length_m.astype(np.float32),
        time_s=np.column_stack([time_s, time_s]),
        delay_s=np.ones((count, 2), dtype=np.float16),
        kind=kind,
        flags=np.zeros(count, dtype=np.uint8),
        name=np.zeros(count, dtype=np.int32),
        first=np.arange(count + 1, dtype=np.int64) * 2,
        points_e7=np.column_stack([place_e7[begin], place_e7[end]]).reshape(-1, 2),
        no_turn=np.empty((0, 2), dtype=np.int32),
        water_first=np.zeros(1, dtype=np.int64),
        water_e7=np.empty((0, 2), dtype=np.int32),
        box_e7=np.concatenate([place_e7.min(axis=0), place_e7.max(axis=0)]),
        names=(("", ""),),
    )
