"""Flights that do not go up, burst and come down, made by the rehearsal, and what is told of them."""

from __future__ import annotations

import math
from collections import Counter
from typing import NamedTuple

import numpy as np

from server.flight.inputs import (
    BalloonPlan,
    DescentPlan,
    FlightPlan,
    LaunchPlan,
    Plan,
    Reception,
    TrackerPlan,
)
from server.flight.landing.area import inside
from server.flight.landing.predict import predict
from server.flight.mission import Mission
from server.rehearsal.box import feel
from server.rehearsal.scenario import Odd, Tracker, load
from server.rehearsal.trackers import Voice
from server.rehearsal.truth import Truth, make
from tests.rehearsed import filled, heard_packets

KINDS: tuple[Odd, ...] = (
    "slow climb",
    "float and cut",
    "two balloons",
    "slow sink",
    "bounce and drag",
)
ASKED_EVERY_S = 600.0
SETTLED_S = 900.0  # a change of the motion is known after it
_LOSS, _SPOILT_FOR_S = 0.08, 1_200.0
_BALLOON = BalloonPlan(29_500.0, 1_500.0, 5.0, 1.0)
_BURST_SPREAD = 0.07  # of the diameter: 1,500 m of altitude, where the density halves every 5 km
_CALLSIGNS = ("N0CALL-11", "N0CALL-12")


class OddFlight(NamedTuple):
    kind: str
    truth: Truth
    plan: Plan
    receptions: list[Reception]
    spoilt_s: float  # when interference begins, in a flight that has it


def make_odd(kind: Odd | str, seed: int) -> OddFlight:
    """The same kind and seed give the same flight. `interference`: one tracker's altitude wanders.

    It climbs and bursts about what is planned as widely as the plan says.
    """
    chance = np.random.default_rng([seed, 91])
    scenario = load("demo").model_copy(update={"odd": None if kind == "interference" else kind})
    bursts = scenario.balloon.model_copy(update={"burst_spread": _BURST_SPREAD})
    scenario = filled(scenario.model_copy(update={"balloon": bursts}), _BALLOON, seed)
    truth = make(scenario, seed)
    box = feel(truth)
    receptions: list[Reception] = []
    spoilt_s = truth.launch_s + float(chance.uniform(0.25, 0.4)) * (truth.burst_s - truth.launch_s)

    def spoilt_m(time_s: float) -> float:
        part = (time_s - spoilt_s) / _SPOILT_FOR_S
        return -2_200.0 * math.sin(math.pi * part) ** 2 if 0.0 < part < 1.0 else 0.0

    for k, callsign in enumerate(_CALLSIGNS):
        sender = Tracker(name=callsign, format="uncompressed", callsign=callsign, interval_s=30.0)
        voice = Voice(sender, truth, box, np.random.default_rng([seed, 92, k]))
        if kind == "interference" and k == 1:
            break
        times_s = np.arange(truth.start_s + 15.0 * k, truth.end_s, 30.0)
        spoils = spoilt_m if kind == "interference" else lambda _: 0.0
        receptions += heard_packets(voice, callsign, times_s, chance, _LOSS, spoils)
    plan = Plan(
        flights=(
            FlightPlan(
                launch=LaunchPlan(*truth.at(truth.launch_s), truth.launch_s),
                balloon=_BALLOON,
                descent=DescentPlan(
                    mass_kg=scenario.balloon.payload_kg,
                    parachute_diameter_m=scenario.parachute.diameter_m,
                ),
                trackers=tuple(TrackerPlan(c, callsign=c) for c in _CALLSIGNS),
            ),
        )
    )
    return OddFlight(str(kind), truth, plan, sorted(receptions), spoilt_s)


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


class Answer(NamedTuple):
    """A prediction, held against where it came down."""

    at_s: float
    in_half: bool
    in_nine_tenths: bool
    off_m: float
    radius_m: float


def begun_s(made: OddFlight) -> float:
    """When the odd thing began: where the climb lies highest above a straight one from launch to end."""
    truth = made.truth
    if made.kind == "interference":
        return made.spoilt_s
    if made.kind in ("slow climb", "bounce and drag"):
        return truth.launch_s
    climb_m = truth.altitude_m[truth.index(truth.launch_s) : truth.index(truth.burst_s)]
    straight_m = np.linspace(climb_m[0], climb_m[-1], len(climb_m))
    return truth.launch_s + float(np.argmax(climb_m - straight_m))


def follow(made: OddFlight) -> tuple[Counter[str], list[Answer]]:
    """Phases right and wrong, and the predictions."""
    truth, flight = made.truth, Mission(made.plan)
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
        told = flight.flights[0].track.phase()
        if expected is not None and (told, expected) != ("unknown", "ground"):
            right = told == expected
            phases["right" if right else f"{expected} called {told}"] += 1
        if now_s < asked_s or now_s > truth.landing_s - 60.0:
            continue
        asked_s += ASKED_EVERY_S
        question = flight.flights[0].landing_question()
        landing = None if question is None else predict(question)
        if question is None or landing is None or landing.basis != "prediction":
            continue
        x, y = (float(v) for v in question.frame.to_xy(*truth.landing[:2]))
        in_half, in_nine_tenths = (
            bool(inside(area.ring_m, np.array([x]), np.array([y]))[0])
            for area in (landing.half, landing.nine_tenths)
        )
        off_m = math.hypot(x - landing.x_m, y - landing.y_m)
        radius_m = landing.nine_tenths.radius_m
        answers.append(Answer(now_s, in_half, in_nine_tenths, off_m, radius_m))
    return phases, answers
