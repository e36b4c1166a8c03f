"""How long each receiver will hear a payload that comes down as predicted."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from server.flight.chase.horizon import (
    CAR_ANTENNA_M,
    MOST_POINTS,
    PROFILE_POINTS,
    RIDGE_M,
    ContactLoss,
    Horizon,
    contact_lost,
    over_profile,
    over_smooth_ground,
)
from server.flight.landing.predict import Landing
from server.flight.landing.question import LandingQuestion


class Receiver(NamedTuple):
    name: str
    latitude_deg: float
    longitude_deg: float


class Contact(NamedTuple):
    receiver: str
    lowest_altitude_m: float  # over the landing point: below it the payload is out of sight
    lost: ContactLoss | None  # None: contact holds to the ground


def contact_of(question: LandingQuestion, landing: Landing, receiver: Receiver) -> Contact:
    """Along the line from the receiver to the landing point, over the terrain where it is known."""
    x, y = question.frame.to_xy(receiver.latitude_deg, receiver.longitude_deg)
    here = (float(x), float(y))
    away_m = math.hypot(landing.x_m - here[0], landing.y_m - here[1])
    horizon = _horizon(question, here, (landing.x_m, landing.y_m), _reach_m(landing, here, away_m))
    return Contact(
        receiver.name, float(horizon.at(away_m)), contact_lost(landing.path, here, horizon)
    )


def _reach_m(landing: Landing, here: tuple[float, float], away_m: float) -> float:
    if len(landing.path) == 0:
        return away_m
    ways_m = np.hypot(landing.path[:, 1] - here[0], landing.path[:, 2] - here[1])
    return max(float(ways_m.max()), away_m)


def _horizon(
    question: LandingQuestion, here: tuple[float, float], there: tuple[float, float], reach_m: float
) -> Horizon:
    ground_m = _ground_m(question)
    away_m = math.hypot(there[0] - here[0], there[1] - here[1])
    if question.terrain is None or away_m < 1.0:
        return over_smooth_ground(reach_m, CAR_ANTENNA_M, ground_m)
    points = min(max(int(reach_m / RIDGE_M) + 1, PROFILE_POINTS), MOST_POINTS)
    distance_m = np.linspace(0.0, reach_m, points)
    x = here[0] + (there[0] - here[0]) * distance_m / away_m
    y = here[1] + (there[1] - here[1]) * distance_m / away_m
    heights_m = question.terrain.heights(*question.frame.to_latlon(x, y))
    if np.isnan(heights_m).all():
        return over_smooth_ground(reach_m, CAR_ANTENNA_M, ground_m)
    return over_profile(
        distance_m, np.where(np.isnan(heights_m), ground_m, heights_m), CAR_ANTENNA_M
    )


def _ground_m(question: LandingQuestion) -> float:
    """The ground that is known, unless the payload is below it: then it is no ground here."""
    known_m = question.known_ground_m
    if known_m is None or known_m > question.motion.z.position:
        return question.ground.altitude_m
    return known_m
