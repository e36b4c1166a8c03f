"""One step of the estimate: a state and a fix give the next state and a verdict. No memory beside.

Four modes run side by side (generalised pseudo-Bayes of the second order, Bar-Shalom, Li and
Kirubarajan 2001, ch. 11.6): each legal pair of modes is moved on its own, pairs that end in one mode
are mixed, then each mode meets the fix. A fix that a mode cannot explain counts as an outlier there
and leaves it unmoved, at the price of the outlier density; the fix is rejected when the modes that
had to call it an outlier are the probable ones. Position and altitude are judged apart.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

from server.flight.track import kalman
from server.flight.track.fixes import (
    ACCEPTED,
    ACCEPTED_WITHOUT_ALTITUDE,
    Fix,
    TrackerMemory,
    Verdict,
    remember,
)
from server.flight.track.kalman import Axis, innovation, mix
from server.flight.track.modes import (
    DESCENT,
    EXITS,
    GROUND,
    Motion,
    MotionConstants,
    move,
    sign_probability,
    start,
)

_GATE_H = (
    30.0  # normalised innovation squared, 2 degrees of freedom (3e-7 of good fixes lie beyond)
)
_GATE_V = 20.0  # 1 degree of freedom (8e-6)
_OUTLIER_LOG_DENSITY_H = math.log(0.02 / 3_000.0**2)  # 2 % of fixes, spread over 3 km by 3 km
_OUTLIER_LOG_DENSITY_V = math.log(
    0.001 / 4_000.0
)  # wrong altitudes are rare: 2 in 22,000 real ones
_DOUBT = 4.0  # by which a mode's vertical variance grows with an altitude that it refuses
_STUCK_HEIGHT_M = 1_000.0  # above this over the ground an exact repeat is a frozen receiver
_STUCK_ALTITUDE_REPEATS = 1
_STUCK_COARSE_REPEATS = 3  # of altitudes in steps so coarse that a repeat is no wonder
_COARSE_SIGMA_M = 13.0
_PROBABILITY_FLOOR = 1e-7
LAUNCH_BELOW_M = 3_500.0  # first heard above this, and no plan: the ground has not been seen
UNSEEN_GROUND_M = 600.0  # stands for it then; common practice, no source
_TIMING_SIGMA_S = 0.5  # between a tracker's fix and the second that it prints
_NOISE_GAIN = 0.1
_NOISE_MOST = 60.0


class FilterState(NamedTuple):
    """All that the next step needs."""

    time_s: float
    motions: tuple[Motion, Motion, Motion, Motion]
    probabilities: tuple[float, float, float, float]
    trackers: Mapping[str, TrackerMemory]
    lowest_m: float  # lowest ground that is known or was seen
    last_accepted_s: float
    accepted: int

    def mixed(self) -> Motion:
        """One Gaussian for all modes."""
        return _mixed(self.motions, self.probabilities)


class Step(NamedTuple):
    state: FilterState
    verdict: Verdict
    descending_accepts: bool  # the descent mode took the fix, whatever the verdict


def begin(
    fix: Fix,
    x_m: float,
    y_m: float,
    constants: MotionConstants,
    trackers: Mapping[str, TrackerMemory],
) -> FilterState:
    """A state from one fix, all modes open."""
    var_h, var_v = fix.sigma_h_m**2, fix.sigma_v_m**2 + fix.sigma_datum_m**2
    altitude_m, ground_m = fix.altitude_m, constants.ground_altitude_m
    if altitude_m is None:
        altitude_m = ground_m if ground_m is not None else 5_000.0
        var_v = 500.0**2 if ground_m is not None else 5_000.0**2
    at = Motion(
        Axis(x_m, 0.0, var_h, 0.0, 0.0), Axis(y_m, 0.0, var_h, 0.0, 0.0),
        Axis(altitude_m, 0.0, var_v, 0.0, 0.0),
    )  # fmt: skip
    probabilities = (0.45, 0.35, 0.02, 0.18)
    if ground_m is not None and altitude_m > ground_m + 1_000.0:
        probabilities = (0.001, 0.6, 0.04, 0.359)
    motions = tuple(start(mode, at, constants) for mode in range(4))
    return FilterState(
        time_s=fix.time_s,
        motions=(motions[0], motions[1], motions[2], motions[3]),
        probabilities=probabilities,
        trackers={**trackers, fix.tracker: remember(trackers.get(fix.tracker), fix)},
        lowest_m=_first_ground_m(altitude_m, ground_m),
        last_accepted_s=fix.time_s,
        accepted=1,
    )


def _first_ground_m(altitude_m: float, planned_m: float | None) -> float:
    if planned_m is not None:
        return min(altitude_m, planned_m)
    return altitude_m if altitude_m < LAUNCH_BELOW_M else UNSEEN_GROUND_M


def predict(state: FilterState, time_s: float, constants: MotionConstants) -> FilterState:
    """The state at `time_s`, with no new evidence. Not before the state's own time."""
    dt_s = time_s - state.time_s
    if dt_s <= 0.0:
        return state
    arrivals: list[list[tuple[float, Motion]]] = [[], [], [], []]
    for i in range(4):
        share = state.probabilities[i]
        staying = 1.0
        for j, wait_s in EXITS[i]:
            p = 1.0 - math.exp(-dt_s / wait_s)
            if j == GROUND:
                p *= _near_ground(state.motions[i].z, state.lowest_m, dt_s, constants)
            staying -= p
            arrivals[j].append((share * p, move(i, j, state.motions[i], dt_s, constants)))
        arrivals[i].append(
            (share * max(staying, 0.01), move(i, i, state.motions[i], dt_s, constants))
        )
    motions, probabilities = [], []
    for pairs in arrivals:
        total = sum(p for p, _ in pairs)
        kept = [(p / total, motion) for p, motion in pairs if p > 1e-4 * total]
        norm = sum(p for p, _ in kept)
        motions.append(_mixed([m for _, m in kept], [p / norm for p, _ in kept]))
        probabilities.append(max(total, _PROBABILITY_FLOOR))
    norm = sum(probabilities)
    return state._replace(
        time_s=time_s,
        motions=(motions[0], motions[1], motions[2], motions[3]),
        probabilities=_four([p / norm for p in probabilities]),
    )


