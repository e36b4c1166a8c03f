"""A small made flight to show: physics of a few lines, names invented. Not the demo flight."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

LAUNCH_S = 1_777_730_580.0  # 2026-05-02T14:03:00Z
LAUNCH = (37.6372, -98.7401)
GROUND_M = 560.0
BURST_M = 29_600.0
CLIMB_MS = 5.2
FALL_SEA_LEVEL_MS = 5.4
STEP_S = 5.0
DEG_M = 111_195.0


@dataclass(frozen=True)
class Moment:
    time_s: float
    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    climb_ms: float
    east_ms: float
    north_ms: float
    phase: str


def _wind(altitude_m: float) -> tuple[float, float]:
    jet = math.exp(-(((altitude_m - 11_000) / 4_500) ** 2))
    return 4 + 20 * jet - 6 * (altitude_m > 20_000) * (altitude_m - 20_000) / 10_000, 3 + 5 * jet


def _phase(altitude_m: float, burst: bool, landed: bool) -> str:
    return "landed" if landed else "descent" if burst else "ascent"


@cache
def moments() -> tuple[Moment, ...]:
    """The flight every 5 s, from 10 min before launch to 40 min after landing."""
    latitude, longitude = LAUNCH
    altitude, time, burst, landed = GROUND_M, LAUNCH_S, False, False
    flown = [
        Moment(LAUNCH_S - 600 + n * STEP_S, *LAUNCH, GROUND_M, 0.0, 0.0, 0.0, "ground")
        for n in range(int(600 / STEP_S))
    ]
    landed_at = math.inf
    while time < landed_at + 2_400:
        east, north = (0.0, 0.0) if landed else _wind(altitude)
        fall = FALL_SEA_LEVEL_MS * math.exp(altitude / 14_500)
        climb = 0.0 if landed else -fall if burst else CLIMB_MS
        phase = _phase(altitude, burst, landed)
        flown.append(Moment(time, latitude, longitude, altitude, climb, east, north, phase))
        time += STEP_S
        latitude += north * STEP_S / DEG_M
        longitude += east * STEP_S / (DEG_M * math.cos(math.radians(latitude)))
        altitude = max(altitude + climb * STEP_S, GROUND_M)
        burst = burst or altitude >= BURST_M
        if burst and altitude <= GROUND_M and not landed:
            landed, landed_at = True, time
    return tuple(flown)


def at(time_s: float) -> Moment:
    """The moment at or before a time."""
    rows = moments()
    index = int((time_s - rows[0].time_s) // STEP_S)
    return rows[min(max(index, 0), len(rows) - 1)]


def first(phase: str) -> Moment:
    return next(moment for moment in moments() if moment.phase == phase)


def bearing_and_range(
    from_deg: tuple[float, float], to_deg: tuple[float, float]
) -> tuple[float, float]:
    """Degrees and metres on a flat patch: near enough for a made flight."""
    north = (to_deg[0] - from_deg[0]) * DEG_M
    east = (to_deg[1] - from_deg[1]) * DEG_M * math.cos(math.radians(from_deg[0]))
    return math.degrees(math.atan2(east, north)) % 360, math.hypot(north, east)


def ellipse(
    centre: tuple[float, float], along_m: float, across_m: float, turn_deg: float
) -> list[list[float]]:
    """A closed ring of [longitude, latitude]."""
    ring = []
    turn = math.radians(turn_deg)
    for step in range(37):
        angle = math.tau * step / 36
        a, c = along_m * math.cos(angle), across_m * math.sin(angle)
        east = a * math.sin(turn) + c * math.cos(turn)
        north = a * math.cos(turn) - c * math.sin(turn)
        longitude = centre[1] + east / (DEG_M * math.cos(math.radians(centre[0])))
        ring.append([round(longitude, 5), round(centre[0] + north / DEG_M, 5)])
    return ring
