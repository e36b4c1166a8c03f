"""The crew of the own car when the radio falls silent: it drives where it is told, bears, walks, finds.

It does what the station suggests first, the drive or the walk, and goes back to the car when the
likeliest place turns out to be elsewhere. Bearings have errors of 10 degrees (1 sigma), and one in ten
is a reflection from anywhere (common practice, no source). Who walks sees the box from 30 m, nine times
of ten that it is passed. What they note is posted to the station as their pages would.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from server.rehearsal.cars import Car
from server.rehearsal.truth import Truth, distance_m, metres_per_degree

BEARING_DEG, REFLECTED = 10.0, 0.1
_BEAR_EVERY_S, _NOTE_EVERY_S = 240.0, 300.0
_WALK_MS, _SEEN_M, _DETECTED = 0.8, 30.0, 0.9
_ON_FOOT_M, _STEP_S, _LEG_M = 400.0, 20.0, 150.0
_BACK_M = 1_500.0  # from who walks to the likeliest place: back to the car; our choice
Place = tuple[float, float]
Hears = Callable[[float, Place | None], bool]


class Searchers:
    """`step` gives the notes of each look at what the station shows, as the bodies of posts."""

    def __init__(self, car: Car, truth: Truth, seed: int, hears: Hears) -> None:
        """`hears`: whether a packet sent now would reach the car, or who walks at a place."""
        self._car, self._truth, self._hears = car, truth, hears
        self._chance = np.random.default_rng([seed, 9])
        self._number, self._bore_s, self._stepped_s = 0, -math.inf, math.nan
        self.at: Place | None = None  # of who walks; None: all sit in the car
        self._leg: Place | None = None
        self._walked: list[Place] = []
        self._passed = False
        self.found = False

    def step(self, now_s: float, flight: Mapping[str, Any]) -> list[dict[str, Any]]:
        """`flight` as it is shown; sets the aim of the car."""
        search = flight.get("search") or {}
        result = search.get("result")
        if self.found or not result or now_s < self._truth.burst_s:
            return []
        best = (result["best_latitude_deg"], result["best_longitude_deg"])
        told = list(self._bear(now_s))
        listen, here = result.get("listen"), (self._car.latitude_deg, self._car.longitude_deg)
        drive_first = listen and not result.get("walk_first", True)
        if self.at is not None and distance_m(self.at, best) < _BACK_M:
            return told + self._walk(now_s, best)
        if self.at is not None:
            told += self._back(now_s, here)
        if self.at is not None:
            return told
        self._car.aim = best
        if drive_first and listen:
            self._car.aim = (listen["latitude_deg"], listen["longitude_deg"])
        elif distance_m(here, best) < _ON_FOOT_M and self._car.speed_ms < 1.0:
            self.at, self._stepped_s, self._walked, self._leg = here, now_s, [here], None
        return told

    def _bear(self, now_s: float) -> list[dict[str, Any]]:
        if now_s < self._bore_s + _BEAR_EVERY_S or now_s < self._truth.landing_s:
            return []
        if not self._hears(now_s, self.at):
            return []
        self._bore_s = now_s
        here = self.at or (self._car.latitude_deg, self._car.longitude_deg)
        east_m, north_m = _offset_m(here, self._truth.landing)
        bearing = math.degrees(math.atan2(east_m, north_m))
        bearing += BEARING_DEG * float(self._chance.standard_normal())
        if self._chance.random() < REFLECTED:
            bearing = float(self._chance.uniform(0.0, 360.0))
        place = {"latitude_deg": here[0], "longitude_deg": here[1]}
        told = {"kind": "bearing", "bearing_deg": round(bearing % 360.0, 1), "sureness": "broad"}
        return [self._note(now_s, told | place)]

    def _walk(self, now_s: float, best: Place) -> list[dict[str, Any]]:
        """Towards the likeliest place, in legs, so that the way does not turn with each look."""
        assert self.at is not None
        told = []
        while self._stepped_s + _STEP_S <= now_s and not self.found:
            self._stepped_s += _STEP_S
            if self._leg is None or distance_m(self.at, self._leg) < 10.0:
                self._leg = self._next_leg(best)
            self.at = _towards(self.at, self._leg, _WALK_MS * _STEP_S)
            self._walked.append(self.at)
            near = distance_m(self.at, self._truth.landing) < _SEEN_M
            if near and not self._passed:
                self.found = bool(self._chance.random() < _DETECTED)
            self._passed = near
        long = len(self._walked) * _STEP_S >= _NOTE_EVERY_S
        if len(self._walked) > 1 and (long or self.found):
            told.append(self._strip(now_s, self._walked))
            self._walked = self._walked[-1:]
        if self.found:
            place = {"latitude_deg": self.at[0], "longitude_deg": self.at[1]}
            told.append(self._note(now_s, {"kind": "found", "note": "made", **place}))
        return told

    def _back(self, now_s: float, car: Place) -> list[dict[str, Any]]:
        """The straight way to where the car stands, without looking about."""
        assert self.at is not None
        walked = list(self._walked)
        away_m = max(now_s - self._stepped_s, 0.0) * _WALK_MS
        self.at, self._stepped_s, self._walked = _towards(self.at, car, away_m), now_s, []
        if distance_m(self.at, car) < 1.0:
            self.at = None
        return [self._strip(now_s, walked)] if len(walked) > 1 else []

    def _strip(self, now_s: float, walked: list[Place]) -> dict[str, Any]:
        path = [[round(lat, 6), round(lon, 6)] for lat, lon in walked]
        return self._note(
            now_s, {"kind": "searched", "path": path, "width_m": 60, "ground": "open"}
        )

    def _next_leg(self, best: Place) -> Place:
        """To the likeliest place; from there to some side, so that the next bearing crosses the last."""
        assert self.at is not None
        if distance_m(self.at, best) > _SEEN_M:
            return _towards(self.at, best, _LEG_M)
        turn = float(self._chance.uniform(0.0, 2.0 * math.pi))
        north_m, east_m = metres_per_degree(best[0])
        return (
            best[0] + _LEG_M / 2 * math.cos(turn) / north_m,
            best[1] + _LEG_M / 2 * math.sin(turn) / east_m,
        )

    def _note(self, now_s: float, told: dict[str, Any]) -> dict[str, Any]:
        self._number += 1
        name = self._car.plan.name
        return {"id": f"made-{self._number:05}", "by": name, "time_ms": round(now_s * 1_000)} | told


def _offset_m(here: Place, there: tuple[float, ...]) -> tuple[float, float]:
    """Metres to the east and to the north."""
    north_m, east_m = metres_per_degree(here[0])
    return (there[1] - here[1]) * east_m, (there[0] - here[0]) * north_m


def _towards(here: Place, there: Place, by_m: float) -> Place:
    """At most as far as there."""
    away_m = distance_m(here, there)
    share = 1.0 if away_m <= by_m else by_m / away_m
    return here[0] + (there[0] - here[0]) * share, here[1] + (there[1] - here[1]) * share
