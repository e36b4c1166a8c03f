"""What the filter remembers of each tracker, what it learns of it, and when it is suspicious.

Learned: how much its altitudes scatter, their constant offset, and how its pressure
sensor reads against them. Suspicious: a receiver that repeats itself while the payload moves, a tracker
that never flew (left at the launch site, or riding in a car) while another one does, and one whose callsign
two transmitters use.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

from server.flight.physics.atmosphere import pressure_altitude_m
from server.flight.track.constants import MotionConstants
from server.flight.track.fixes import Fix
from server.flight.track.kalman import Axis
from server.flight.track.modes import Motion
from server.flight.tracker_state import Rejection, RejectionKind

_NOISE_SEEN_MOST = 25.0  # of one fix, so that an outlier does not spoil what was learned
_NOISE_UNLEARNED = 150.0  # further off than this it is no scatter, and nothing is learned
_NOISE_LEAST, _NOISE_MOST = 0.4, 4.0
_PROCESS_MOST = 15.0
_MOVED_STEPS, _MOVED_H_M, _MOVED_V_M = 3.0, 25.0, 20.0  # by which it should have moved meanwhile
# while its altitude changes: real receivers in calm air repeat a place in steps of 18 m for a minute
_MOVED_FAR_STEPS, _MOVED_FAR_M = 12.0, 150.0
_FLOWN_M = 150.0
_OTHER_ABOVE_M = 150.0
_OTHER_WITHIN_S = 600.0
_OTHER_RISES = 2
_TRUSTED_FIXES = 3
_RISE_M = 10.0
_PRESSURE_GAIN = 0.2
_PRESSURE_NEEDED = 4
_PRESSURE_SIGMA_M = 60.0
_PRESSURE_DRIFT = 0.04  # of the height since it was last compared: real air against the standard


class TrackerMemory(NamedTuple):
    """All that is carried from fix to fix of one tracker."""

    position: tuple[float, float]
    altitude_m: float | None
    heard_s: float
    still_s: float  # since when its position has been the same to the last digit
    still_altitude_m: float | None  # its altitude then
    level_s: float  # since when its altitude has been the same to the last digit
    position_frozen: bool  # found so, until it changes
    altitude_stuck: bool
    first_altitude_m: float | None
    highest_m: float
    rises: int  # in a row
    offset_m: float  # its altitudes minus the track's
    var_offset: float
    scale_v: float  # variance of its altitudes over the one that they state, learned
    pressure_offset_m: float  # standard altitude of its pressure minus the track's
    pressure_at_m: float  # standard altitude when that was last compared
    pressure_compared: int
    accepted: int
    accepted_s: float

    @property
    def flown_m(self) -> float:
        """How far above its first altitude it has been."""
        return 0.0 if self.first_altitude_m is None else self.highest_m - self.first_altitude_m


def remember(memory: TrackerMemory | None, fix: Fix) -> TrackerMemory:
    """The memory of a tracker once `fix` has come."""
    position = (fix.latitude_deg, fix.longitude_deg)
    altitude_m, t = fix.altitude_m, fix.time_s
    highest_m = -math.inf if altitude_m is None else altitude_m
    if memory is None:
        return TrackerMemory(
            position=position,
            altitude_m=altitude_m,
            heard_s=t,
            still_s=t,
            still_altitude_m=altitude_m,
            level_s=t,
            position_frozen=False,
            altitude_stuck=False,
            first_altitude_m=altitude_m,
            highest_m=highest_m,
            rises=0,
            offset_m=0.0,
            var_offset=fix.sigma_datum_m**2,
            scale_v=1.0,
            pressure_offset_m=0.0,
            pressure_at_m=0.0,
            pressure_compared=0,
            accepted=0,
            accepted_s=-math.inf,
        )
    same = position == memory.position
    level = altitude_m is not None and altitude_m == memory.altitude_m
    newer = t > memory.heard_s
    first_m = memory.first_altitude_m if memory.first_altitude_m is not None else altitude_m
    rises = memory.rises
    if altitude_m is not None and memory.altitude_m is not None and newer:
        rises = rises + 1 if altitude_m > memory.altitude_m + _RISE_M else 0
    return memory._replace(
        position=position,
        altitude_m=altitude_m if altitude_m is not None else memory.altitude_m,
        heard_s=t,
        still_s=memory.still_s if same else t,
        still_altitude_m=memory.still_altitude_m if same else altitude_m,
        level_s=memory.level_s if level else t,
        position_frozen=memory.position_frozen and same,
        altitude_stuck=memory.altitude_stuck and (level or altitude_m is None),
        first_altitude_m=first_m,
        highest_m=max(memory.highest_m, highest_m),
        rises=rises,
    )


def is_frozen(memory: TrackerMemory, fix: Fix, velocity: tuple[float, float, float]) -> bool:
    """The position stays to the last digit, though it should have moved by more than chance explains.

    `velocity` of the track, m/s: towards east and north, and up.
    """
    if memory.position_frozen:
        return True
    since_s = fix.time_s - memory.still_s
    moved_m = math.hypot(velocity[0], velocity[1]) * since_s
    if fix.altitude_m is None or fix.altitude_m == memory.still_altitude_m:
        risen_m = abs(velocity[2]) * since_s
        level = fix.altitude_m is not None and risen_m > _MOVED_STEPS * fix.step_v_m + _MOVED_V_M
        return since_s > 0.0 and (level or moved_m > _MOVED_STEPS * fix.step_h_m + _MOVED_H_M)
    return moved_m > _MOVED_FAR_STEPS * fix.step_h_m + _MOVED_FAR_M


def is_stuck(memory: TrackerMemory, fix: Fix, climb_ms: float) -> bool:
    """The altitude stays to the last digit, though it should have changed by some of its steps."""
    if memory.altitude_stuck:
        return True
    risen_m = abs(climb_ms) * (fix.time_s - memory.level_s)
    return fix.altitude_m is not None and risen_m > _MOVED_STEPS * fix.step_v_m + _MOVED_V_M


def never_flew(
    memory: TrackerMemory, fix: Fix, trackers: Mapping[str, TrackerMemory]
) -> Rejection | None:
    """Why a tracker that has stayed low is not on the payload; None when it may be."""
    if memory.flown_m > _FLOWN_M or fix.altitude_m is None:
        return None
    for name in sorted(trackers):
        other = trackers[name]
        if (
            name != fix.tracker
            and other.altitude_m is not None
            and other.rises >= _OTHER_RISES
            and other.flown_m > _OTHER_ABOVE_M
            and other.altitude_m > fix.altitude_m + _OTHER_ABOVE_M
            and fix.time_s - other.heard_s < _OTHER_WITHIN_S
        ):
            above_m = other.altitude_m - fix.altitude_m
            return Rejection(RejectionKind.NEVER_FLEW, above_m, (name,))
    return None


def two_transmit(
    fix: Fix, trackers: Mapping[str, TrackerMemory], doubled: frozenset[str]
) -> Rejection | None:
    """Why a fix is not used whose callsign two transmitters use (`doubled`): one of them is elsewhere, and
    which of them, only another tracker that flies can tell. None without one."""
    if fix.tracker not in doubled:
        return None
    against = tuple(
        name
        for name, other in sorted(trackers.items())
        if name not in doubled
        and other.accepted >= _TRUSTED_FIXES
        and other.flown_m > _FLOWN_M
        and not other.position_frozen
        and fix.time_s - other.heard_s < _OTHER_WITHIN_S
    )
    return Rejection(RejectionKind.TWO_TRANSMIT, against=against) if against else None


def variances(
    fix: Fix,
    memory: TrackerMemory,
    velocity: tuple[float, float, float],
    constants: MotionConstants,
) -> tuple[float, float]:
    """Of a fix's position on each horizontal axis, and of its altitude (m²)."""
    east, north, up = velocity
    timing = (constants.timing_sigma_s if fix.own_time else constants.untimed_sigma_s) ** 2
    var_h = fix.sigma_h_m**2 + timing * (east * east + north * north)
    var_v = fix.sigma_v_m**2 * memory.scale_v + timing * up * up + memory.var_offset
    return var_h, var_v


