"""Fits one constant of the landing or the track on the real flights, by launch days left out.

`python -m tests.bench fit NAME`; without a name it lists them. The score is the energy score of the
landing in kilometres (Gneiting and Raftery 2007, J. Am. Stat. Assoc. 102, 359), lower is better, over
the stages of `_landing_stages` with the box 15, 10, 5 and 3 km up and at the burst. Constants of the
climb are judged on the way up (`_landing_ascent`). The search is over factors of the value in the code;
what removes a constant is named in NEUTRAL. The spread resamples whole days. Those of the track are
told by `_track_fit`.
"""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np

from server.flight.landing import predict as prediction
from server.flight.landing.descent import FallConstants
from server.flight.landing.predict import LandingConstants
from server.flight.landing.question import LandingQuestion
from server.flight.landing.to_come import climb_to_come, fall_to_come
from server.flight.landing.wind_ahead import wind_ahead
from server.flight.landing.wind_covariance import WindConstants
from server.journal.recording import inferred_plan, read_recording
from tests.bench import _track_fit
from tests.bench._landing_ascent import questions_on_the_way_up
from tests.bench._landing_stages import Case, energy_score_km
from tests.bench.landing import real_cases
from tests.flights import real_logs

FACTORS = (0.5, 0.7, 0.85, 1.0, 1.2, 1.4, 2.0)
MEMBERS = 500
RESAMPLES = 1_000
ON_THE_WAY_UP = ("climb_sigma_share", "unflown_height_m")
# the value that leaves a constant without effect; a fitted one that is not here is only halved and doubled
NEUTRAL = {
    "lasting_sigma_ms": 1e-3, "fading_sigma_ms": 1e-3, "ageing_sigma_ms": 0.0,
    "advection_ms": 1e9, "near_ground_share": 0.0, "aloft_share": 0.0, "sampling_sigma_ms": 0.0,
    "tail_degrees": 1e6, "usual_weight": 1e9, "loose_share": 1e-9, "failure_share": 1e-9,
    "wander_sigma": 1e-6, "opening_sigma": 0.0, "settling_s": 0.0, "climb_sigma_share": 1e-6,
}  # fmt: skip

Asked = list[tuple[str, Case, LandingQuestion]]  # the launch day comes first


def run(constant: str = "") -> dict[str, Any]:
    """Figures of one constant; of the names that there are, without one."""
    if constant in _track_fit.names():
        return _track_fit.figures(constant, loss)
    if constant not in names():
        return {"landing": ", ".join(names()), "track": ", ".join(_track_fit.names())}
    return figures(constant, asked_of(constant, real_cases()))


def names() -> list[str]:
    """Every constant with a number of its own."""
    found = []
    for of in (WindConstants(), FallConstants(), LandingConstants()):
        found += [f.name for f in fields(of) if isinstance(getattr(of, f.name), float)]
    return found


def asked_of(constant: str, cases: list[Case]) -> Asked:
    """Day, flight and question of everything that the constant is judged on."""
    if constant not in ON_THE_WAY_UP:
        return [(case.day, case, q) for case in cases for q in case.questions.values()]
    recordings = {log.stem: read_recording(log) for log in real_logs()}
    return [
        (case.day, case, question)
        for case in cases
        for question in questions_on_the_way_up(
            inferred_plan(recordings[case.name]),
            recordings[case.name].receptions,
            case.altitude_m,
        ).values()
    ]


def figures(constant: str, asked: Asked) -> dict[str, Any]:
    """The fit, and what the score loses when the constant is removed, halved and doubled."""
    now = value_of(constant)
    scores = np.array([score_of(constant, f * now, asked) for f in FACTORS])
    days = np.array([day for day, _, _ in asked])
    unique = np.unique(days)
    chosen = [int(scores[:, days != day].mean(axis=1).argmin()) for day in unique]
    best = [now * FACTORS[row] for row in chosen]
    judged = [scores[row, days == day] for row, day in zip(chosen, unique, strict=True)]
    here = scores[FACTORS.index(1.0)]
    told: dict[str, Any] = {
        "value": now,
        "fitted_on_all": now * FACTORS[int(scores.mean(axis=1).argmin())],
        "fitted_from": min(best),
        "fitted_to": max(best),
        "score_km": float(here.mean()),
        "score_of_days_left_out_km": float(np.concatenate(judged).mean()),
        "loss_halved": loss(scores[0] - here, days),
        "loss_doubled": loss(scores[-1] - here, days),
    }
    if constant in NEUTRAL:
        told["loss_removed"] = loss(score_of(constant, NEUTRAL[constant], asked) - here, days)
    return told


def value_of(constant: str) -> float:
    whole = LandingConstants()
    for of in (whole.wind, whole.fall, whole):
        if hasattr(of, constant):
            return float(getattr(of, constant))
    raise KeyError(constant)


def with_value(constant: str, value: float) -> LandingConstants:
    whole = LandingConstants()
    changed: dict[str, Any] = {constant: value}
    if hasattr(whole.wind, constant):
        return replace(whole, wind=replace(whole.wind, **changed))
    if hasattr(whole.fall, constant):
        return replace(whole, fall=replace(whole.fall, **changed))
    return replace(whole, **changed)


def score_of(constant: str, value: float, asked: Asked) -> np.ndarray:
    """Energy score of each question in kilometres, shape (n,)."""
    constants = with_value(constant, value)
    return np.array([energy_km(case, question, constants) for _, case, question in asked])


def energy_km(case: Case, question: LandingQuestion, c: LandingConstants) -> float:
    """The score of one question with those constants."""
    start, climb = prediction.start_of(question), climb_to_come(question, c.climb_sigma_share)
    top_m = start.z_m if climb is None else climb.burst_m(start.z_m)
    fall_speed, _ = fall_to_come(question, top_m, c.fall)
    wind = wind_ahead(question, start, climb, fall_speed.constant, c.wind).profile
    drawn = prediction.on_flat(question, start, climb, wind, fall_speed, c, MEMBERS)
    return energy_score_km(drawn, case.xy_m(question))


def loss(difference: np.ndarray, days: np.ndarray) -> dict[str, float]:
    """By how much the score grows (positive is worse), and 80 % of resampled sets of days."""
    unique, of_day = np.unique(days, return_inverse=True)
    total, count = np.bincount(of_day, difference), np.bincount(of_day)
    picks = np.random.default_rng(5).integers(len(unique), size=(RESAMPLES, len(unique)))
    spread = total[picks].sum(axis=1) / count[picks].sum(axis=1)
    return {
        "mean": float(difference.mean()),
        "from": float(np.quantile(spread, 0.1)),
        "to": float(np.quantile(spread, 0.9)),
    }
