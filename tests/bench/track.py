"""The fused track on 200 made flights of every kind of trouble, and on real flights.

Asked every 20 s of flight time, as a crew looks at its screen: where is it now? The fused track and the
plain filter are moved on to that moment; the last fix heard and the best single tracker stand as heard.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from server.flight.mission import Mission
from server.flight.track.checkpoint import Judged
from server.flight.track.filter import predict
from server.flight.track.track import Track
from server.journal.recording import inferred_plan, read_recording
from tests.bench._track_late import late_ms
from tests.bench._track_limit import Asked, Heard, bank, between_errors_m, by_gap, mixed_errors_m
from tests.bench._track_score import SETTLED
from tests.flights import real_logs
from tests.followed import follow
from tests.made import KINDS, make_flight
from tests.plain_filter import Error, Plain

FLIGHTS = 200


def run(flights: int = FLIGHTS) -> dict[str, Any]:
    """The figures of the issue; errors in metres, over all moments of all flights."""
    errors: dict[str, list[Error]] = {
        "fused": [],
        "best_single": [],
        "last_heard": [],
        "plain_filter": [],
    }
    burst_delays: list[float] = []
    heard_delays: list[float] = []
    landing_delays: list[float] = []
    inside: list[bool] = []
    false_bursts, fixes, spent_s = 0, 0, 0.0
    worse: dict[str, list[float]] = {}
    for i in range(flights):
        made = make_flight(KINDS[i % len(KINDS)], i)
        seen = follow(made)
        for name, found in seen.errors.items():
            errors[name] += found
        burst_delays += seen.burst_delays
        heard_delays += seen.heard_delays
        landing_delays += seen.landing_delays
        false_bursts += seen.false_bursts
        inside += seen.inside
        fixes += seen.fixes
        spent_s += seen.spent_s
        if made.faulty:
            clean = follow(made.without_faulty())
            ratio = _p95(seen.errors["fused"], 0) / _p95(clean.errors["fused"], 0)
            worse.setdefault(made.kind, []).append(ratio)
    return {
        **{name: _summary(found) for name, found in errors.items()},
        "nees_inside": float(np.mean(inside)),
        "burst_delay_s": {
            "median": float(np.median(burst_delays)),
            "p95": float(np.quantile(burst_delays, 0.95)),
            # where no packet was lost between the burst and its notice: the plain 30 s interval
            "heard_median": float(np.median(heard_delays)),
            "heard_p95": float(np.quantile(heard_delays, 0.95)),
        },
        "landing_delay_beacons": float(np.quantile(landing_delays, 0.95)),
        "false_bursts": false_bursts,
        "us_per_fix": 1e6 * spent_s / fixes,
        "late_ms": late_ms(),
        "with_faulty_over_without": {kind: max(ratios) for kind, ratios in worse.items()},
        "real": real(),
    }


def _column(errors: list[Error], i: int) -> np.ndarray:
    return np.array([e[i] for e in errors if not math.isnan(e[i])])


def _p95(errors: list[Error], i: int) -> float:
    return float(np.quantile(_column(errors, i), 0.95))


def _summary(errors: list[Error]) -> dict[str, float]:
    h, v = _column(errors, 0), _column(errors, 1)
    return {
        "h_median_m": float(np.median(h)),
        "h_p95_m": float(np.quantile(h, 0.95)),
        "v_median_m": float(np.median(v)),
        "v_p95_m": float(np.quantile(v, 0.95)),
    }


def real() -> dict[str, Any]:
    """Every fifth fix of the real flights held out and predicted from those before it; metres."""
    fused: list[float] = []
    up: list[float] = []
    plain_errors: list[float] = []
    gaps: list[float] = []
    asked: list[Asked] = []
    between: list[float] = []
    for log in real_logs():
        heard: list[Heard] = []
        for record, held, track, plain in _one_in_five(log):
            state, fix = track.checkpoint().state, record.fix
            if held and (state is None or state.accepted < SETTLED):
                continue
            if held or record.verdict.accepted:
                climb_ms = 0.0 if state is None else state.mixture.z.velocity
                place = np.array([record.x_m, record.y_m])
                heard.append(Heard(fix.time_s, place, fix.altitude_m, climb_ms, held))
            if not held or state is None:
                continue
            x_m, y_m = track.frame.to_xy(fix.latitude_deg, fix.longitude_deg)
            motion = predict(state, fix.time_s, track.constants).mixture
            fused.append(math.hypot(motion.x.position - x_m, motion.y.position - y_m))
            up.append(math.nan)
            if fix.altitude_m is not None:
                offset_m = (
                    state.trackers[fix.tracker].offset_m if fix.tracker in state.trackers else 0.0
                )
                up[-1] = abs(fix.altitude_m - offset_m - motion.z.position)
            px, py, _ = plain.at(fix.time_s)
            plain_errors.append(math.hypot(px - x_m, py - y_m))
            gaps.append(fix.time_s - state.time_s)
        day = str(np.datetime64(round(heard[0].time_s), "s"))[:10]
        asked += bank(heard, day)
        between += between_errors_m(heard)
    errors: dict[str, list[float] | np.ndarray] = {
        "held_out": fused,
        "held_out_altitude": up,
        "plain": plain_errors,
        "between": between,
        "mixed_in_sample": mixed_errors_m(asked, winds=False, by_days=False),
        "mixed_by_days": mixed_errors_m(asked, winds=False, by_days=True),
        "winds_mixed_in_sample": mixed_errors_m(asked, winds=True, by_days=False),
        "winds_mixed_by_days": mixed_errors_m(asked, winds=True, by_days=True),
    }
    told: dict[str, Any] = {}
    for name, found in errors.items():
        told[f"{name}_median_m"] = float(np.nanmedian(np.array(found)))
        told[f"{name}_p95_m"] = float(np.nanquantile(np.array(found), 0.95))
    return told | {"by_gap": by_gap(gaps, fused, plain_errors)}


def _one_in_five(log: Path) -> Iterator[tuple[Judged, bool, Track, Plain]]:
    """Each record of the whole flight, and whether it is held out of the track and the plain filter."""
    recording = read_recording(log)
    whole = Mission(inferred_plan(recording))
    whole.receive(list(recording.receptions))
    track, plain = Track(whole.flights[0].track.constants, None), Plain()
    for i, record in enumerate(whole.flights[0].track.records()):
        held = i % 5 == 4 and record.verdict.accepted and plain.axes is not None
        yield record, held, track, plain
        if not held:
            track.add([record.fix])
            track.settle()
            plain.take(track, record.fix)
