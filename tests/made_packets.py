"""A tracker of a made flight: how its receiver errs, what it says, and how it is heard."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from decoders.aprs_encode import DaoForm, compressed, uncompressed
from server.flight.inputs import Reception
from server.rehearsal.truth import Truth

Place = tuple[float, float, float | None]  # latitude, longitude, altitude (None: not sent)
METRES_PER_DEGREE = 111_200.0


class Route(NamedTuple):
    """One way by which a packet is heard: how often, with what path, and how much later."""

    share: float
    path: str
    source: str
    lag_s: float


DIRECT = Route(1.0, "", "tnc", 1.0)


@dataclass
class Tracker:
    """One tracker of a made flight and how it goes wrong."""

    callsign: str
    interval_s: float = 30.0
    offset_s: float = 0.0
    loss: float = 0.12
    timed: bool = True
    squeezed: bool = False  # compressed instead of uncompressed
    datum_m: float = 0.0
    step_m: float = 0.0
    ambiguity: int = 0
    pressure: bool = False
    routes: tuple[Route, ...] = (DIRECT,)
    alter: Callable[[float, Place], Place | None] = lambda _t, place: place
    late_s: Callable[[float], float] = lambda _t: 0.0


class _Noise:
    """Errors of one receiver: white, and wandering over minutes. Metres."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng
        self._wander = np.zeros(3)
        self._last_s: float | None = None

    def at(self, time_s: float) -> tuple[float, float, float]:
        keep = 0.0 if self._last_s is None else math.exp(-(time_s - self._last_s) / 100.0)
        self._last_s = time_s
        sigma = np.array([4.0, 4.0, 7.0])
        self._wander = keep * self._wander + math.sqrt(1 - keep**2) * sigma * self._rng.normal(
            size=3
        )
        east, north, up = self._wander + self._rng.normal(size=3) * np.array([3.0, 3.0, 5.0])
        return float(east), float(north), float(up)


def packets(truth: Truth, tracker: Tracker, rng: np.random.Generator) -> list[Reception]:
    """What is heard of the tracker, by all its routes, before the clock's troubles."""
    noise = _Noise(rng)
    receptions = []
    time_s = truth.start_s + tracker.offset_s
    while time_s < truth.end_s:
        fixed_s = float(math.floor(time_s))  # receivers fix on the second, and print that second
        latitude_deg, longitude_deg, altitude_m = truth.at(fixed_s)
        east, north, up = noise.at(time_s)
        frozen = tracker.alter(time_s, (latitude_deg, longitude_deg, altitude_m))
        lost = rng.random() < tracker.loss
        if frozen is not None and not lost:
            moved = frozen[:2] != (0.0, 0.0) and _moves(tracker, truth, time_s)
            scale = METRES_PER_DEGREE
            place = (
                frozen[0] + north / scale * moved,
                frozen[1] + east / (scale * math.cos(math.radians(latitude_deg))) * moved,
                None if frozen[2] is None else frozen[2] + (up + tracker.datum_m) * moved,
            )
            if frozen[2] == 18_288.0:
                place = (place[0], place[1], 18_288.0)
            said = _information(tracker, time_s, place, altitude_m)
            for route in tracker.routes:
                if rng.random() <= route.share:
                    lag_s = route.lag_s + float(rng.exponential(0.7)) + tracker.late_s(time_s)
                    line = f"{tracker.callsign}>APZLWD{route.path}:".encode() + said
                    heard_at_ms = round((time_s + lag_s) * 1000)
                    receptions.append(Reception(heard_at_ms, route.source, "tnc2", line))
        time_s += tracker.interval_s + float(rng.normal(0, 0.05))
    return receptions


def _moves(tracker: Tracker, truth: Truth, time_s: float) -> bool:
    """A frozen receiver repeats itself to the digit; every other one wavers."""
    here, later = truth.at(time_s), truth.at(time_s + 60.0)
    a, b = tracker.alter(time_s, here), tracker.alter(time_s + 60.0, later)
    return not (a == b and here != later and a is not None and a[:2] != here[:2])


def _information(tracker: Tracker, time_s: float, place: Place, true_m: float) -> bytes:
    latitude_deg, longitude_deg, altitude_m = place
    if altitude_m is not None and tracker.step_m:
        altitude_m = round(altitude_m / tracker.step_m) * tracker.step_m
    comment = f" {_pressure_hpa(true_m) * 10:.0f}P" if tracker.pressure else ""
    stamp = time_s if tracker.timed else None
    if tracker.squeezed:
        return compressed(latitude_deg, longitude_deg, time_s=stamp, altitude_m=altitude_m)
    dao: DaoForm | None = None if tracker.ambiguity else "human"
    said = uncompressed(
        latitude_deg, longitude_deg, time_s=stamp, altitude_m=altitude_m, dao=dao, comment=comment
    )
    return _blank(said, tracker.ambiguity) if tracker.ambiguity else said


def _blank(said: bytes, digits: int) -> bytes:
    """The last digits of the minutes as spaces (APRS 1.0.1, ch. 8, position ambiguity)."""
    at = said.index(b"N") if b"N" in said else said.index(b"S")
    text = bytearray(said)
    for end in (at, at + 10):  # before N or S, and before E or W
        left, i = digits, end - 1
        while left:
            if text[i] != ord("."):
                text[i] = ord(" ")
                left -= 1
            i -= 1
    return bytes(text)


def _pressure_hpa(altitude_m: float) -> float:
    """A real day's air: the standard atmosphere, 4 K warmer and 6 hPa lower at the ground."""
    h = altitude_m
    if h < 11_000:
        return 1_007.0 * math.pow(1 - 0.0065 * h / 292.15, 5.2559)
    base = 1_007.0 * math.pow(1 - 0.0065 * 11_000 / 292.15, 5.2559)
    return base * math.exp(-(h - 11_000) / (287.05 * 220.65 / 9.80665))
