"""Log scores of the filter: real fixes before they are heard, made flights against their truth.

Minus the log density (nats, lower is better; Gneiting and Raftery 2007, J. Am. Stat. Assoc. 102, 359)
that the filter stated beforehand, place and altitude together; one in a hundred is spread over 3 km by 3
km and 4 km, so that one wrong fix does not decide. Of a real flight every fifth fix is only asked about;
of a made one the truth is, every 20 s, while the fixes come in their canonical order.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from typing import NamedTuple

import numpy as np

from server.flight.mission import Mission
from server.flight.track.advance import advance
from server.flight.track.checkpoint import Checkpoint
from server.flight.track.constants import MotionConstants
from server.flight.track.filter import FilterState, predict
from server.flight.track.fixes import Fix
from server.flight.track.modes import Motion
from server.flight.track.trackers import remember, variances
from server.journal.recording import inferred_plan, read_recording
from tests.flights import real_logs
from tests.followed import ASKED_EVERY_S
from tests.made import KINDS, make_flight

SETTLED = 10  # fixes before the first that is asked about
_EVERY = 5
_SPREAD_H, _SPREAD_V = math.log(0.01 / 3_000.0**2), math.log(0.01 / 4_000.0)
_MADE = len(KINDS)

Placed = tuple[Fix, float, float, bool]  # with x, y in metres, and whether the track took it


class Real(NamedTuple):
    day: str
    constants: MotionConstants
    fixes: list[Placed]


class Made(NamedTuple):
    constants: MotionConstants
    fixes: list[Placed]
    asked: list[tuple[float, float, float, float]]  # when, and the truth: x, y, z


@cache
def real_flights() -> list[Real]:
    """With the constants of their plans, as the whole track takes their fixes."""
    found = []
    for log in real_logs():
        recording = read_recording(log)
        flight = Mission(inferred_plan(recording))
        flight.receive(list(recording.receptions))
        fixes = _placed(flight)
        day = str(np.datetime64(round(fixes[0][0].time_s), "s"))[:10]
        found.append(Real(day, flight.flights[0].track.constants, fixes))
    return found


@cache
def made_flights() -> list[Made]:
    """One of each kind of trouble."""
    found = []
    for i in range(_MADE):
        made = make_flight(KINDS[i % len(KINDS)], i)
        flight = Mission(made.plan)
        flight.receive(made.receptions)
        asked = []
        for at_s in np.arange(made.truth.launch_s + 60.0, made.truth.landing_s, ASKED_EVERY_S):
            latitude_deg, longitude_deg, z_m = made.truth.at(float(at_s))
            x_m, y_m = flight.flights[0].track.frame.to_xy(latitude_deg, longitude_deg)
            asked.append((float(at_s), float(x_m), float(y_m), z_m))
        found.append(Made(flight.flights[0].track.constants, _placed(flight), asked))
    return found


def _placed(flight: Mission) -> list[Placed]:
    return [(r.fix, r.x_m, r.y_m, r.verdict.accepted) for r in flight.flights[0].track.records()]


def real_scores(flight: Real, **changed: float) -> Iterator[float]:
    """Of each accepted fix, with some constants changed."""
    constants = replace(flight.constants, **changed)
    at = Checkpoint()
    taken = 0
    for i, (fix, x_m, y_m, accepted) in enumerate(flight.fixes):
        if at.state is not None and accepted and taken >= SETTLED:
            yield _score(at.state, fix, x_m, y_m, constants)
        if i % _EVERY != _EVERY - 1 or not accepted or at.state is None:
            at = advance(at, fix, x_m, y_m, constants).after
            taken += accepted


def _score(
    state: FilterState, fix: Fix, x_m: float, y_m: float, constants: MotionConstants
) -> float:
    ahead = predict(state, fix.time_s, constants)
    motion = ahead.mixture
    memory = ahead.trackers.get(fix.tracker) or remember(None, fix)
    velocity = (motion.x.velocity, motion.y.velocity, motion.z.velocity)
    var_h, var_v = variances(fix, memory, velocity, constants)
    z_m = None if fix.altitude_m is None else fix.altitude_m - memory.offset_m
    return log_score(motion, (x_m, y_m, z_m), var_h, var_v)


def made_scores(flight: Made, **changed: float) -> Iterator[float]:
    """Of each moment."""
    constants = replace(flight.constants, **changed)
    at = Checkpoint()
    asked = iter(flight.asked)
    at_s, *truth = next(asked)
    for fix, x_m, y_m, _ in flight.fixes:
        while at_s < fix.time_s:
            if at.state is not None:
                stated = predict(at.state, at_s, constants).stated()
                yield log_score(stated, (truth[0], truth[1], truth[2]), 0.0, 0.0)
            at_s, *truth = next(asked, (math.inf, 0.0, 0.0, 0.0))
        at = advance(at, fix, x_m, y_m, constants).after


def log_score(
    motion: Motion, place: tuple[float, float, float | None], var_h: float, var_v: float
) -> float:
    """Nats; `place` in metres, with the variances of its own errors. None: no altitude."""
    x, y, z = motion
    told = 0.0
    for axis, at_m in ((x, place[0]), (y, place[1])):
        variance = axis.var_position + var_h
        told -= 0.5 * ((at_m - axis.position) ** 2 / variance + math.log(2 * math.pi * variance))
    score = -float(np.logaddexp(told + math.log(0.99), _SPREAD_H))
    if place[2] is None:
        return score
    variance = z.var_position + var_v
    told = -0.5 * ((place[2] - z.position) ** 2 / variance + math.log(2 * math.pi * variance))
    return score - float(np.logaddexp(told + math.log(0.99), _SPREAD_V))
