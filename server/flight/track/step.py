"""One step of the estimate: a state and a fix give the next state and a verdict. No memory beside.

The state is moved to the moment of the fix; then, in this order:

- screen: a tracker that never flew, one of which two transmit, or a position that is frozen, says
  nothing of the payload;
- calibrate: what the fix measures and how surely, by what was learned of its tracker;
- update: each mode meets it. A mode that cannot explain it counts it as an outlier and stays unmoved,
  at the price of the outlier density; position and altitude are judged apart;
- verdict: it is rejected when the modes that had to call it an outlier are the probable ones;
- learn: scatter, offset and pressure of its tracker, and how much the wind of this flight changes.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from server.flight.track.constants import MotionConstants
from server.flight.track.filter import FilterState, floors, predict
from server.flight.track.fixes import ACCEPTED, ACCEPTED_WITHOUT_ALTITUDE, Fix, Verdict
from server.flight.track.kalman import Axis, make
from server.flight.track.measurement import Measured, Updated, measurement_update
from server.flight.track.modes import ASCENT, GROUND, Motion
from server.flight.track.recent import Point
from server.flight.track.trackers import (
    TrackerMemory,
    by_pressure,
    is_frozen,
    is_stuck,
    learn_offset,
    learn_pressure,
    learn_process_scale,
    learn_scatter,
    never_flew,
    others,
    remember,
    two_transmit,
    variances,
)
from server.flight.track.winds_met import climbed
from server.flight.tracker_state import Rejection, RejectionKind

_STUCK_HEIGHT_M = 1_000.0  # above this over the ground an exact repeat is a frozen receiver
_DENIED_BEYOND, _BARO_WITHIN = 10.0, 6.0  # normalised squares
_RESTS = 0.9  # probability of the mode: the ground is where it is
_CLIMBS = 0.9  # likewise: the wind that it meets is kept

Barometer = tuple[float, float] | None  # altitude and its variance by the tracker's own pressure


class Step(NamedTuple):
    state: FilterState
    verdict: Verdict
    descending_accepts: bool  # the descent mode took the fix, whatever the verdict
    tells_height: bool  # an altitude was measured, by the fix or by its barometer


class Reading(NamedTuple):
    """A fix as it is to be believed: metres in the flight's frame, variances in m²."""

    fix: Fix
    measured: Measured
    own_m: float | None  # its altitude without its offset; None where it has none or is held back
    barometer: Barometer
    held: RejectionKind | None  # why its altitude is held back


def step(
    state: FilterState,
    fix: Fix,
    x_m: float,
    y_m: float,
    constants: MotionConstants,
    doubled: frozenset[str] = frozenset(),
) -> Step:
    """Take in one fix, at or after the state's time. `doubled`: trackers whose callsign two transmit."""
    before = predict(state, fix.time_s, constants)
    predicted = before.mixture
    memory, unfit = _screen(before, predicted, fix, doubled)
    if unfit is not None:
        return _refused(
            _without_position(before, memory, fix, unfit, constants), fix, memory, unfit
        )
    reading = _calibrate(before, memory, predicted, fix, (x_m, y_m), constants)
    after, met = _update(before, reading.measured, constants)
    verdict, instead = _verdict(before, predicted, reading, met)
    # the scatter of its tracker, and the process scale of the wind: whatever the verdict
    measured, at_m = reading.measured, (x_m, y_m)
    scale_v = learn_scatter(memory, predicted.z, reading.own_m, measured.var_v, constants)
    process_scale = learn_process_scale(
        before.process_scale, predicted, at_m, measured.var_h, constants
    )
    if instead is not None:
        after, _ = _update(before, instead, constants)
    if verdict.reason is not None and not verdict.accepted:
        after = after._replace(process_scale=process_scale)
        refused = _refused(after, fix, memory._replace(scale_v=scale_v), verdict.reason)
        return refused._replace(descending_accepts=met.descending_accepts)
    memory = _learn_datum(memory, after.mixture.z, fix, verdict, scale_v)
    kept = _accepted(after, memory, fix, verdict, process_scale)
    return make(Step, (kept, verdict, met.descending_accepts, measured.z_m is not None))


def _screen(
    before: FilterState, predicted: Motion, fix: Fix, doubled: frozenset[str]
) -> tuple[TrackerMemory, Rejection | None]:
    """What is remembered of its tracker now, and why the position says nothing of the payload."""
    memory = remember(before.trackers.get(fix.tracker), fix)
    unfit = never_flew(memory, fix, before.trackers) or two_transmit(fix, before.trackers, doubled)
    if unfit is not None:
        return memory, unfit
    height_m = predicted.z.position - before.lowest_m
    high = height_m > _STUCK_HEIGHT_M and before.probabilities[GROUND] < 0.5
    frozen = high and is_frozen(memory, fix, _velocity(predicted))
    stuck = high and is_stuck(memory, fix, predicted.z.velocity)
    if (frozen, stuck) != (memory.position_frozen, memory.altitude_stuck):
        memory = memory._replace(position_frozen=frozen, altitude_stuck=stuck)
    if not memory.position_frozen:
        return memory, None
    apart_m = _pressure_off_m(by_pressure(memory, fix.pressure_pa), fix)
    return memory, Rejection(RejectionKind.FROZEN, pressure_off_m=apart_m)


def _without_position(
    before: FilterState,
    memory: TrackerMemory,
    fix: Fix,
    unfit: Rejection,
    constants: MotionConstants,
) -> FilterState:
    """A frozen receiver's barometer still measures."""
    barometer = by_pressure(memory, fix.pressure_pa)
    if unfit.kind != RejectionKind.FROZEN or barometer is None:
        return before
    return _update(before, Measured(None, 0.0, *barometer), constants)[0]


