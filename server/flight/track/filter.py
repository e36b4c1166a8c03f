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

from server.flight.state import Rejection, RejectionKind
from server.flight.track.fixes import ACCEPTED, ACCEPTED_WITHOUT_ALTITUDE, Fix, Verdict
from server.flight.track.kalman import Axis, mix
from server.flight.track.measurement import (
    PROBABILITY_FLOOR,
    Measured,
    Motions,
    Probabilities,
    Updated,
    measurement_update,
)
from server.flight.track.modes import (
    DESCENT,
    GROUND,
    TRANSITIONS,
    Motion,
    MotionConstants,
    mean_sojourn_s,
    move,
    start,
)
from server.flight.track.trackers import (
    TrackerMemory,
    by_pressure,
    is_frozen,
    is_stuck,
    learn_offset,
    learn_pressure,
    learn_process_scale,
    learn_variance_scales,
    never_flew,
    others,
    remember,
    variances,
)

_STUCK_HEIGHT_M = 1_000.0  # above this over the ground an exact repeat is a frozen receiver
_DENIED_BEYOND, _BARO_WITHIN = 10.0, 6.0  # normalised squares
_WANDER_H_M = 1.0
_WANDER_V_M = 5.5
_NEGLIGIBLE = 1e-3  # of probability: what is left out when motions are mixed
LAUNCH_BELOW_M = 3_500.0  # first heard above this, and no plan: the ground has not been seen
UNSEEN_GROUND_M = 600.0  # stands for it then; common practice, no source


class FilterState(NamedTuple):
    """All that the next step needs."""

    time_s: float
    motions: Motions
    probabilities: Probabilities
    trackers: Mapping[str, TrackerMemory]
    lowest_m: float  # lowest ground that is known or was seen
    last_accepted_s: float
    accepted: int
    process_scale: float  # how much more than usual the wind changes, learned

    def mixed(self) -> Motion:
        """One Gaussian for all modes that are not negligible: a mode left far behind has its floor
        of probability, and would widen the whole by its distance."""
        likely = [i for i in range(4) if self.probabilities[i] > _NEGLIGIBLE]
        norm = sum(self.probabilities[i] for i in likely)
        return _mixed(
            [self.motions[i] for i in likely], [self.probabilities[i] / norm for i in likely]
        )

    def stated(self) -> Motion:
        """The same with the errors that no filter averages away: datum, and receivers that wander."""
        x, y, z = self.mixed()
        return Motion(
            x._replace(var_position=x.var_position + _WANDER_H_M**2),
            y._replace(var_position=y.var_position + _WANDER_H_M**2),
            z._replace(var_position=z.var_position + _WANDER_V_M**2),
        )


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
        Axis(x_m, 0.0, var_h, 0.0, 0.0),
        Axis(y_m, 0.0, var_h, 0.0, 0.0),
        Axis(altitude_m, 0.0, var_v, 0.0, 0.0),
    )
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
        process_scale=1.0,
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
    down_s = _down_by_s(state.motions[DESCENT].z, state.lowest_m)
    arrivals: list[list[tuple[float, int, float]]] = [[], [], [], []]  # weight, from, seconds moved
    for i in range(4):
        share, staying = state.probabilities[i], 1.0
        for j, usual_s in TRANSITIONS[i]:
            wait_s = mean_sojourn_s(i, j, usual_s, state.motions[i].z.position, constants)
            p, moved_s = 1.0 - math.exp(-dt_s / wait_s), dt_s
            if j == GROUND:
                p *= _near_ground(state.motions[i].z, state.lowest_m, dt_s, constants)
                if dt_s > down_s:  # it must have come down meanwhile, wherever nobody heard it
                    p, moved_s = 0.99, down_s
            staying -= p
            arrivals[j].append((share * p, i, moved_s))
        arrivals[i].append((share * max(staying, 0.01), i, dt_s))
    # far above all known ground nothing rests: one odd position must not make it seem so
    rests = _near_ground(state.motions[GROUND].z, state.lowest_m, 0.0, constants)
    arrivals[GROUND] = [(weight * rests, i, s) for weight, i, s in arrivals[GROUND]]
    motions, probabilities = [], []
    for j, pairs in enumerate(arrivals):
        total = sum(weight for weight, _, _ in pairs)
        kept = [pair for pair in pairs if pair[0] > _NEGLIGIBLE * total]
        norm = sum(weight for weight, _, _ in kept)
        moved = [
            move(i, j, state.motions[i], moved_s, constants, state.process_scale)
            for _, i, moved_s in kept
        ]
        motions.append(_mixed(moved, [weight / norm for weight, _, _ in kept]))
        probabilities.append(max(total, PROBABILITY_FLOOR * (rests if j == GROUND else 1.0)))
    norm = sum(probabilities)
    return state._replace(
        time_s=time_s,
        motions=(motions[0], motions[1], motions[2], motions[3]),
        probabilities=_four([p / norm for p in probabilities]),
    )


