"""Flights that do not go up, burst and come down: are their phases right, and do the areas hold?

Made by the rehearsal. The prediction is asked every ten minutes from the launch on; the truth is where
the box came down in the end, whatever happened before.
"""

from __future__ import annotations

import math
from collections import Counter
from typing import Any, NamedTuple

import numpy as np

from decoders import aprs_encode
from server.flight.flight import Flight
from server.flight.inputs import BalloonPlan, DescentPlan, LaunchPlan, Plan, Reception, TrackerPlan
from server.flight.landing.area import inside
from server.flight.landing.predict import predict
from server.rehearsal.box import feel
from server.rehearsal.scenario import Odd, Tracker, load
from server.rehearsal.trackers import Voice
from server.rehearsal.truth import Truth, make

KINDS: tuple[Odd, ...] = (
    "slow climb", "float and cut", "two balloons", "slow sink", "bounce and drag",
)  # fmt: skip
EACH = 40
ASKED_EVERY_S = 600.0
SETTLED_S = 900.0  # a change of the motion is known after it
_CALLSIGNS = ("N0CALL-11", "N0CALL-12")


class OddFlight(NamedTuple):
    kind: str
    truth: Truth
    plan: Plan
    receptions: list[Reception]


def make_odd(kind: Odd | str, seed: int) -> OddFlight:
    """The same kind and seed give the same flight. `interference`: one tracker's altitude wanders."""
    chance = np.random.default_rng([seed, 91])
    scenario = load("demo").model_copy(update={"odd": None if kind == "interference" else kind})
    truth = make(scenario, seed)
    box, receptions = feel(truth), []
    spoilt_s = truth.launch_s + float(chance.uniform(0.25, 0.4)) * (truth.burst_s - truth.launch_s)
    for k, callsign in enumerate(_CALLSIGNS):
        plan = Tracker(name=callsign, format="uncompressed", callsign=callsign, interval_s=30.0)
        voice = Voice(plan, truth, box, np.random.default_rng([seed, 92, k]))
        for time_s in np.arange(truth.start_s + 15.0 * k, truth.end_s, 30.0):
            if kind == "interference" and k == 1:
                break
            if chance.random() < 0.08:
                continue
            fix = voice.fix(time_s)
            altitude_m = fix.altitude_m or 0.0
            if kind == "interference" and spoilt_s < time_s < spoilt_s + 1_200.0:
                part = (time_s - spoilt_s) / 1_200.0
                altitude_m -= 2_200.0 * math.sin(math.pi * part) ** 2
            said = aprs_encode.uncompressed(
                fix.latitude_deg, fix.longitude_deg, time_s=fix.time_s, altitude_m=altitude_m,
                dao="base91",
            )  # fmt: skip
            receptions.append(
                Reception(
                    round(1_000 * (time_s + 1.6)),
                    "tnc",
                    "tnc2",
                    callsign.encode() + b">APZLWD:" + said,
                )
            )
    plan = Plan(
        launch=LaunchPlan(*truth.at(truth.launch_s), truth.launch_s),
        balloon=BalloonPlan(29_500.0, 1_500.0, 5.0, 1.0),
        descent=DescentPlan(
            mass_kg=scenario.balloon.payload_kg, parachute_diameter_m=scenario.parachute.diameter_m
        ),
        trackers=tuple(TrackerPlan(c, callsign=c) for c in _CALLSIGNS),
    )
    return OddFlight(str(kind), truth, plan, sorted(receptions))


def true_phase(made: OddFlight, time_s: float) -> str | None:
    """What it does; None near a change, where it cannot be known yet."""
    truth = made.truth
    if time_s < truth.launch_s:
        return "ground"
    if time_s > truth.landing_s:
        return "landed"
    if time_s > truth.burst_s:
        return "descent"
    i, j = truth.index(time_s - SETTLED_S), truth.index(time_s)
    before_ms = (truth.altitude_m[j] - truth.altitude_m[(i + j) // 2]) / max((j - i) / 2, 1)
    earlier_ms = (truth.altitude_m[(i + j) // 2] - truth.altitude_m[i]) / max((j - i) / 2, 1)
    kinds = {
        "ascent" if v > 0.6 else "descent" if v < -0.45 else "float" if abs(v) < 0.2 else None
        for v in (before_ms, earlier_ms)
    }
    return kinds.pop() if len(kinds) == 1 else None


def follow(made: OddFlight) -> tuple[Counter[str], list[tuple[str, bool, bool, float, float]]]:
    """Phases right and wrong; for each prediction: phase, in the 50 %, in the 90 % area, error, radius."""
    truth, flight = made.truth, Flight(made.plan)
    phases: Counter[str] = Counter()
    answers = []
    asked_s = truth.launch_s + ASKED_EVERY_S
    margin_s = 120.0
    moments = (truth.launch_s, truth.burst_s, truth.landing_s)
    for reception in made.receptions:
        flight.receive([reception])
        now_s = reception.heard_at_s
        settled = all(not 0.0 <= now_s - m < margin_s for m in moments)
        expected = true_phase(made, now_s) if settled else None
        told = flight.track.phase()
        if expected is not None and (told, expected) != ("unknown", "ground"):
            right = told == expected
            phases["right" if right else f"{expected} called {told}"] += 1
        if now_s < asked_s or now_s > truth.landing_s - 60.0:
            continue
        asked_s += ASKED_EVERY_S
        question = flight.landing_question()
        landing = None if question is None else predict(question)
        if question is None or landing is None or landing.basis != "prediction":
            continue
        x, y = (float(v) for v in question.frame.to_xy(*truth.landing[:2]))
        held = [
            bool(inside(area.ring_m, np.array([x]), np.array([y]))[0])
            for area in (landing.half, landing.nine_tenths)
        ]
        off_m = math.hypot(x - landing.x_m, y - landing.y_m)
        answers.append((told, *held, off_m, landing.nine_tenths.radius_m))
    return phases, answers


def run(each: int = EACH) -> dict[str, Any]:
    """By kind: share of the time with the right phase, what it was called, and the areas."""
    figures: dict[str, Any] = {}
    for kind in (*KINDS, "interference"):
        phases: Counter[str] = Counter()
        answers = []
        bursts = 0
        for seed in range(each):
            made = make_odd(kind, 5_000 + seed)
            seen, found = follow(made)
            phases += seen
            answers += found
            flight = Flight(made.plan)
            flight.receive(made.receptions)
            bursts += [e.kind for e in flight.events()].count("burst")
        total = sum(phases.values())
        wrong = {k: round(v / total, 4) for k, v in phases.most_common() if k != "right"}
        figures[kind] = {
            "phase_right": phases["right"] / total,
            "called": wrong,
            "bursts_per_flight": bursts / each,
            "cover50": float(np.mean([a[1] for a in answers])),
            "cover90": float(np.mean([a[2] for a in answers])),
            "error_km": float(np.median([a[3] for a in answers])) / 1_000,
            "radius_90_km": float(np.median([a[4] for a in answers])) / 1_000,
            "predictions": len(answers),
        }
    return figures