def _calibrate(
    before: FilterState,
    memory: TrackerMemory,
    predicted: Motion,
    fix: Fix,
    xy_m: tuple[float, float],
    constants: MotionConstants,
) -> Reading:
    """Altitude without its tracker's offset, or by its barometer where it is held back; variances."""
    var_h, var_v = variances(fix, memory, _velocity(predicted), constants)
    barometer = by_pressure(memory, fix.pressure_pa)
    own_m = None if fix.altitude_m is None else fix.altitude_m - memory.offset_m
    held = None
    if _denied_by_pressure(before, own_m, var_v, barometer):
        held = RejectionKind.AGAINST_PRESSURE
    elif memory.altitude_stuck:
        held = RejectionKind.STUCK
    if held is not None:
        own_m = None
    z_m, var_z = (own_m, var_v) if own_m is not None or barometer is None else barometer
    return Reading(fix, Measured(xy_m, var_h, z_m, var_z), own_m, barometer, held)


def _update(
    state: FilterState, measured: Measured, constants: MotionConstants
) -> tuple[FilterState, Updated]:
    inflation = constants.covariance_inflation
    met = measurement_update(
        state.motions, state.probabilities, measured, inflation, floors(state, constants)
    )
    return state.met(met.motions, met.probabilities), met


def _verdict(
    before: FilterState, predicted: Motion, reading: Reading, met: Updated
) -> tuple[Verdict, Measured | None]:
    """What becomes of the fix; and what is measured instead of it, where its altitude is off and its
    barometer knows better."""
    fix, measured, barometer = reading.fix, reading.measured, reading.barometer
    if met.refused_h > 0.5 and measured.xy_m is not None:
        x_m, y_m = measured.xy_m
        away_m = math.hypot(x_m - predicted.x.position, y_m - predicted.y.position)
        against = others(before.trackers, fix.tracker, fix.time_s)
        return Verdict(False, False, Rejection(RejectionKind.POSITION_OFF, away_m, against)), None
    if reading.held is not None:
        held_back = Rejection(reading.held, pressure_off_m=_pressure_off_m(barometer, fix))
        return Verdict(True, False, held_back), None
    if fix.altitude_m is None:
        return ACCEPTED_WITHOUT_ALTITUDE, None
    if met.refused_v <= 0.5:
        return ACCEPTED, None
    off = Rejection(
        RejectionKind.ALTITUDE_OFF,
        (measured.z_m or 0.0) - predicted.z.position,
        others(before.trackers, fix.tracker, fix.time_s),
        _pressure_off_m(barometer, fix),
    )
    instead = None if barometer is None else Measured(measured.xy_m, measured.var_h, *barometer)
    return Verdict(True, False, off), instead


def _learn_datum(
    memory: TrackerMemory, z: Axis, fix: Fix, verdict: Verdict, scale_v: float
) -> TrackerMemory:
    """An accepted fix: its tracker's scatter, and its altitude and pressure where the altitude was used;
    `z` is the track's."""
    offset_m, var_offset = memory.offset_m, memory.var_offset
    used = verdict.altitude_used and fix.altitude_m is not None
    if used:
        offset_m, var_offset = learn_offset(memory, fix.altitude_m or 0.0, z, fix.sigma_v_m**2)
    memory = memory._replace(
        offset_m=offset_m,
        var_offset=var_offset,
        scale_v=scale_v,
        accepted=memory.accepted + 1,
        accepted_s=fix.time_s,
    )
    if not used or fix.pressure_pa is None:
        return memory
    return learn_pressure(memory, fix.pressure_pa, z.position)


def _accepted(
    after: FilterState, memory: TrackerMemory, fix: Fix, verdict: Verdict, process_scale: float
) -> FilterState:
    lowest_m, winds = after.lowest_m, after.winds
    if verdict.altitude_used:
        x, y, z = after.mixture
        if after.probabilities[GROUND] > _RESTS:
            lowest_m = min(lowest_m, z.position)
        if after.probabilities[ASCENT] > _CLIMBS:
            winds = climbed(winds, Point(after.time_s, x.position, y.position, z.position))
    return after._replace(
        process_scale=process_scale,
        winds=winds,
        trackers={**after.trackers, fix.tracker: memory},
        last_accepted_s=fix.time_s,
        accepted=after.accepted + 1,
        lowest_m=lowest_m,
    )


def _refused(state: FilterState, fix: Fix, memory: TrackerMemory, reason: Rejection) -> Step:
    trackers = {**state.trackers, fix.tracker: memory}
    return Step(state._replace(trackers=trackers), Verdict(False, False, reason), False, False)


def _denied_by_pressure(
    state: FilterState, own_m: float | None, var_v: float, barometer: Barometer
) -> bool:
    """The altitude has left the likeliest course, and the tracker's own barometer has not."""
    if own_m is None or barometer is None:
        return False
    z = max(zip(state.probabilities, state.motions, strict=True))[1].z
    off = (own_m - z.position) ** 2 / (z.var_position + var_v)
    barometer_off = (barometer[0] - z.position) ** 2 / (z.var_position + barometer[1])
    return off > _DENIED_BEYOND and barometer_off < _BARO_WITHIN


def _pressure_off_m(barometer: Barometer, fix: Fix) -> float | None:
    """How much higher it is by its own barometer than it says; None where the two agree."""
    if barometer is None:
        return None
    apart_m = barometer[0] - (fix.altitude_m or barometer[0])
    if abs(apart_m) < 3.0 * math.sqrt(barometer[1]):
        return None
    return apart_m


def _velocity(motion: Motion) -> tuple[float, float, float]:
    return motion.x.velocity, motion.y.velocity, motion.z.velocity
