"""Roads: a graph of a million junctions under a chase of four cars. `python -m tests.bench roads`.

Made section roads 200 m apart, 200 by 200 km; 2,000 members about one place, four cars around it. In a
process of its own, as in flight: seconds from a prediction to drive times and places to wait, and the
most memory that the process took.
"""

from __future__ import annotations

import resource
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from server.flight.chase.drives import chase
from server.flight.chase.question import Car, Chase, ChaseQuestion
from server.flight.physics.geodesy import LocalFrame
from server.geodata.roads.cache import keep
from server.geodata.roads.roads import OpenRoads
from tests.bench._roads_made import lattice

SIDE, APART_M, CORNER = 1_000, 200.0, (37.5, -99.5)
CENTRE = (38.4, -98.35)
MEMBERS, TIMES = 2_000, 5
_CARS = ((0.5, 0.5), (-0.3, 0.6), (0.2, -0.9), (-0.8, -0.1))  # shares of how far they are


def run() -> dict[str, Any]:
    """By how wide the area is (1 sigma) and how far the cars are."""
    with tempfile.TemporaryDirectory() as folder:
        extract = Path(folder) / "made.osm.pbf"
        extract.write_bytes(b"made: what is kept beside it stands for it")
        figures: dict[str, Any] = {}
        _apart(_make, extract)
        for sigma_m, away_km in ((2_000.0, 10.0), (5_000.0, 35.0), (12_000.0, 60.0)):
            name = f"sigma {sigma_m / 1000:.0f} km, cars {away_km:.0f} km away"
            figures[name] = _apart(_chase, extract, sigma_m, away_km)
    return figures


def _apart(work: Any, *given: Any) -> Any:
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        return pool.submit(work, *given).result()


def _make(extract: Path) -> None:
    keep(extract, lattice(SIDE, SIDE, APART_M, CORNER))


def _chase(extract: Path, sigma_m: float, away_km: float) -> dict[str, float]:
    before_mb = _peak_mb()
    began_s = time.perf_counter()
    roads = OpenRoads([extract])
    opened_s = time.perf_counter() - began_s
    took: list[float] = []
    last: Chase | None = None
    for number in range(TIMES):
        asked = _question(number, sigma_m, away_km, last)
        began_s = time.perf_counter()
        last = chase(asked, roads)
        took.append(time.perf_counter() - began_s)
    assert last is not None
    assert len(last.cars) == len(_CARS)
    return {
        "junctions": float(SIDE * SIDE),
        "open_s": opened_s,
        "first_s": took[0],  # with the cut
        "next_median_s": float(np.median(took[1:])),
        "next_worst_s": max(took[1:]),
        "peak_mb": _peak_mb(),
        "of_which_python_mb": before_mb,
    }


def _question(seed: int, sigma_m: float, away_km: float, before: Chase | None) -> ChaseQuestion:
    rng = np.random.default_rng(seed)
    frame = LocalFrame(*CENTRE)
    members = frame.to_latlon(
        rng.normal(0, sigma_m, MEMBERS), rng.normal(0, 0.6 * sigma_m, MEMBERS)
    )
    cars = []
    for n, (north, east) in enumerate(_CARS):
        at = frame.to_latlon(east * away_km * 1000.0, north * away_km * 1000.0)
        cars.append(Car(f"Car {n + 1}", n == 0, True, 0.0, float(at[0]), float(at[1])))
    return ChaseQuestion(
        flight="made",
        basis="prediction",
        as_of_s=0.0,
        now_s=0.0,
        latitude_deg=CENTRE[0],
        longitude_deg=CENTRE[1],
        member_latitude_deg=members[0],
        member_longitude_deg=members[1],
        member_landing_s=rng.normal(1_800.0, 150.0, MEMBERS),
        cars=tuple(cars),
        before=before,
    )


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000.0