def step(state: FilterState, fix: Fix, x_m: float, y_m: float, constants: MotionConstants) -> Step:
    """Take in one fix, at or after the state's time."""
    known = state.trackers.get(fix.tracker)
    memory = remember(known, fix)
    state = predict(state, fix.time_s, constants)
    mixed = state.mixed()
    height_m = mixed.z.position - state.lowest_m
    airborne = 1.0 - state.probabilities[GROUND]
    stuck_high = height_m > _STUCK_HEIGHT_M and airborne > 0.5
    if stuck_high and memory.position_repeats > 0:
        return _refuse(state, fix, memory, "position unchanged to the last digit while it moves")
    altitude_m = fix.altitude_m
    coarse = fix.sigma_v_m > _COARSE_SIGMA_M
    most = _STUCK_COARSE_REPEATS if coarse else _STUCK_ALTITUDE_REPEATS
    held = stuck_high and memory.altitude_repeats >= most
    if held:
        altitude_m = None

    motions, weights = [], []
    outlier_h, outlier_v = [False] * 4, [False] * 4
    var_h, var_v = _variances(fix, memory, mixed)
    for mode in range(4):
        motion, log_density = state.motions[mode], 0.0
        ix, iy = innovation(motion.x, x_m, var_h), innovation(motion.y, y_m, var_h)
        if ix.normalised_squared + iy.normalised_squared > _GATE_H:
            outlier_h[mode] = outlier_v[mode] = True
            log_density = _OUTLIER_LOG_DENSITY_H + _OUTLIER_LOG_DENSITY_V * (altitude_m is not None)
        else:
            log_density = max(ix.log_density + iy.log_density, _OUTLIER_LOG_DENSITY_H)
            z = motion.z
            if altitude_m is not None:
                iz = innovation(z, altitude_m - memory.offset_m, var_v)
                if iz.normalised_squared > _GATE_V:
                    outlier_v[mode] = True
                    log_density += _OUTLIER_LOG_DENSITY_V
                    z = kalman.doubt(z, _DOUBT)
                else:
                    z = kalman.update(z, altitude_m - memory.offset_m, var_v)
                    log_density += iz.log_density + math.log(sign_probability(mode, z))
            motion = Motion(
                kalman.update(motion.x, x_m, var_h), kalman.update(motion.y, y_m, var_h), z
            )
        motions.append(motion)
        weights.append(math.log(state.probabilities[mode]) + log_density)
    top = max(weights)
    shares = [math.exp(w - top) for w in weights]
    norm = sum(shares)
    probabilities = _four([max(s / norm, _PROBABILITY_FLOOR) for s in shares])
    refused_h = sum(p for p, out in zip(probabilities, outlier_h, strict=True) if out)
    refused_v = sum(p for p, out in zip(probabilities, outlier_v, strict=True) if out)

    state = state._replace(
        motions=(motions[0], motions[1], motions[2], motions[3]), probabilities=probabilities
    )
    memory = _learn_noise(memory, fix, mixed, x_m, y_m)
    descending_accepts = not outlier_h[DESCENT] and not outlier_v[DESCENT]
    if refused_h > 0.5:
        reason = _where(mixed, x_m, y_m)
        return _refuse(state, fix, memory, reason)._replace(descending_accepts=descending_accepts)
    verdict, posterior = ACCEPTED, state.mixed()
    if altitude_m is None:
        verdict = ACCEPTED_WITHOUT_ALTITUDE
        if held:
            verdict = Verdict(True, False, "altitude unchanged to the last digit while it moves")
    elif refused_v > 0.5:
        error_m = altitude_m - memory.offset_m - mixed.z.position
        verdict = Verdict(
            True, False, f"altitude {_distance(abs(error_m))} {_side(error_m)} the track"
        )
    else:
        memory = _learn_offset(memory, altitude_m, posterior.z, fix.sigma_v_m**2)
    on_ground = state.probabilities[GROUND] > 0.9 and verdict.altitude_used
    return Step(
        state._replace(
            trackers={**state.trackers, fix.tracker: memory._replace(rejected_in_row=0)},
            last_accepted_s=fix.time_s,
            accepted=state.accepted + 1,
            lowest_m=min(state.lowest_m, posterior.z.position) if on_ground else state.lowest_m,
        ),
        verdict,
        descending_accepts,
    )


