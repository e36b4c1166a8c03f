"""The same question while it still climbs: what the crew is shown before the burst, on real flights."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from server.flight.landing.area import inside
from server.flight.landing.predict import predict
from server.flight.landing.question import Ground, LandingQuestion
from server.flight.mission import Mission
from server.journal.recording import Recording, inferred_plan
from tests.bench._landing_stages import Case

CLIMBED_M = (2_000, 3_000, 4_000, 8_000, 10_000, 12_000, 15_000, 20_000, 25_000)
Asked = tuple[Case, dict[int, LandingQuestion]]


def questions_on_the_way_up(recording: Recording, altitude_m: float) -> dict[int, LandingQuestion]:
    """The first question above each height, for a landing at `altitude_m`."""
    flight = Mission(inferred_plan(recording))
    asked: dict[int, LandingQuestion] = {}
    for reception in recording.receptions:
        flight.receive([reception])
        phase, latest = flight.flights[0].track.phase(), flight.flights[0].track.latest()
        if phase == "descent" or len(asked) == len(CLIMBED_M):
            break
        if phase != "ascent" or latest is None or latest.after.state is None:
            continue
        z_m = latest.after.state.mixture.z.position
        passed = [height_m for height_m in CLIMBED_M if z_m > height_m and height_m not in asked]
        question = flight.flights[0].landing_question() if passed else None
        if question is not None:
            asked |= dict.fromkeys(passed, replace(question, ground=Ground(altitude_m, 1.0)))
    return asked


def ascent_figures(
    asked: Sequence[Asked],
) -> dict[str, dict[str, float]]:
    """By height climbed: errors and 90 % radii in kilometres, shares of the landings held."""
    told = {}
    for height_m in CLIMBED_M:
        rows = []
        for case, questions in asked:
            question = questions.get(height_m)
            answer = None if question is None else predict(question)
            if question is None or answer is None:
                continue
            x, y = question.frame.to_xy(case.latitude_deg, case.longitude_deg)
            point = np.array([x]), np.array([y])
            rows.append(
                (
                    case.error_km(question, answer.x_m, answer.y_m),
                    inside(answer.half.ring_m, *point)[0],
                    inside(answer.nine_tenths.ring_m, *point)[0],
                    answer.nine_tenths.radius_m / 1_000.0,
                    _area_km2(answer.nine_tenths.ring_m),
                )
            )
        error_km, half, nine_tenths, radius_km, area_km2 = np.array(rows, dtype=float).T
        told[f"{height_m // 1_000} km"] = {
            "n": len(rows),
            "median_km": float(np.median(error_km)),
            "p90_km": float(np.quantile(error_km, 0.9)),
            "cover50": float(half.mean()),
            "cover90": float(nine_tenths.mean()),
            "r90_median_km": float(np.median(radius_km)),
            "area90_km2": float(np.median(area_km2)),
        }
    return told


def _area_km2(ring_m: npt.NDArray[np.float64]) -> float:
    """Of a closed ring, by the shoelace formula."""
    x, y = ring_m[:, 0], ring_m[:, 1]
    return abs(float(x[:-1] @ y[1:] - x[1:] @ y[:-1])) / 2.0 / 1e6