def step(state: FilterState, fix: Fix, x_m: float, y_m: float, constants: MotionConstants) -> Step:
    """Take in one fix, at or after the state's time."""
    memory = remember(state.trackers.get(fix.tracker), fix)
    reason = never_flew(memory, fix, state.trackers)
    state = predict(state, fix.time_s, constants)
    if reason is not None:
        return _refuse(state, fix, memory, reason)
    mixed = state.mixed()
    height_m = mixed.z.position - state.lowest_m
    high = height_m > _STUCK_HEIGHT_M and state.probabilities[GROUND] < 0.5
    barometer = by_pressure(memory, fix.pressure_pa)
    velocity = (mixed.x.velocity, mixed.y.velocity, mixed.z.velocity)
    var_h, var_v = variances(fix, memory, velocity)
    memory = memory._replace(
        position_frozen=high and is_frozen(memory, fix, velocity),
        altitude_stuck=high and is_stuck(memory, fix, mixed.z.velocity),
    )
    if memory.position_frozen:
        if barometer is not None:
            state = _measurement_update(state, Measured(None, 0.0, *barometer))[0]
        frozen = Rejection(RejectionKind.FROZEN, pressure_off_m=_pressure_off_m(barometer, fix))
        return _refuse(state, fix, memory, frozen)
    own_m = None if fix.altitude_m is None else fix.altitude_m - memory.offset_m
    denied = _denied_by_pressure(state, own_m, var_v, barometer)
    held = denied or memory.altitude_stuck
    own_m = None if held else own_m
    altitude_m = own_m
    if own_m is None and barometer is not None:
        altitude_m, var_v = barometer
    before = state
    state, met = _measurement_update(before, Measured((x_m, y_m), var_h, altitude_m, var_v))
    memory = learn_variance_scales(memory, mixed, (x_m, y_m), own_m, var_h, var_v)
    process_scale = learn_process_scale(state.process_scale, mixed, (x_m, y_m), var_h)
    state = state._replace(process_scale=process_scale)
    if met.refused_h > 0.5:
        away_m = math.hypot(x_m - mixed.x.position, y_m - mixed.y.position)
        against = others(state.trackers, fix.tracker, fix.time_s)
        off = Rejection(RejectionKind.POSITION_OFF, away_m, against)
        refused = _refuse(state, fix, memory, off)
        return refused._replace(descending_accepts=met.descending_accepts)
    verdict = ACCEPTED
    if held:
        kind = RejectionKind.AGAINST_PRESSURE if denied else RejectionKind.STUCK
        held_back = Rejection(kind, pressure_off_m=_pressure_off_m(barometer, fix))
        verdict = Verdict(True, False, held_back)
    elif fix.altitude_m is None:
        verdict = ACCEPTED_WITHOUT_ALTITUDE
    elif met.refused_v > 0.5:
        error_m = (altitude_m or 0.0) - mixed.z.position
        against = others(state.trackers, fix.tracker, fix.time_s)
        pressure_off_m = _pressure_off_m(barometer, fix)
        off = Rejection(RejectionKind.ALTITUDE_OFF, error_m, against, pressure_off_m)
        verdict = Verdict(True, False, off)
        if barometer is not None:
            state, _ = _measurement_update(before, Measured((x_m, y_m), var_h, *barometer))
    posterior = state.mixed()
    if verdict.altitude_used and fix.altitude_m is not None:
        memory = learn_offset(memory, fix.altitude_m, posterior.z, fix.sigma_v_m**2)
        if fix.pressure_pa is not None:
            memory = learn_pressure(memory, fix.pressure_pa, posterior.z.position)
    memory = memory._replace(accepted=memory.accepted + 1, accepted_s=fix.time_s)
    resting = state.probabilities[GROUND] > 0.9 and verdict.altitude_used
    return Step(
        state._replace(
            trackers={**state.trackers, fix.tracker: memory},
            last_accepted_s=fix.time_s,
            accepted=state.accepted + 1,
            lowest_m=min(state.lowest_m, posterior.z.position) if resting else state.lowest_m,
        ),
        verdict,
        met.descending_accepts,
    )


def _denied_by_pressure(
    state: FilterState, own_m: float | None, var_v: float, barometer: tuple[float, float] | None
) -> bool:
    """The altitude has left the likeliest course, and the tracker's own barometer has not."""
    if own_m is None or barometer is None:
        return False
    z = max(zip(state.probabilities, state.motions, strict=True))[1].z
    off = (own_m - z.position) ** 2 / (z.var_position + var_v)
    barometer_off = (barometer[0] - z.position) ** 2 / (z.var_position + barometer[1])
    return off > _DENIED_BEYOND and barometer_off < _BARO_WITHIN


def _measurement_update(state: FilterState, measured: Measured) -> tuple[FilterState, Updated]:
    met = measurement_update(state.motions, state.probabilities, measured)
    return state._replace(motions=met.motions, probabilities=met.probabilities), met


def _refuse(state: FilterState, fix: Fix, memory: TrackerMemory, reason: Rejection) -> Step:
    trackers = {**state.trackers, fix.tracker: memory}
    return Step(state._replace(trackers=trackers), Verdict(False, False, reason), False)


def _pressure_off_m(barometer: tuple[float, float] | None, fix: Fix) -> float | None:
    """How much higher it is by its own barometer than it says; None where the two agree."""
    if barometer is None:
        return None
    apart_m = barometer[0] - (fix.altitude_m or barometer[0])
    if abs(apart_m) < 3.0 * math.sqrt(barometer[1]):
        return None
    return apart_m


def _down_by_s(z: Axis, lowest_m: float) -> float:
    """Seconds after which a fall has surely ended: it slows down, hence more than height by speed."""
    height_m = max(z.position - lowest_m, 0.0)
    return 120.0 + 2.0 * height_m / max(-z.velocity, 2.0)


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
