"""What the flight teaches the next plan: fall, climb, beacons; as a fragment of a plan file."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from server.debrief.effective_lift import lift_lines
from server.debrief.figures import figures
from server.debrief.receivers import own_car
from server.debrief.record import FlightRecord, places_at
from server.flight.landing.descent import SEA_LEVEL_ROOT_DENSITY, FallConstants, observed
from server.flight.packets.sent_at import timed
from server.flight.physics.atmosphere import GRAVITY_MS2
from server.flight.physics.geodesy import distance_bearing

ALTITUDE_BIN_M, DISTANCE_BIN_M = 5_000.0, 25_000.0
_LEAST_FALLS = 5
_WANDER = 0.1  # 1 sigma of the log of the fall speed along one fall, as fitted on real flights
_SHORTEST_S = 1.0


class FittedFall(NamedTuple):
    """From the descent as seen. Drag only where the plan knows mass and parachute."""

    fall_speed_sea_level_ms: float
    relative_sigma: float  # spread of single steps of the fall
    drag_area_m2: float | None  # coefficient times area
    drag_coefficient: float | None


class FittedClimb(NamedTuple):
    rate_ms: float
    sigma_ms: float  # of means over ten minutes


class Loss(NamedTuple):
    """Beacons of one tracker within a range of altitude or distance."""

    tracker: str
    low_m: float
    high_m: float
    sent: int
    heard: int

    @property
    def share(self) -> float:
        return 1.0 - self.heard / self.sent


def fitted_fall(record: FlightRecord) -> FittedFall | None:
    """None where too little of a descent was seen."""
    q, c = record.question, FallConstants()
    if q is None or q.burst_s is None:
        return None
    aloft = q.time_s <= (math.inf if q.landed_s is None else q.landed_s)
    _, log_k, sigma = observed(
        q.time_s[aloft],
        q.z_m[aloft],
        q.tracker[aloft],
        q.burst_s + c.settling_s,
        c.altitude_sigma_m,
    )
    if len(log_k) < _LEAST_FALLS:
        return None
    middle = float(np.median(log_k))
    near = np.abs(log_k - middle) < 3 * max(1.4826 * float(np.median(np.abs(log_k - middle))), 0.02)
    weight = 1.0 / (sigma[near] ** 2 + _WANDER**2)
    mean = float(np.sum(weight * log_k[near]) / np.sum(weight))
    spread = math.sqrt(float(np.sum(weight * (log_k[near] - mean) ** 2) / np.sum(weight)))
    k = math.exp(mean)
    plan = record.plan.descent
    area_m2 = None if plan.mass_kg is None else 2 * plan.mass_kg * GRAVITY_MS2 / k**2
    coefficient = None
    if area_m2 is not None and plan.parachute_diameter_m is not None:
        coefficient = area_m2 / (math.pi * plan.parachute_diameter_m**2 / 4)
    return FittedFall(k / SEA_LEVEL_ROOT_DENSITY, max(spread, 0.01), area_m2, coefficient)


def fitted_climb(record: FlightRecord) -> FittedClimb | None:
    """None where launch or burst was not heard."""
    rate_ms = figures(record).ascent_rate_ms
    launch, burst = record.first("launch"), record.last("burst")
    if rate_ms is None or launch is None or burst is None:
        return None
    track_s = np.array([p.time_s for p in record.track])
    z = np.array([p.altitude_m for p in record.track])
    steps = np.arange(launch.time_s, burst.time_s, 600.0)
    rates = np.diff(np.interp(steps, track_s, z)) / 600.0
    sigma_ms = float(np.std(rates)) if len(rates) > 1 else 0.5
    return FittedClimb(rate_ms, max(sigma_ms, 0.1))


def losses(record: FlightRecord) -> tuple[list[Loss], list[Loss]]:
    """Beacons sent (as inferred) and heard in the air: by altitude, and by distance from the car."""
    launch, landing = record.first("launch"), record.last("landing")
    if not record.track:
        return [], []
    start_s = record.track[0].time_s if launch is None else launch.time_s
    end_s = record.track[-1].time_s if landing is None else landing.time_s
    track_s = np.array([p.time_s for p in record.track])
    track_z = [p.altitude_m for p in record.track]
    car = own_car(record)
    by_altitude: dict[tuple[str, int], list[int]] = {}
    by_distance: dict[tuple[str, int], list[int]] = {}
    for name in record.flight.trackers:
        beacons = _beacons(record, name, start_s, end_s)
        sent_s = [t for t, _ in beacons]
        heights, places = np.interp(sent_s, track_s, track_z), places_at(record.track, sent_s)
        for (time_s, heard), z, lat, lon in zip(beacons, heights, *places, strict=True):
            _count(by_altitude, name, float(z), ALTITUDE_BIN_M, heard)
            place = car.at(time_s)
            if place is not None:
                away_m, _ = distance_bearing(*place, float(lat), float(lon))
                _count(by_distance, name, away_m, DISTANCE_BIN_M, heard)
    return _rows(by_altitude, ALTITUDE_BIN_M), _rows(by_distance, DISTANCE_BIN_M)


def _beacons(
    record: FlightRecord, name: str, start_s: float, end_s: float
) -> list[tuple[float, bool]]:
    """Time of each beacon between its first and its last in the air, and whether it was heard."""
    sender, plan = record.mission.senders.get(name), record.flight.trackers[name]
    interval_s = None if sender is None else sender.health.interval_s
    if sender is None or interval_s is None or plan.role == "phone":
        return []
    sent = sorted({t.time_s for p in sender.packets for t in timed(p)[:1]})
    sent = [t for t in sent if start_s <= t <= end_s]
    found = [(t, True) for t in sent]
    for a, b in itertools.pairwise(sent):
        missing = max(round((b - a) / interval_s) - 1, 0) if b - a > _SHORTEST_S else 0
        found += [(a + (b - a) * (i + 1) / (missing + 1), False) for i in range(missing)]
    return sorted(found)


def _count(
    bins: dict[tuple[str, int], list[int]], name: str, value: float, width: float, heard: bool
) -> None:
    entry = bins.setdefault((name, max(int(value // width), 0)), [0, 0])
    entry[0] += 1
    entry[1] += heard


def _rows(bins: dict[tuple[str, int], list[int]], width: float) -> list[Loss]:
    return [
        Loss(name, i * width, (i + 1) * width, sent, heard)
        for (name, i), (sent, heard) in sorted(bins.items())
    ]


def plan_fragment(record: FlightRecord) -> str:
    """TOML that the next plan can start from. What was not seen is left out, and said."""
    fall, climb, found = fitted_fall(record), fitted_climb(record), figures(record)
    lines = [f"# From the flight {_comment(record.name)}. Check it before use.", ""]
    lines.append("[balloon]")
    if found.burst_altitude_m is not None:
        lines.append(f"# it burst at {found.burst_altitude_m:.0f} m; the same lift is assumed")
        lines.append(f"burst_altitude_m = {round(found.burst_altitude_m)}")
    else:
        lines.append("# the burst was not heard")
    if climb is not None:
        if not record.mission.plan.infer_trackers:  # a log alone plans nothing
            lines.append(f"# planned: {record.plan.balloon.ascent_rate_ms:.2f}")
        lines.append(f"ascent_rate_ms = {climb.rate_ms:.2f}")
        lines.append(f"ascent_rate_sigma_ms = {climb.sigma_ms:.2f}")
    else:
        lines.append("# the ascent was not seen whole")
    lines += lift_lines(record, None if climb is None else climb.rate_ms)
    lines += ["", "[descent]"]
    lines += ["# too little of the descent was seen"] if fall is None else _descent(record, fall)
    lines += ["", "# beacons"]
    for name in record.flight.trackers:
        sender = record.mission.senders.get(name)
        interval_s = None if sender is None else sender.health.interval_s
        if interval_s is not None:
            lines.append(f"# {_comment(name)}: every {interval_s:.0f} s")
    by_altitude, by_distance = losses(record)
    for what, rows in (("altitude", by_altitude), ("distance from the car", by_distance)):
        lines += [
            f"# {_comment(r.tracker)}, {what} {r.low_m / 1000:.0f} to {r.high_m / 1000:.0f} km: "
            f"{r.heard} of {r.sent} heard, {100 * r.share:.0f} % lost"
            for r in rows
        ]
    return "\n".join(lines) + "\n"


def _descent(record: FlightRecord, fall: FittedFall) -> Sequence[str]:
    plan = record.plan.descent
    speed = fall.fall_speed_sea_level_ms
    spread = f"fall_speed_relative_sigma = {min(fall.relative_sigma, 1.0):.3f}"
    if fall.drag_coefficient is not None and 0.05 < fall.drag_coefficient <= 3.0:
        return [
            f"# it fell at {speed:.2f} m/s by sea-level density; drag area {fall.drag_area_m2:.2f} m2",
            f"mass_kg = {plan.mass_kg}",
            f"parachute_diameter_m = {plan.parachute_diameter_m}",
            f"drag_coefficient = {fall.drag_coefficient:.3f}",
            spread,
        ]
    return [f"fall_speed_sea_level_ms = {speed:.2f}", spread]


def _comment(text: str) -> str:
    """One line without control characters, which TOML forbids."""
    return "".join(c if c.isprintable() else " " for c in text)
