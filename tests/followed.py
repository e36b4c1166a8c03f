"""A made flight followed packet by packet: what the track said of it, against its truth."""

from __future__ import annotations

import math
import time
from typing import Any

import numpy as np
from scipy.stats import chi2

from server.flight.mission import Mission
from server.flight.track.filter import predict
from server.flight.track.fixes import Fix
from tests.made import Made
from tests.plain_filter import Error, Plain, away_m

ASKED_EVERY_S = 20.0
NEES_BOUNDS = tuple(float(chi2.ppf(p, 6)) for p in (0.025, 0.975))


class Followed:
    """One flight followed as it was heard."""

    def __init__(self) -> None:
        self.errors: dict[str, list[Error]] = {}
        self.burst_delays: list[float] = []
        self.heard_delays: list[float] = []  # of those where no packet was lost meanwhile
        self.landing_delays: list[float] = []
        self.inside: list[bool] = []
        self.false_bursts = 0
        self.fixes = 0
        self.spent_s = 0.0


def follow(made: Made) -> Followed:
    """Play a made flight and ask at each moment."""
    truth, flight, plain = made.truth, Mission(made.plan), Plain()
    result = Followed()
    names = [t.callsign for t in made.plan.trackers if t.callsign]
    last: dict[str, Fix] = {}
    single: dict[str, list[Error]] = {name: [] for name in names}
    fused: list[Error] = []
    heard_last: list[Error] = []
    plain_errors: list[Error] = []
    burst_at_s = landed_at_s = None
    asked_s = truth.launch_s + 60.0

    def ask(until_s: float) -> None:
        nonlocal asked_s
        while asked_s < min(until_s, truth.landing_s):
            here = truth.at(asked_s)
            for name in names:
                if name in last:
                    single[name].append(_error(last[name], here))
            if last and flight.flights[0].track.latest() is not None:
                newest = max(last.values(), key=lambda f: f.time_s)
                heard_last.append(_error(newest, here))
                fused.append(_fused_error(flight, asked_s, here))
                plain_errors.append(plain.error(flight.flights[0].track, asked_s, here))
            asked_s += ASKED_EVERY_S

    # in the order and at the moments of hearing: a station's clock may be minutes off, and be set
    for now_s, reception in sorted(zip(made.heard_s, made.receptions, strict=True)):
        ask(now_s)
        started = time.thread_time()
        before = len(flight.flights[0].track.records())
        flight.receive([reception])
        records = flight.flights[0].track.records()
        result.spent_s += time.thread_time() - started
        if len(records) > before:
            fix = max((r.fix for r in records[-3:]), key=lambda f: f.time_s)
            last[fix.tracker] = fix
            plain.take(flight.flights[0].track, fix)
            nees = _nees(flight, truth)
            if nees is not None:
                result.inside.append(NEES_BOUNDS[0] <= nees <= NEES_BOUNDS[1])
        phase = flight.flights[0].track.phase()
        if phase in ("descent", "landed") and burst_at_s is None:
            if now_s < truth.burst_s:
                result.false_bursts += 1
            burst_at_s = now_s
        if phase == "landed" and landed_at_s is None:
            landed_at_s = now_s
    ask(truth.landing_s)
    result.fixes = len(flight.flights[0].track.records())
    bursts = [e for e in flight.events() if e.kind == "burst"]
    result.false_bursts += max(len(bursts) - 1, 0)
    if burst_at_s is not None and burst_at_s >= truth.burst_s:
        result.burst_delays.append(burst_at_s - truth.burst_s)
        if _heard_throughout(made):
            result.heard_delays.append(burst_at_s - truth.burst_s)
    interval_s = min(t.interval_s for t in made.trackers if t.callsign not in made.faulty)
    if landed_at_s is not None:
        result.landing_delays.append((landed_at_s - truth.landing_s) / interval_s)
    best = min(
        single.values(), key=lambda e: float(np.median([h for h, _ in e])) if e else math.inf
    )
    result.errors = {
        "fused": fused,
        "best_single": best,
        "last_heard": heard_last,
        "plain_filter": plain_errors,
    }
    return result


def _heard_throughout(made: Made) -> bool:
    """A sound altitude came within each 31 s of the first 62 s after the burst."""
    flight = Mission(made.plan)
    flight.receive(made.receptions)
    times = [made.truth.burst_s] + [
        r.fix.time_s
        for r in flight.flights[0].track.records()
        if r.fix.tracker not in made.faulty
        and r.fix.altitude_m is not None
        and 0.0 <= r.fix.time_s - made.truth.burst_s <= 62.0
    ]
    return len(times) > 2 and bool(np.max(np.diff(times)) <= 31.0)


def _error(fix: Fix, here: tuple[float, float, float]) -> Error:
    return (
        away_m((fix.latitude_deg, fix.longitude_deg), here),
        math.nan if fix.altitude_m is None else abs(fix.altitude_m - here[2]),
    )


def _fused_error(flight: Mission, at_s: float, here: tuple[float, float, float]) -> Error:
    state = flight.flights[0].track.checkpoint().state
    assert state is not None
    x, y, z = predict(state, max(at_s, state.time_s), flight.flights[0].track.constants).mixture
    latitude_deg, longitude_deg = flight.flights[0].track.frame.to_latlon(x.position, y.position)
    return away_m((float(latitude_deg), float(longitude_deg)), here), abs(z.position - here[2])


def _nees(flight: Mission, truth: Any) -> float | None:
    """Of position and velocity on three axes, at the last accepted fix."""
    record = flight.flights[0].track.latest()
    if (
        record is None
        or record.fix is not flight.flights[0].track.records()[-1].fix
        or record.after.state is None
    ):
        return None
    at_s = record.fix.time_s
    if not truth.launch_s < at_s < truth.landing_s or not record.fix.own_time:
        return None
    i = truth.index(at_s)
    here = truth.at(at_s)
    x_m, y_m = flight.flights[0].track.frame.to_xy(here[0], here[1])
    motion = record.after.state.stated()
    speeds = (truth.east_ms[i], truth.north_ms[i], truth.climb_ms[i])
    total = 0.0
    for axis, place, speed in zip(motion, (x_m, y_m, here[2]), speeds, strict=True):
        e = np.array([axis.position - place, axis.velocity - speed])
        p = np.array([[axis.var_position, axis.covariance], [axis.covariance, axis.var_velocity]])
        total += float(e @ np.linalg.solve(p, e))
    return total
