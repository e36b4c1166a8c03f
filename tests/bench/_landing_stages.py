"""What can be asked at the burst, 15, 10, 5 and 3 km above sea level, and what came of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from server.flight.inputs import Reception
from server.flight.landing.area import inside
from server.flight.landing.ensemble import Members
from server.flight.landing.predict import LandingConstants, predict
from server.flight.landing.question import LandingQuestion
from server.flight.mission import Mission
from tests.bench._landing_hand import by_hand

STAGES = ("burst", "km15", "km10", "km5", "km3")
_BELOW_M = {"km15": 15_000.0, "km10": 10_000.0, "km5": 5_000.0, "km3": 3_000.0}


@dataclass
class Case:
    """One flight: what could be asked at each stage, and where and when it came down."""

    name: str
    day: str
    questions: dict[str, LandingQuestion]
    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    time_s: float

    def xy_m(self, question: LandingQuestion) -> tuple[float, float]:
        """Where it came down, in the question's frame."""
        x, y = question.frame.to_xy(self.latitude_deg, self.longitude_deg)
        return float(x), float(y)

    def error_km(self, question: LandingQuestion, x_m: float, y_m: float) -> float:
        x, y = self.xy_m(question)
        return math.hypot(x_m - x, y_m - y) / 1_000.0


@dataclass
class Outcome:
    """Errors of the prediction and of the two usual methods, and whether the areas held."""

    ours_km: float
    time_s: float
    hand_km: float
    refit_km: float
    in_half: bool
    in_nine_tenths: bool
    radius_km: float  # of the 90 % area


def questions(flight: Mission, given: Sequence[Reception]) -> dict[str, LandingQuestion]:
    """The first question of each stage, with only what had been heard by then."""
    asked: dict[str, LandingQuestion] = {}
    for reception in given:
        flight.receive([reception])
        if flight.flights[0].track.phase() != "descent":
            continue
        question = flight.flights[0].landing_question()
        assert question is not None
        z_m = question.motion.z.position
        for stage in STAGES:
            if (stage == "burst" or z_m < _BELOW_M[stage]) and stage not in asked:
                asked[stage] = question
        if len(asked) == len(STAGES):
            break
    return asked


def judge(
    case: Case, question: LandingQuestion, constants: LandingConstants | None = None
) -> Outcome:
    """One prediction against the truth."""
    answer = predict(question, constants)
    assert answer is not None
    x, y = question.frame.to_xy(case.latitude_deg, case.longitude_deg)
    point = np.array([x]), np.array([y])
    return Outcome(
        ours_km=case.error_km(question, answer.x_m, answer.y_m),
        time_s=abs(answer.time_s - case.time_s),
        hand_km=case.error_km(question, *by_hand(question, case.altitude_m, refit=False)),
        refit_km=case.error_km(question, *by_hand(question, case.altitude_m, refit=True)),
        in_half=bool(inside(answer.half.ring_m, *point)[0]),
        in_nine_tenths=bool(inside(answer.nine_tenths.ring_m, *point)[0]),
        radius_km=answer.nine_tenths.radius_m / 1_000.0,
    )


def energy_score_km(members: Members, landing_m: tuple[float, float]) -> float:
    """E|X - x| - E|X - X'|/2 of the members X and the landing x: lower is better."""
    x_m, y_m = landing_m
    off_m = np.hypot(members.x_m - x_m, members.y_m - y_m).mean()
    # half the members mirror the others: pairs are taken by shifts that meet no mirror image
    apart_m = [
        np.hypot(
            members.x_m - np.roll(members.x_m, k), members.y_m - np.roll(members.y_m, k)
        ).mean()
        for k in (1, 7, 31, 83)
    ]
    return float(off_m - np.mean(apart_m) / 2) / 1_000.0


def figures(outcomes: Sequence[Outcome]) -> dict[str, float]:
    """The issue's figures of one stage."""
    ours, hand, refit = (
        np.array([getattr(o, name) for o in outcomes])
        for name in ("ours_km", "hand_km", "refit_km")
    )
    return {
        "n": len(outcomes),
        "median_km": float(np.median(ours)),
        "p90_km": float(np.quantile(ours, 0.9)),
        "mean_km": float(np.mean(ours)),
        "time_median_s": float(np.median([o.time_s for o in outcomes])),
        "time_p90_s": float(np.quantile([o.time_s for o in outcomes], 0.9)),
        "time_mean_s": float(np.mean([o.time_s for o in outcomes])),
        "hand_median_km": float(np.median(hand)),
        "hand_p90_km": float(np.quantile(hand, 0.9)),
        "refit_median_km": float(np.median(refit)),
        "refit_p90_km": float(np.quantile(refit, 0.9)),
        "cover50": float(np.mean([o.in_half for o in outcomes])),
        "cover90": float(np.mean([o.in_nine_tenths for o in outcomes])),
        "r90_median_km": float(np.median([o.radius_km for o in outcomes])),
    }
