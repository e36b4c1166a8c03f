"""What happens to the box before the launch: switched on indoors, driven to the site, carried, tested.

The numbers are those of real pads (the boxes' own logs of eight flights): 3 to 56 minutes of rest, a
receiver that settled by 414 m, people who carry the box about. Drives and indoor scatter are common
practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from server.rehearsal.air import Array
from server.rehearsal.balloon import wandering
from server.rehearsal.receiving import SETTLING_S, Receiving
from server.rehearsal.scenario import PadPart
from server.rehearsal.truth import Truth, metres_per_degree

_CARRIED_M, _CARRYING_S = 60.0, 50.0
_INDOORS_S = 240.0
_DRIVE_S, _DRIVE_MS = 3_600.0, 22.0
_HILL_M, _HILL_WAYS_M = 120.0, (4_000.0, 11_000.0)  # height and length of hills
_STEEPEST = 0.07
_TETHER_M, _TETHER_MS, _TETHER_S = 60.0, 1.2, 600.0
_NIGHT_S = 15 * 3_600.0


def before(truth: Truth, parts: tuple[PadPart, ...], seed: int) -> Truth:
    """The same flight with these parts of the time before its own rest, the last one last."""
    chance = np.random.default_rng([seed, 6])
    north_m, east_m = metres_per_degree(float(truth.latitude_deg[0]))
    pieces: list[Array] = []  # shape (3, n): east, north, up in metres from the launch site
    off: list[tuple[int, int]] = []  # seconds before the start of what is there now
    indoors: tuple[int, int] | None = None
    settling: int | None = None
    here = np.zeros(3)
    length = 0
    for part in reversed(parts):
        piece = _piece(part, here, chance)
        if part == "tethered":
            night = round(_NIGHT_S)
            pieces.append(np.repeat(here[:, None], night, axis=1))
            off.append((length + night, length))
            length += night
        pieces.append(piece)
        length += piece.shape[1]
        if part == "indoors":
            indoors = (length, length - piece.shape[1])
        if part == "settling":
            settling = length
        here = piece[:, 0]
    east, north, up = np.concatenate(pieces[::-1], axis=1) if pieces else np.zeros((3, 0))
    start_s = truth.start_s - length
    latitude = truth.latitude_deg[0] + north / north_m
    longitude = truth.longitude_deg[0] + east / east_m
    first_s = truth.start_s
    return replace(
        truth,
        start_s=start_s,
        latitude_deg=np.concatenate([latitude, truth.latitude_deg]),
        longitude_deg=np.concatenate([longitude, truth.longitude_deg]),
        altitude_m=np.concatenate([truth.altitude_m[0] + up, truth.altitude_m]),
        east_ms=np.concatenate([_speed(east), truth.east_ms]),
        north_ms=np.concatenate([_speed(north), truth.north_ms]),
        climb_ms=np.concatenate([_speed(up), truth.climb_ms]),
        receiving=Receiving(
            tuple((first_s - a, first_s - b) for a, b in off),
            None if indoors is None else (first_s - indoors[0], first_s - indoors[1]),
            None if settling is None else first_s - settling,
            float(chance.choice([-1.0, 1.0])),
        ),
    )


def _speed(way_m: Array) -> Array:
    return np.gradient(way_m) if way_m.size > 1 else np.zeros(way_m.size)


def _piece(part: PadPart, end: Array, chance: np.random.Generator) -> Array:
    """Metres by second, shape (3, n), that ends at `end`."""
    if part == "carried":
        heading = chance.uniform(0, 2 * math.pi)
        share = np.linspace(1.0, 0.0, round(_CARRYING_S))
        way = np.array([math.sin(heading), math.cos(heading), 0.03]) * _CARRIED_M
        return np.asarray(end[:, None] + way[:, None] * share)
    if part == "driven":
        return _drive(end, chance)
    if part == "tethered":
        up = np.minimum(np.arange(round(_TETHER_S)) * _TETHER_MS, _TETHER_M)
        up = np.minimum(up, up[::-1])
        sway = np.array([wandering(chance, up.size, 4.0, 20.0) for _ in range(2)])
        return np.asarray(end[:, None] + np.vstack([sway * (up > 1.0), up]))
    seconds = round(_INDOORS_S) if part == "indoors" else round(SETTLING_S * 2)
    if part == "rest":
        seconds = round(chance.uniform(180.0, 1_800.0))
    return np.repeat(end[:, None], seconds, axis=1)


def _drive(end: Array, chance: np.random.Generator) -> Array:
    """An hour over hills and round corners, backwards from `end`."""
    seconds = round(_DRIVE_S)
    speed = np.clip(_DRIVE_MS + wandering(chance, seconds, 5.0, 60.0), 3.0, 33.0)
    speed *= np.clip(np.arange(seconds) / 20.0, 0.0, 1.0)
    heading = chance.uniform(0, 2 * math.pi) + wandering(chance, seconds, 0.8, 200.0)
    way = np.cumsum(speed)
    east, north = np.cumsum(speed * np.sin(heading)), np.cumsum(speed * np.cos(heading))
    up = np.zeros(seconds)
    for length_m in _HILL_WAYS_M:
        start = chance.uniform(0, 2 * math.pi)
        up += _HILL_M / 2 * (np.sin(start + 2 * math.pi * way / length_m) - math.sin(start))
    steps = np.clip(np.diff(up, prepend=0.0), -_STEEPEST * speed, _STEEPEST * speed)
    return np.asarray((end[:, None] + np.vstack([east, north, np.cumsum(steps)]))[:, ::-1])
