"""Made flights of every kind of trouble, with truth: what the track is tested and measured on.

The truth (climb, burst, fall, wind) comes from the rehearsal, which shares nothing with the tracker;
receivers, packets and faults are put on top of it here.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from server.flight.inputs import FlightPlan, LaunchPlan, Plan, Reception, TrackerPlan
from server.rehearsal.scenario import Lift, load
from server.rehearsal.truth import Truth, make
from tests.made_packets import DIRECT, Route, Tracker, packets
from tests.plans import with_flight

MAIN, BACKUP, THIRD = "N0CALL-11", "N0CALL-12", "N0CALL-13"


@dataclass
class Made:
    """A flight as heard, what is true, and which of its trackers are faulty."""

    kind: str
    truth: Truth
    plan: Plan
    receptions: list[Reception]
    heard_s: list[float]  # when each was heard, whatever the station's clock said
    faulty: tuple[str, ...] = ()
    trackers: list[Tracker] = field(default_factory=list)

    def without_faulty(self) -> Made:
        """The same flight as if the faulty trackers had not been aboard."""
        kept = tuple(t for t in self.plan.trackers if t.callsign not in self.faulty)
        heads = tuple(f"{name}>".encode() for name in self.faulty)
        heard = [
            (reception, heard_s)
            for reception, heard_s in zip(self.receptions, self.heard_s, strict=True)
            if not reception.payload.startswith(heads)
        ]
        return replace(
            self,
            plan=with_flight(self.plan, trackers=kept),
            receptions=[reception for reception, _ in heard],
            heard_s=[heard_s for _, heard_s in heard],
            faulty=(),
        )


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
    receptions = [r for t in trackers for r in packets(truth, t, rng)] + extra
    heard = sorted((clock(r), r.heard_at_s) for r in receptions)
    launch_at = truth.at(truth.start_s)
    plan = Plan(
        flights=(
            FlightPlan(
                name=kind,
                launch=LaunchPlan(*launch_at),
                trackers=tuple(
                    TrackerPlan(
                        t.callsign,
                        callsign=t.callsign,
                        comment_pattern=_PATTERN,
                        comment_scales={"p": (0.1, 0.0, "hPa")},
                    )
                    for t in trackers
                ),
            ),
        )
    )
    return Made(
        kind,
        truth,
        plan,
        [r for r, _ in heard],
        [heard_s for _, heard_s in heard],
        faulty,
        trackers,
    )


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
        late = {
            int(t): float(rng.choice([0.0, rng.uniform(60, 400)], p=[0.7, 0.3]))
            for t in range(int(truth.start_s), int(truth.end_s) + 2)
        }
        backup.routes = (Route(1.0, ",qAO,N0CALL-5", "internet", 2.0),)
        backup.late_s = lambda t: late.get(int(t), 0.0)
    elif kind == "old packets repeated":
        main.routes = (DIRECT, Route(0.3, ",N0CALL-4*", "tnc", float(rng.uniform(60, 500))))
    elif kind == "six receivers":
        main.routes = (
            DIRECT,
            *(Route(0.7, f",qAR,N0CALL-{i}", "internet", 1.5 + 0.8 * i) for i in range(1, 7)),
        )
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
        backup.alter = lambda t, p: (
            lat + 0.05 * math.sin(max(t - start_s, 0) / 900),
            lon + max(t - start_s, 0.0) * 2.2e-4,
            alt,
        )
    elif kind == "second balloon":
        other = Tracker(THIRD, offset_s=5.0)
        other.alter = lambda t, p: (p[0] + 0.15, p[1] + 0.2, p[2])
        extra = packets(truth, other, rng)
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
    "plain",
    "one tracker alone",
    "silent and back",
    "frozen position",
    "altitude stuck above 18 km",
    "stuck, with a barometer",
    "zero, zero",
    "digit dropped",
    "altitude in the wrong unit",
    "teleport that stays",
    "delayed by the internet",
    "old packets repeated",
    "six receivers",
    "two datums",
    "station clock wrong",
    "station clock set right",
    "midnight",
    "no altitude",
    "position ambiguity",
    "left at the launch site",
    "riding in a car",
    "float",
    "second balloon",
    "phone wakes far away",
    "without times",
]


def _place(truth: Truth, time_s: float) -> tuple[float, float, float]:
    return truth.at(time_s)
