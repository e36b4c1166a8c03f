"""The same question while it still climbs: what the crew is shown before the burst."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from server.flight.inputs import Plan, Reception
from server.flight.landing.area import inside
from server.flight.landing.predict import predict
from server.flight.landing.question import Ground, LandingQuestion
from server.flight.mission import Mission
from tests.bench._landing_stages import Case, energy_score_km

CLIMBED_M = (2_000, 3_000, 4_000, 8_000, 10_000, 12_000, 15_000, 20_000, 25_000)
Asked = tuple[Case, dict[int, LandingQuestion]]
Figures = dict[str, dict[str, float]]


class Row(NamedTuple):
    """One prediction against the truth; whether the areas held it is 0 or 1."""

    error_km: float
    in_half: float
    in_nine_tenths: float
    radius_km: float  # of the 90 % area
    area_km2: float  # the same
    energy_km: float


Judged = dict[int, Row]


def questions_on_the_way_up(
    plan: Plan, receptions: Sequence[Reception], altitude_m: float
) -> dict[int, LandingQuestion]:
    """The first question above each height, for a landing at `altitude_m`."""
    flight = Mission(plan)
    asked: dict[int, LandingQuestion] = {}
    for reception in receptions:
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


def judged_on_the_way_up(asked: Asked) -> Judged:
    """The predictions of one flight against where it came down."""
    case, questions = asked
    told = {}
    for height_m, question in questions.items():
        answer = predict(question)
        if answer is None or answer.members is None:
            continue
        x, y = case.xy_m(question)
        point = np.array([x]), np.array([y])
        told[height_m] = Row(
            case.error_km(question, answer.x_m, answer.y_m),
            float(inside(answer.half.ring_m, *point)[0]),
            float(inside(answer.nine_tenths.ring_m, *point)[0]),
            answer.nine_tenths.radius_m / 1_000.0,
            _area_km2(answer.nine_tenths.ring_m),
            energy_score_km(answer.members, (x, y)),
        )
    return told


def ascent_figures(judged: Sequence[Judged]) -> Figures:
    """By height climbed: errors, 90 % radii and energy scores in kilometres, shares of the landings held."""
    told = {}
    for height_m in CLIMBED_M:
        rows = np.array([of[height_m] for of in judged if height_m in of])
        if len(rows):
            error_km, half, nine_tenths, radius_km, area_km2, score_km = rows.T
            told[f"climb{height_m // 1_000}"] = {
                "n": len(rows),
                "median_km": float(np.median(error_km)),
                "p90_km": float(np.quantile(error_km, 0.9)),
                "cover50": float(half.mean()),
                "cover90": float(nine_tenths.mean()),
                "r90_median_km": float(np.median(radius_km)),
                "area90_km2": float(np.median(area_km2)),
                "energy_km": float(score_km.mean()),
            }
    return told


def beside_none(mixture: Sequence[Judged], none: Sequence[Judged]) -> Figures:
    """The mixture's figures, and as `none_...` those of the same flights without it, in the same order."""
    alone = ascent_figures(none)
    return {
        stage: figures | {f"none_{name}": value for name, value in alone[stage].items()}
        for stage, figures in ascent_figures(mixture).items()
    }


def _area_km2(ring_m: npt.NDArray[np.float64]) -> float:
    """Of a closed ring, by the shoelace formula."""
    x, y = ring_m[:, 0], ring_m[:, 1]
    return abs(float(x[:-1] @ y[1:] - x[1:] @ y[:-1])) / 2.0 / 1e6
