"""Made flights of every kind of trouble, with truth: what the track is tested and measured on.

The truth (climb, burst, fall, wind) comes from the rehearsal, which shares nothing with the tracker;
receivers, packets and faults are put on top of it here.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from decoders.aprs_encode import compressed, uncompressed
from server.flight.inputs import LaunchPlan, Plan, Reception, TrackerPlan
from server.rehearsal.scenario import Lift, load
from server.rehearsal.truth import Truth, make

Place = tuple[float, float, float | None]  # latitude, longitude, altitude (None: not sent)
MAIN, BACKUP, THIRD = "N0CALL-11", "N0CALL-12", "N0CALL-13"
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


@dataclass
class Made:
    """A flight as heard, what is true, and which of its trackers are faulty."""

    kind: str
    truth: Truth
    plan: Plan
    receptions: list[Reception]
    faulty: tuple[str, ...] = ()
    trackers: list[Tracker] = field(default_factory=list)

    def without_faulty(self) -> Made:
        """The same flight as if the faulty trackers had not been aboard."""
        kept = tuple(t for t in self.plan.trackers if t.callsign not in self.faulty)
        heads = tuple(f"{name}>".encode() for name in self.faulty)
        receptions = [r for r in self.receptions if not r.payload.startswith(heads)]
        return replace(
            self, plan=replace(self.plan, trackers=kept), receptions=receptions, faulty=()
        )


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


def make_flight(kind: str, seed: int) -> Made:
    """A flight of that kind; the same seed gives the same bytes."""
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    scenario = load("demo")
    if kind == "float":
        lift = scenario.balloon.model_dump() | {"float_altitude_m": 24_000.0, "float_s": 2_400.0}
        scenario = scenario.model_copy(update={"balloon": Lift(**lift)})
    if kind == "midnight":
        launch = scenario.launch.model_copy(
            update={"time": scenario.launch.time.replace(hour=23, minute=10)}
        )
        scenario = scenario.model_copy(update={"launch": launch})
    truth = make(scenario, seed)
    main = Tracker(MAIN, datum_m=float(rng.normal(0, 6)))
    backup = Tracker(
        BACKUP, interval_s=45.0, offset_s=11.0, loss=0.2, datum_m=float(rng.normal(0, 6))
    )
    trackers = [main, backup]
    faulty, extra, clock = _spoil(kind, truth, trackers, rng)
    receptions = [r for t in trackers for r in _packets(truth, t, rng)] + extra
    receptions = sorted(clock(r) for r in receptions)
    launch_at = truth.at(truth.start_s)
    plan = Plan(
        flight=kind,
        launch=LaunchPlan(*launch_at),
        trackers=tuple(
            TrackerPlan(t.callsign, callsign=t.callsign, comment_pattern=_PATTERN,
                        comment_scales={"p": (0.1, 0.0, "hPa")})
            for t in trackers
        ),
    )  # fmt: skip
    return Made(kind, truth, plan, receptions, faulty, trackers)


_PATTERN = r"(?P<p>\d+)P"


def _spoil(
    kind: str, truth: Truth, trackers: list[Tracker], rng: np.random.Generator
) -> tuple[tuple[str, ...], list[Reception], Callable[[Reception], Reception]]:
    """Put the trouble of `kind` on the trackers: who is faulty, further packets, the clock."""
    main, backup = trackers
    start_s, burst_s = truth.launch_s, truth.burst_s
    aloft_s = burst_s - start_s
    moment_s = start_s + float(rng.uniform(0.3, 0.9)) * aloft_s
    extra: list[Reception] = []
    faulty: tuple[str, ...] = ()

    def clock(reception: Reception) -> Reception:
        return reception

    if kind == "silent and back":
        main.alter = lambda t, p: None if moment_s < t < moment_s + 900 else p
    elif kind == "frozen position":
        faulty, frozen = (BACKUP,), _place(truth, moment_s)
        backup.alter = lambda t, p: frozen if t > moment_s else p
    elif kind == "altitude stuck above 18 km":
        faulty = (BACKUP,)
        backup.alter = lambda t, p: (p[0], p[1], min(p[2] or 0.0, 18_288.0))
    elif kind == "stuck, with a barometer":
        faulty, main.loss = (BACKUP,), 0.1
        backup.pressure = True
        backup.alter = lambda t, p: (p[0], p[1], min(p[2] or 0.0, 18_288.0))
        main.alter = lambda t, p: None if t > moment_s + 600 else p
    elif kind == "zero, zero":
        faulty = (BACKUP,)
        backup.alter = lambda t, p: (0.0, 0.0, 0.0) if int(t) % 4 == 0 else p
    elif kind == "digit dropped":
        faulty = (BACKUP,)
        backup.alter = lambda t, p: (p[0] - 30.0, p[1], p[2]) if int(t / 45) % 5 == 0 else p
    elif kind == "altitude in the wrong unit":
        faulty = (BACKUP,)
        backup.alter = lambda t, p: (p[0], p[1], (p[2] or 0.0) * 0.3048)
    elif kind == "teleport that stays":
        faulty = (BACKUP,)
        backup.alter = lambda t, p: (p[0] + 0.4, p[1] - 0.5, p[2]) if t > moment_s else p
    elif kind == "delayed by the internet":
        late = {int(t): float(rng.choice([0.0, rng.uniform(60, 400)], p=[0.7, 0.3]))
                for t in range(int(truth.start_s), int(truth.end_s) + 2)}  # fmt: skip
        backup.routes = (Route(1.0, ",qAO,N0CALL-5", "internet", 2.0),)
        backup.late_s = lambda t: late.get(int(t), 0.0)
    elif kind == "old packets repeated":
        main.routes = (DIRECT, Route(0.3, ",N0CALL-4*", "tnc", float(rng.uniform(60, 500))))
    elif kind == "six receivers":
        main.routes = (DIRECT, *(
            Route(0.7, f",qAR,N0CALL-{i}", "internet", 1.5 + 0.8 * i) for i in range(1, 7)
        ))  # fmt: skip
    elif kind == "two datums":
        main.datum_m, main.step_m = -27.0, 0.0
        backup.step_m = 30.48
    elif kind == "station clock wrong":
        ahead_ms = int(rng.choice([-1, 1]) * rng.uniform(120, 600) * 1000)
        backup.timed = False

        def clock(reception: Reception) -> Reception:
            return replace(reception, heard_at_ms=reception.heard_at_ms + ahead_ms)

    elif kind == "station clock set right":
        ahead_ms = int(rng.choice([-1, 1]) * rng.uniform(120, 600) * 1000)

        def clock(reception: Reception) -> Reception:
            early = reception.heard_at_ms < moment_s * 1000
            return replace(reception, heard_at_ms=reception.heard_at_ms + ahead_ms * early)

    elif kind == "no altitude":
        backup.alter = lambda t, p: (p[0], p[1], None)
    elif kind == "position ambiguity":
        backup.ambiguity, backup.timed = 2, True
    elif kind == "left at the launch site":
        faulty, place = (BACKUP,), _place(truth, truth.start_s)
        backup.alter = lambda t, p: place
    elif kind == "riding in a car":
        faulty, (lat, lon, alt) = (BACKUP,), _place(truth, truth.start_s)
        backup.alter = lambda t, p: (lat + 0.05 * math.sin(max(t - start_s, 0) / 900),
                                     lon + max(t - start_s, 0.0) * 2.2e-4, alt)  # fmt: skip
    elif kind == "second balloon":
        other = Tracker(THIRD, offset_s=5.0)
        other.alter = lambda t, p: (p[0] + 0.15, p[1] + 0.2, p[2])
        extra = _packets(truth, other, rng)
    elif kind == "phone wakes far away":
        faulty = (THIRD,)
        away = (truth.landing[0] + 0.3, truth.landing[1] - 0.3, 400.0)
        phone = Tracker(THIRD, interval_s=60.0)
        phone.alter = lambda t, p: away if t > truth.landing_s + 200 else None
        trackers.append(phone)
    elif kind == "one tracker alone":
        trackers.pop()
    elif kind == "without times":
        main.timed = backup.timed = False
        backup.squeezed = True
    return faulty, extra, clock


KINDS = [
    "plain", "one tracker alone", "silent and back", "frozen position",
    "altitude stuck above 18 km", "stuck, with a barometer", "zero, zero", "digit dropped",
    "altitude in the wrong unit", "teleport that stays", "delayed by the internet",
    "old packets repeated", "six receivers", "two datums", "station clock wrong",
    "station clock set right", "midnight", "no altitude", "position ambiguity",
    "left at the launch site", "riding in a car", "float", "second balloon",
    "phone wakes far away", "without times",
]  # fmt: skip


def _place(truth: Truth, time_s: float) -> tuple[float, float, float]:
    return truth.at(time_s)


def _packets(truth: Truth, tracker: Tracker, rng: np.random.Generator) -> list[Reception]:
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
    dao = None if tracker.ambiguity else "human"
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
        return 1_007.0 * (1 - 0.0065 * h / 292.15) ** 5.2559
    base = 1_007.0 * (1 - 0.0065 * 11_000 / 292.15) ** 5.2559
    return base * math.exp(-(h - 11_000) / (287.05 * 220.65 / 9.80665))
