"""The landing predicted on real flights at the burst, 15, 10, 5 and 3 km, beside two usual methods.

Only what had been heard by then is used. The truth is the last packet, taken at that packet's altitude.
(a) by hand: each layer's ascent wind unchanged, the plan's fall speed scaled by standard density;
(b) the same with the fall speed refitted to the descent so far. Cross-validated by launch day: the drag
coefficient that a flight is judged with comes from the flights of other days alone; the other constants
of the predictor were chosen on all given flights together, so their figures are in-sample.
"""

from __future__ import annotations

import itertools
import math
import time
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from server.flight.atmosphere import GRAVITY_MS2, density_kg_m3
from server.flight.flight import Flight
from server.flight.landing.area import inside
from server.flight.landing.descent import FallConstants
from server.flight.landing.predict import LandingConstants, predict
from server.flight.landing.question import Ground, LandingQuestion
from server.flight.landing.winds import CENTRES_M, LAYER_M, LAYERS
from server.logs import inferred_plan, read_recording
from tests.flights import real_logs

Array = npt.NDArray[np.float64]
STAGES = ("burst", "km15", "km10", "km5", "km3")
_BELOW_M = {"km15": 15_000.0, "km10": 10_000.0, "km5": 5_000.0, "km3": 3_000.0}
_HIGHEST_TRUTH_M, _LOWEST_BURST_M = 2_500.0, 15_000.0
_DRAG = 0.495  # the hand method's, from ../shared/checks.md


@dataclass
class Case:
    """One real flight: what could be asked at each stage, and where it came down."""

    name: str
    day: str
    questions: dict[str, LandingQuestion]
    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    time_s: float

    def error_km(self, question: LandingQuestion, x_m: float, y_m: float) -> float:
        x, y = question.frame.to_xy(self.latitude_deg, self.longitude_deg)
        return math.hypot(x_m - x, y_m - y) / 1_000.0


def run() -> dict[str, Any]:
    """The figures of the issue for the real flights; kilometres, seconds, shares."""
    cases = real_cases()
    if not cases:
        return {"real": {}, "why": "the real flights are not beside this checkout"}
    figures: dict[str, Any] = {stage: _stage(cases, stage) for stage in STAGES}
    pooled = [figures[stage] for stage in STAGES]
    n = sum(f["n"] for f in pooled)
    return {
        "real": figures,
        "cover50_pooled": sum(f["cover50"] * f["n"] for f in pooled) / n,
        "cover90_pooled": sum(f["cover90"] * f["n"] for f in pooled) / n,
        "ms_per_prediction": ms_per_prediction(cases),
    }


def real_cases() -> list[Case]:
    """Flights with a known parachute, a burst above 15 km and a last packet below 2,500 m."""
    cases = []
    for log in real_logs():
        recording = read_recording(log)
        plan = inferred_plan(recording)
        flight = Flight(plan)
        whole = Flight(plan)
        whole.receive(list(recording.receptions))
        last = whole.track.latest()
        bursts = [e for e in whole.events() if e.kind == "burst"]
        if last is None or last.after.state is None or not bursts or plan.descent.mass_kg is None:
            continue
        altitude_m = last.after.state.mixed().z.position
        if altitude_m > _HIGHEST_TRUTH_M or bursts[0].altitude_m < _LOWEST_BURST_M:
            continue
        questions = _questions(flight, list(recording.receptions), Ground(altitude_m, 1.0))
        cases.append(
            Case(log.stem, recording.header["day"], questions, last.fix.latitude_deg,
                 last.fix.longitude_deg, altitude_m, last.fix.time_s)
        )  # fmt: skip
    return cases


def _questions(flight: Flight, given: list[Any], ground: Ground) -> dict[str, LandingQuestion]:
    questions: dict[str, LandingQuestion] = {}
    for reception in given:
        flight.receive([reception])
        if flight.track.phase() != "descent":
            continue
        question = flight.landing_question()
        assert question is not None
        z_m = question.motion.z.position
        for stage in STAGES:
            due = stage == "burst" or z_m < _BELOW_M[stage]
            if due and stage not in questions:
                questions[stage] = replace(question, ground=ground)
        if len(questions) == len(STAGES):
            break
    return questions


def _stage(cases: list[Case], stage: str) -> dict[str, float]:
    ours, times, hand, refit, half, nine, radius = [], [], [], [], [], [], []
    for case in cases:
        question = case.questions.get(stage)
        if question is None:
            continue
        answer = predict(question, _constants_without(cases, case.day))
        assert answer is not None
        ours.append(case.error_km(question, answer.x_m, answer.y_m))
        times.append(abs(answer.time_s - case.time_s))
        x, y = question.frame.to_xy(case.latitude_deg, case.longitude_deg)
        point = np.array([x]), np.array([y])
        half.append(bool(inside(answer.half.ring_m, *point)[0]))
        nine.append(bool(inside(answer.nine_tenths.ring_m, *point)[0]))
        radius.append(answer.nine_tenths.radius_m / 1_000.0)
        hand.append(case.error_km(question, *by_hand(question, case.altitude_m, refitted=False)))
        refit.append(case.error_km(question, *by_hand(question, case.altitude_m, refitted=True)))
    return {
        "n": len(ours),
        "median_km": float(np.median(ours)),
        "p90_km": float(np.quantile(ours, 0.9)),
        "mean_km": float(np.mean(ours)),
        "time_median_s": float(np.median(times)),
        "hand_median_km": float(np.median(hand)),
        "hand_p90_km": float(np.quantile(hand, 0.9)),
        "refit_median_km": float(np.median(refit)),
        "refit_p90_km": float(np.quantile(refit, 0.9)),
        "cover50": float(np.mean(half)),
        "cover90": float(np.mean(nine)),
        "r90_median_km": float(np.median(radius)),
    }


