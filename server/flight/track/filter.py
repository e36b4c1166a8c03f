"""The state of the estimate: how it begins, and where it is later without new evidence.

Four modes run side by side (generalised pseudo-Bayes of the second order, Bar-Shalom, Li and
Kirubarajan 2001, ch. 11.6): each legal pair of modes is moved on its own, pairs that end in one mode
are mixed, then each mode meets the fix (`step.py`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

from server.flight.track.constants import MotionConstants
from server.flight.track.fixes import Fix
from server.flight.track.kalman import Axis, make, mix, mix_two
from server.flight.track.measurement import Motions, Probabilities
from server.flight.track.modes import (
    ASCENT,
    DESCENT,
    FLOAT,
    GROUND,
    NO_WINDS,
    Motion,
    move,
    start,
    transitions,
)
from server.flight.track.trackers import TrackerMemory, remember
from server.flight.track.winds_met import WindsMet

_WANDER_H_M = 1.0
_WANDER_V_M = 5.5
_FLOOR = 1e-7  # of a mode's probability
_STAYS = 0.01  # the least chance that a mode goes on
_NOWHERE, _MOVES_MS = 1e-8, 2.0  # see `_rests`; our choice
_NEGLIGIBLE = 1e-3  # of probability: what is left out when motions are mixed
LAUNCH_BELOW_M = 3_500.0  # first heard above this, and no plan: the ground has not been seen
UNSEEN_GROUND_M = 600.0  # stands for it then; common practice, no source


Pair = tuple[float, int, float]


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
    winds: WindsMet  # on the way up
    mixture: Motion  # of the modes as they are: see `mixture_of`

    def met(self, motions: Motions, probabilities: Probabilities) -> FilterState:
        """The same with other modes."""
        return make(
            FilterState,
            (
                self.time_s,
                motions,
                probabilities,
                *self[3:9],
                mixture_of(motions, probabilities),
            ),
        )

    def stated(self) -> Motion:
        """The mixture with the errors that no filter averages away: datum, and receivers that wander."""
        x, y, z = self.mixture
        return Motion(
            x._replace(var_position=x.var_position + _WANDER_H_M**2),
            y._replace(var_position=y.var_position + _WANDER_H_M**2),
            z._replace(var_position=z.var_position + _WANDER_V_M**2),
        )

    def stated_sigma_h_m(self) -> float:
        """Of its place, the root mean square of both axes."""
        x, y, _ = self.mixture
        wander = _WANDER_H_M**2
        return math.sqrt(((x.var_position + wander) + (y.var_position + wander)) / 2)


def mixture_of(motions: Motions, probabilities: Probabilities) -> Motion:
    """One Gaussian for all modes that are not negligible: a mode left far behind has its floor of
    probability, and would widen the whole by its distance."""
    likely = [i for i in range(4) if probabilities[i] > _NEGLIGIBLE]
    if len(likely) == 1:
        return motions[likely[0]]
    norm = sum([probabilities[i] for i in likely])
    return _mixed([motions[i] for i in likely], [probabilities[i] / norm for i in likely])


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
    a, b, c, d = (start(mode, at, constants) for mode in range(4))
    return FilterState(
        time_s=fix.time_s,
        motions=(a, b, c, d),
        probabilities=probabilities,
        trackers={**trackers, fix.tracker: remember(trackers.get(fix.tracker), fix)},
        lowest_m=_first_ground_m(altitude_m, ground_m),
        last_accepted_s=fix.time_s,
        accepted=1,
        process_scale=1.0,
        winds=NO_WINDS,
        mixture=mixture_of((a, b, c, d), probabilities),
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
    motions, scale, winds = state.motions, state.process_scale, state.winds
    rests = _rests(state, constants)
    least_likely = _FLOOR * rests, _FLOOR, _FLOOR, _FLOOR
    after: list[Motion] = []
    totals = []
    for j, pairs in enumerate(_pairs(state, dt_s, rests, constants)):
        if j == GROUND and rests == 0.0:
            after.append(motions[GROUND])
            totals.append(0.0)
            continue
        total = 0.0
        for weight, _, _ in pairs:
            total += weight
        least, norm = _NEGLIGIBLE * total, 0.0
        moved, weights = [], []
        for weight, i, moved_s in pairs:
            if weight > least:
                moved.append(move(i, j, motions[i], moved_s, constants, scale, winds))
                weights.append(weight)
                norm += weight
        one = len(moved) == 1
        after.append(moved[0] if one else _mixed(moved, [weight / norm for weight in weights]))
        totals.append(max(total, least_likely[j]))
    norm = sum(totals)
    four = (after[0], after[1], after[2], after[3])
    shares = (totals[0] / norm, totals[1] / norm, totals[2] / norm, totals[3] / norm)
    return make(FilterState, (time_s, four, shares, *state[3:9], mixture_of(four, shares)))


def _pairs(
    state: FilterState, dt_s: float, rests: float, constants: MotionConstants
) -> tuple[tuple[Pair, ...], ...]:
    """For each mode, from which it may have come: weight, from, and for how many seconds that moved."""
    ground, ascent, floating, descent = state.probabilities
    falling = state.motions[DESCENT].z
    is_due = state.motions[ASCENT].z.position > constants.burst_from_m
    lift_off, burst, level_off, fall, climb_on, lands, hang = transitions(dt_s, is_due)
    land = lands * _near_ground(falling, state.lowest_m, dt_s, constants)
    land_s, down_s = dt_s, _down_by_s(falling, state.lowest_m)
    if dt_s > down_s:  # it must have come down meanwhile, wherever nobody heard it
        land, land_s = 0.99, down_s
    return (
        (
            (ground * max(1.0 - lift_off, _STAYS) * rests, GROUND, dt_s),
            (descent * land * rests, DESCENT, land_s),
        ),
        (
            (ground * lift_off, GROUND, dt_s),
            (ascent * max(1.0 - burst - level_off, _STAYS), ASCENT, dt_s),
            (floating * climb_on, FLOAT, dt_s),
        ),
        (
            (ascent * level_off, ASCENT, dt_s),
            (floating * max(1.0 - fall - climb_on, _STAYS), FLOAT, dt_s),
            (descent * hang, DESCENT, dt_s),
        ),
        (
            (ascent * burst, ASCENT, dt_s),
            (floating * fall, FLOAT, dt_s),
            (descent * max(1.0 - land - hang, _STAYS), DESCENT, dt_s),
        ),
    )


def floors(state: FilterState, constants: MotionConstants) -> Probabilities:
    """The least that each mode is thought of, whatever is measured."""
    return _FLOOR * _rests(state, constants), _FLOOR, _FLOOR, _FLOOR


def _rests(state: FilterState, constants: MotionConstants) -> float:
    """Far above all known ground nothing rests: one odd position must not make it seem so. 0 where it rises
    or falls besides: GROUND is no mode then, and stays as it was."""
    z = state.mixture.z
    rests = _near_ground(z, state.lowest_m, 0.0, constants)
    return 0.0 if rests < _NOWHERE and abs(z.velocity) > _MOVES_MS else rests


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
    if len(motions) == 1:
        return motions[0]
    if len(motions) == 2:
        (ax, ay, az), (bx, by, bz) = motions
        a, b = weights
        return make(Motion, (mix_two(ax, a, bx, b), mix_two(ay, a, by, b), mix_two(az, a, bz, b)))
    x, y, z = zip(*motions, strict=True)
    return Motion(mix(x, weights), mix(y, weights), mix(z, weights))