def _refuse(state: FilterState, fix: Fix, memory: TrackerMemory, reason: str) -> Step:
    memory = memory._replace(rejected_in_row=memory.rejected_in_row + 1)
    trackers = {**state.trackers, fix.tracker: memory}
    return Step(state._replace(trackers=trackers), Verdict(False, False, reason), False)


def _variances(fix: Fix, memory: TrackerMemory, mixed: Motion) -> tuple[float, float]:
    """Of a fix's position on each horizontal axis, and of its altitude."""
    speed_squared = mixed.x.velocity**2 + mixed.y.velocity**2
    timing = _TIMING_SIGMA_S**2 * (1.0 if fix.own_time else 16.0)
    var_h = (fix.sigma_h_m**2 + timing * speed_squared) * memory.noise
    return var_h, fix.sigma_v_m**2 + timing * mixed.z.velocity**2 + memory.var_offset


def _learn_noise(
    memory: TrackerMemory, fix: Fix, mixed: Motion, x_m: float, y_m: float
) -> TrackerMemory:
    """Positions that scatter more than they state are believed less."""
    stated = fix.sigma_h_m**2
    squared = ((x_m - mixed.x.position) ** 2 + (y_m - mixed.y.position) ** 2) / 2
    expected = (mixed.x.var_position + mixed.y.var_position) / 2
    seen = min(max((squared - expected) / stated, 0.0), _NOISE_MOST)
    return memory._replace(noise=max(memory.noise + _NOISE_GAIN * (seen - memory.noise), 1.0))


def _learn_offset(
    memory: TrackerMemory, altitude_m: float, z: Axis, variance: float
) -> TrackerMemory:
    residual = altitude_m - memory.offset_m - z.position
    gain = memory.var_offset / (memory.var_offset + variance + z.var_position)
    return memory._replace(
        offset_m=memory.offset_m + gain * residual,
        var_offset=(1.0 - gain) * memory.var_offset,
    )


def _near_ground(z: Axis, lowest_m: float, dt_s: float, constants: MotionConstants) -> float:
    """1 where a landing within `dt_s` is possible, falling off above the ceiling."""
    above_m = z.position + min(z.velocity, 0.0) * dt_s - lowest_m
    excess_m = above_m - constants.landing_ceiling_m
    return 1.0 if excess_m <= 0.0 else math.exp(-excess_m / 100.0) + 1e-9


def _mixed(
    motions: list[Motion] | tuple[Motion, ...], weights: list[float] | tuple[float, ...]
) -> Motion:
    return Motion(
        mix([m.x for m in motions], weights),
        mix([m.y for m in motions], weights),
        mix([m.z for m in motions], weights),
    )


def _four(values: list[float]) -> tuple[float, float, float, float]:
    return values[0], values[1], values[2], values[3]


def _where(mixed: Motion, x_m: float, y_m: float) -> str:
    away_m = math.hypot(x_m - mixed.x.position, y_m - mixed.y.position)
    return f"{_distance(away_m)} from where the track is"


def _distance(metres: float) -> str:
    return f"{metres / 1000:,.1f} km" if metres >= 1_000 else f"{metres:.0f} m"


def _side(error_m: float) -> str:
    return "above" if error_m > 0 else "below"