def learn_scatter(
    memory: TrackerMemory, z: Axis, z_m: float | None, var_v: float, constants: MotionConstants
) -> float:
    """How much its altitudes scatter, against what they state and the prediction `z` leaves open.

    `z_m` is without its offset; None when it was not used.
    """
    if z_m is None:
        return memory.scale_v
    seen = (z_m - z.position) ** 2 / (z.var_position + var_v)
    return _scaled(memory.scale_v, seen, constants.scatter_gain, _NOISE_LEAST, _NOISE_MOST)


def learn_process_scale(
    process_scale: float,
    predicted: Motion,
    xy_m: tuple[float, float],
    var_h: float,
    constants: MotionConstants,
) -> float:
    """How much this flight's wind changes, where the prediction is what is uncertain: otherwise it is
    the receiver that shows, not the wind."""
    x, y, _ = predicted
    var_predicted = (x.var_position + y.var_position) / 2
    if var_predicted < var_h:
        return process_scale
    squared = ((xy_m[0] - x.position) ** 2 + (xy_m[1] - y.position) ** 2) / 2
    seen = squared / (var_predicted + var_h)
    return _scaled(
        process_scale, seen, constants.process_gain, constants.process_least, _PROCESS_MOST
    )


def _scaled(factor: float, seen: float, gain: float, least: float, most: float) -> float:
    """Move a factor of variance so that squares come to what is expected of them."""
    if seen > _NOISE_UNLEARNED:
        return factor
    return min(max(factor * (1.0 + gain * (min(seen, _NOISE_SEEN_MOST) - 1.0)), least), most)