def _constants_without(cases: list[Case], day: str) -> LandingConstants:
    """The drag coefficient from the falls of other days, below 8 km, as a median."""
    drags = []
    for case in cases:
        question = case.questions.get("km3")
        if case.day == day or question is None or question.burst_s is None:
            continue
        descent = question.plan.descent
        assert descent.mass_kg is not None
        assert descent.parachute_diameter_m is not None
        k = _refitted(question, below_m=8_000.0)
        if k is not None:
            area_m2 = math.pi * descent.parachute_diameter_m**2 / 4
            drags.append(2 * descent.mass_kg * GRAVITY_MS2 / (k * k * area_m2))
    fall = replace(FallConstants(), drag_coefficient=float(np.median(drags)))
    return LandingConstants(fall=fall)


_Z: Array = np.arange(-500.0, 45_000.0, 25.0)
_ROOT = np.sqrt(density_kg_m3(_Z))
_INTEGRAL: Array = np.concatenate([[0.0], np.cumsum((_ROOT[1:] + _ROOT[:-1]) / 2 * 25.0)])


def _fallen(z_m: float) -> float:
    return float(np.interp(z_m, _Z, _INTEGRAL))


def _pairs(question: LandingQuestion) -> list[tuple[int, int, float]]:
    """Consecutive fixes of one tracker: indices and seconds between them."""
    pairs = []
    for tracker in np.unique(question.tracker):
        of = np.flatnonzero(question.tracker == tracker)
        for i, j in itertools.pairwise(of):
            dt_s = float(question.time_s[j] - question.time_s[i])
            if 8.0 <= dt_s <= 200.0:
                pairs.append((int(i), int(j), dt_s))
    return pairs


def _refitted(question: LandingQuestion, below_m: float = 1e9) -> float | None:
    z, t, burst_s = question.z_m, question.time_s, question.burst_s or 0.0
    found = [
        (_fallen(z[i]) - _fallen(z[j])) / dt_s
        for i, j, dt_s in _pairs(question)
        if t[i] > burst_s + 30.0 and z[i] - z[j] > 20.0 and z[i] < below_m
    ]
    return float(np.median(found)) if len(found) >= 3 else None


def by_hand(question: LandingQuestion, ground_m: float, *, refitted: bool) -> tuple[float, float]:
    """The usual hand method: x and y of the landing in metres."""
    layers: list[list[tuple[float, float]]] = [[] for _ in range(LAYERS)]
    x, y, z, burst_s = question.x_m, question.y_m, question.z_m, question.burst_s or 0.0
    for i, j, dt_s in _pairs(question):
        if question.time_s[j] <= burst_s:
            layer = min(max(int((z[i] + z[j]) / 2 // LAYER_M), 0), LAYERS - 1)
            layers[layer].append(((x[j] - x[i]) / dt_s, (y[j] - y[i]) / dt_s))
    known = [i for i in range(LAYERS) if layers[i]]
    medians = np.array([np.median(layers[i], axis=0) for i in known])
    east = np.interp(CENTRES_M, CENTRES_M[known], medians[:, 0])
    north = np.interp(CENTRES_M, CENTRES_M[known], medians[:, 1])
    descent = question.plan.descent
    assert descent.mass_kg is not None
    assert descent.parachute_diameter_m is not None
    area_m2 = math.pi * descent.parachute_diameter_m**2 / 4
    k = math.sqrt(2 * descent.mass_kg * GRAVITY_MS2 / (_DRAG * area_m2))
    if refitted:
        k = _refitted(question) or k
    at_x, at_y, at_z = (axis.position for axis in question.motion)
    while at_z > ground_m:
        layer = min(max(math.ceil(at_z / LAYER_M) - 1, 0), LAYERS - 1)
        lower_m = max(layer * LAYER_M, ground_m)
        if lower_m >= at_z:
            break
        dt_s = (_fallen(at_z) - _fallen(lower_m)) / k
        at_x, at_y, at_z = at_x + east[layer] * dt_s, at_y + north[layer] * dt_s, lower_m
    return at_x, at_y


def ms_per_prediction(cases: list[Case]) -> float:
    """Processor time of one prediction with 2,000 members at the burst: the median of 20."""
    spent = []
    for case in cases[:20]:
        question = case.questions.get("burst")
        if question is not None:
            started = time.process_time()
            predict(question)
            spent.append(1e3 * (time.process_time() - started))
    return float(np.median(spent))
