"""What is still to be climbed, and the fall after it, as best known from one question."""

from __future__ import annotations

import numpy as np

from server.flight.inputs import DescentPlan
from server.flight.landing.climb import Climb, rate_between
from server.flight.landing.day_bursts import expected
from server.flight.landing.descent import (
    Fall,
    FallChange,
    FallConstants,
    change_point,
    estimate,
    observed,
    still_opening,
)
from server.flight.landing.question import LandingQuestion

_CHANGED_S, _CHANGED_SHARE = 240.0, 0.35  # a climb rate that has change_point, and by how much
_LEAST_BURST_SIGMA_M = 100.0
# seconds over which the rate is taken, by altitude: long in the drag crisis (climb.py), where the rate of the
# moment says least; and 1 sigma of what is left of the climb, over that at the launch (44 real flights)
_RATE_OVER_S = (10_000.0, 14_000.0, 17_000.0, 20_000.0), (600.0, 1_800.0, 1_800.0, 600.0)
_SCATTER = (4_000.0, 10_000.0, 15_000.0, 20_000.0, 25_000.0), (1.1, 1.0, 1.2, 1.05, 0.5)
_LEAST_CLIMB_M = 100.0  # over which a rate of the moment is taken
_OFF_GROUND_M = 100.0  # a rest on the pad is no slow climb


def fall_to_come(
    question: LandingQuestion, top_m: float, c: FallConstants
) -> tuple[Fall, FallChange | None]:
    """The fall from `top_m` on as best known, and where it changed, if so."""
    descent = question.plan.descent
    span_m = (top_m, min(question.ground.altitude_m, top_m))
    none = np.empty(0)
    if question.burst_s is None or question.phase != "descent":
        return estimate(descent, (none, none, none), span_m, c), None
    seen = observed(
        question.time_s,
        question.z_m,
        question.tracker,
        question.burst_s + c.settling_s,
        c.altitude_sigma_m,
    )
    change = change_point(*seen)
    if change is not None:  # what was before tells nothing any more, nor does the plan
        since = seen[0] <= change.since_m
        altitude_m, log_k, sigma = (column[since] for column in seen)
        return estimate(DescentPlan(), (altitude_m, log_k, sigma), span_m, c), change
    expected = estimate(descent, seen, span_m, c)
    if len(seen[0]) > 0:
        expected = still_opening(expected, question.at_s - question.burst_s, c)
    return expected, None


def climb_to_come(question: LandingQuestion, sigma_share: float) -> Climb | None:
    """What is still to be climbed as best known; None where nothing is. `sigma_share`: of the rate seen."""
    balloon, z = question.plan.balloon, question.motion.z
    bursts = (other.burst for other in question.others if other.burst is not None)
    burst_m, sigma_m = expected(balloon, bursts, question.at_s)
    burst_sigma_m, here_m = max(sigma_m, _LEAST_BURST_SIGMA_M), z.position
    if question.phase in ("unknown", "ground"):
        mean_ms = balloon.ascent_rate_ms  # of the whole climb, as a plan means it
        high_m = max(burst_m, here_m + _LEAST_CLIMB_M)
        rate_ms = rate_between(here_m, high_m, (high_m - here_m) / mean_ms)
        sigma_ms = balloon.ascent_rate_sigma_ms * rate_ms / mean_ms
        return Climb(rate_ms, sigma_ms, burst_m, burst_sigma_m)
    if question.phase not in ("ascent", "float"):
        return None
    if question.hang is not None and question.phase == "float":  # a float that goes on climbing
        rate_ms = balloon.ascent_rate_ms / 2
        return Climb(rate_ms, rate_ms / 3, burst_m, burst_sigma_m)
    rate_ms = rate_between(here_m - _LEAST_CLIMB_M, here_m, _LEAST_CLIMB_M / max(z.velocity, 1.0))
    if question.phase == "ascent":  # a few minutes of climb say more than the moment
        off_ground = question.z_m > question.z_m.min() + _OFF_GROUND_M
        over_s = float(np.interp(here_m, *_RATE_OVER_S))
        recent = (question.time_s > question.at_s - over_s) & off_ground
        t, h = question.time_s[recent], question.z_m[recent]
        if len(t) > 3 and t[-1] - t[0] > 120.0:
            rate_ms = max(rate_between(float(h[0]), float(h[-1]), float(t[-1] - t[0])), 0.5)
        lately = t > question.at_s - _CHANGED_S
        if lately.sum() > 4 and t[-1] - t[lately][0] > _CHANGED_S / 2:
            took_s = float(t[-1] - t[lately][0])
            now_ms = rate_between(float(h[lately][0]), float(h[-1]), took_s)
            if abs(now_ms - rate_ms) > _CHANGED_SHARE * rate_ms:  # a balloon of two has burst, say
                rate_ms = max(now_ms, 0.5)
    share = sigma_share * float(np.interp(here_m, *_SCATTER))
    return Climb(rate_ms, share * rate_ms, burst_m, burst_sigma_m)