def learn_offset(
    memory: TrackerMemory, altitude_m: float, z: Axis, variance: float
) -> tuple[float, float]:
    """The altitude was used: what it shows of this tracker's datum, an offset in metres and its variance."""
    residual = altitude_m - memory.offset_m - z.position
    gain = memory.var_offset / (memory.var_offset + variance + z.var_position)
    return memory.offset_m + gain * residual, (1.0 - gain) * memory.var_offset


def learn_pressure(memory: TrackerMemory, pressure_pa: float, z_m: float) -> TrackerMemory:
    """The altitude was used, and the pressure came with it: how the two compare."""
    standard_m = pressure_altitude_m(pressure_pa)
    offset_m = standard_m - z_m
    gain = 1.0 if memory.pressure_compared == 0 else _PRESSURE_GAIN
    return memory._replace(
        pressure_offset_m=memory.pressure_offset_m + gain * (offset_m - memory.pressure_offset_m),
        pressure_at_m=standard_m,
        pressure_compared=memory.pressure_compared + 1,
    )


def by_pressure(memory: TrackerMemory, pressure_pa: float | None) -> tuple[float, float] | None:
    """Altitude and its variance by the tracker's own barometer; None before it is known well."""
    if pressure_pa is None or memory.pressure_compared < _PRESSURE_NEEDED:
        return None
    standard_m = pressure_altitude_m(pressure_pa)
    drift_m = _PRESSURE_DRIFT * abs(standard_m - memory.pressure_at_m)
    return standard_m - memory.pressure_offset_m, _PRESSURE_SIGMA_M**2 + drift_m**2


def others(trackers: Mapping[str, TrackerMemory], name: str, time_s: float) -> tuple[str, ...]:
    """Who else the track rests on now."""
    return tuple(
        sorted(n for n, m in trackers.items() if n != name and time_s - m.accepted_s < 120.0)
    )
