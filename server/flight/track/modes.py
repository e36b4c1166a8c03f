"""How a payload moves in each mode, and how one mode gives way to another.

Modes: ground, ascent, float, descent. A step from mode i to mode j over `dt_s` has dynamics of its own:
a burst, say, happens at an unknown moment within the step, and the fall that follows is fast and
uncertain.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from server.flight.physics.atmosphere import density_scale_height_m, sqrt_density
from server.flight.track.constants import MotionConstants
from server.flight.track.kalman import Axis, make, predict
from server.flight.track.winds_met import STILL, WindsMet, drift

GROUND, ASCENT, FLOAT, DESCENT = range(4)
MODE_NAMES = ("ground", "ascent", "float", "descent")


class Motion(NamedTuple):
    """East, north (metres in the flight's frame) and up (metres above mean sea level)."""

    x: Axis
    y: Axis
    z: Axis


NO_WINDS = WindsMet()
_SHEARED_MOST_MS = 25.0
_SLOWEST_CLIMB_MS = 0.8  # slower is a float; common practice, no source
_GROUND_DRIFT_PSD = 0.02  # m²/s: a box on the ground creeps, and receivers wander
# mean times before one mode gives way to another; common practice, no source
_LIFT_OFF_WAIT_S = 1_200.0
_BURST_WAIT_S, _BURST_DUE_WAIT_S, _LEVEL_OFF_WAIT_S = 5_400.0, 900.0, 60_000.0
_FALL_WAIT_S, _CLIMB_ON_WAIT_S = 3_600.0, 10_000.0  # of a float
_LAND_WAIT_S, _HANG_WAIT_S = 900.0, 600_000.0


class Transitions(NamedTuple):
    """Probabilities that within some time one mode gives way to another."""

    lift_off: float
    burst: float
    level_off: float
    fall: float  # of a float
    climb_on: float
    land: float  # where it is near the ground
    hang: float  # of a fall


def transitions(dt_s: float, burst_is_due: bool) -> Transitions:
    """Exponential sojourns; a burst is likelier where the plan expects it."""
    exp = math.exp
    burst_s = _BURST_DUE_WAIT_S if burst_is_due else _BURST_WAIT_S
    return make(
        Transitions,
        (
            1.0 - exp(-dt_s / _LIFT_OFF_WAIT_S),
            1.0 - exp(-dt_s / burst_s),
            1.0 - exp(-dt_s / _LEVEL_OFF_WAIT_S),
            1.0 - exp(-dt_s / _FALL_WAIT_S),
            1.0 - exp(-dt_s / _CLIMB_ON_WAIT_S),
            1.0 - exp(-dt_s / _LAND_WAIT_S),
            1.0 - exp(-dt_s / _HANG_WAIT_S),
        ),
    )


def fall_speed_ms(altitude_m: float, fall_constant: float) -> float:
    """Downward speed (positive) of a drag-limited fall: constant / sqrt(density)."""
    return fall_constant / sqrt_density(altitude_m)


def start(mode: int, at: Motion, constants: MotionConstants) -> Motion:
    """The first motion of a mode when nothing but one position is known."""
    x, y, z = at
    if mode == GROUND:
        return Motion(_at_rest(x, 0.0), _at_rest(y, 0.0), _at_rest(z, 0.0))
    climb, sigma = _vertical_prior(mode, z.position, constants)
    return Motion(
        Axis(x.position, 0.0, x.var_position, 0.0, 20.0**2),
        Axis(y.position, 0.0, y.var_position, 0.0, 20.0**2),
        Axis(z.position, climb, z.var_position, 0.0, sigma * sigma),
    )


def move(
    i: int,
    j: int,
    motion: Motion,
    dt_s: float,
    constants: MotionConstants,
    process_scale: float = 1.0,
    winds: WindsMet = NO_WINDS,
) -> Motion:
    """Where a motion in mode i is `dt_s` later, if it is in mode j then.

    `process_scale`: how much more the wind of this flight changes than that of a usual one.
    """
    x, y, z = motion
    if j == GROUND:
        if i == GROUND:
            return make(Motion, (_rest(x, dt_s), _rest(y, dt_s), _rest(z, dt_s)))
        return make(Motion, (_at_rest(x, dt_s), _at_rest(y, dt_s), _at_rest(z, dt_s)))
    if i == GROUND:
        return _lift_off(motion, dt_s, constants)
    if i != j:
        after = _change(j, z, dt_s, constants)
    elif j == ASCENT:
        after = predict(z, dt_s, constants.climb_psd)
    else:
        after = _fall(z, dt_s, constants) if j == DESCENT else _hover(z, dt_s)
    # a float drifts steadily; were it told so, steady winds alone would look like a float
    climb_ms = constants.ascent_rate_ms if i == j == FLOAT else z.velocity
    # a fall that is only supposed must not be the one that explains a change of the wind
    sheared_ms = min(abs(climb_ms), _SHEARED_MOST_MS)
    psd = process_scale * (constants.wind_psd + constants.wind_psd_per_ms * sheared_ms)
    gusts = (constants.gust_ms * dt_s) ** 2
    blown = drift(winds, z.position, after.position, dt_s) if winds.layers else None
    if blown is None:
        blown = STILL
    else:
        psd *= constants.met_psd_share
    (east_m, north_m), (east_ms, north_ms) = blown
    share = constants.met_change
    x = _blown(x, dt_s, psd, gusts, share * east_m, share * east_ms)
    y = _blown(y, dt_s, psd, gusts, share * north_m, share * north_ms)
    return make(Motion, (x, y, after))


def _blown(
    axis: Axis, dt_s: float, psd: float, gusts: float, moved_m: float, faster_ms: float
) -> Axis:
    """`kalman.predict` with what a change of the wind and gusts add, longhand: some eight a fix."""
    p, v, pp, pv, vv = axis
    q = psd * dt_s
    return make(
        Axis,
        (
            p + v * dt_s + moved_m,
            v + faster_ms,
            pp + 2 * dt_s * pv + dt_s * dt_s * vv + q * dt_s * dt_s / 3 + gusts,
            pv + dt_s * vv + q * dt_s / 2,
            vv + q,
        ),
    )


def sign_probability(mode: int, z: Axis) -> float:
    """How well a vertical speed suits its mode: the share of it on the right side of a slow climb,
    or of zero for a fall."""
    if mode in (GROUND, FLOAT):
        return 1.0
    upward = z.velocity - _SLOWEST_CLIMB_MS if mode == ASCENT else -z.velocity
    return max(0.5 * math.erfc(-upward / math.sqrt(2 * z.var_velocity + 1e-9)), 1e-5)


def _rest(axis: Axis, dt_s: float) -> Axis:
    p, _, pp, _, _ = axis
    return make(Axis, (p, 0.0, pp + _GROUND_DRIFT_PSD * dt_s, 0.0, _GROUND_DRIFT_PSD))


def _at_rest(axis: Axis, dt_s: float) -> Axis:
    """Came to rest at an unknown moment of the last `dt_s`."""
    p, v, pp, _, vv = axis
    path_m = v * dt_s
    spread = path_m * path_m / 12 + vv * dt_s * dt_s / 3
    return make(Axis, (p + path_m / 2, 0.0, pp + spread, 0.0, _GROUND_DRIFT_PSD))


def _hover(z: Axis, dt_s: float) -> Axis:
    """Vertical speed that decays to nothing within a minute, and is stirred to 0.7 m/s (1 sigma)."""
    keep = math.exp(-dt_s / 60.0)
    p, v, pp, pv, vv = predict(z, dt_s, 0.0)
    stirred = 0.7**2 * (1 - keep * keep)
    moved = pp + stirred * dt_s * dt_s / 3
    return make(Axis, (p, v * keep, moved, pv * keep, vv * keep * keep + stirred))


def _lift_off(motion: Motion, dt_s: float, constants: MotionConstants) -> Motion:
    x, y, z = motion
    wind_sigma_ms = 8.0
    rise_m = constants.ascent_rate_ms * dt_s
    var_rate = constants.ascent_rate_sigma_ms**2
    horizontal = (wind_sigma_ms * dt_s) ** 2 / 3, wind_sigma_ms**2 * dt_s / 2, wind_sigma_ms**2
    return Motion(
        Axis(x.position, 0.0, x.var_position + horizontal[0], horizontal[1], horizontal[2]),
        Axis(y.position, 0.0, y.var_position + horizontal[0], horizontal[1], horizontal[2]),
        Axis(
            z.position + rise_m / 2,
            constants.ascent_rate_ms,
            z.var_position + rise_m * rise_m / 12 + var_rate * dt_s * dt_s / 3,
            var_rate * dt_s / 2,
            var_rate,
        ),
    )


def _vertical_prior(
    mode: int, altitude_m: float, constants: MotionConstants
) -> tuple[float, float]:
    if mode == ASCENT:
        return constants.ascent_rate_ms, constants.ascent_rate_sigma_ms
    if mode == FLOAT:
        return 0.0, 0.7
    speed = constants.first_fall_factor * fall_speed_ms(altitude_m, constants.fall_constant)
    return -speed, constants.fall_relative_sigma * speed


def _change(mode: int, z: Axis, dt_s: float, constants: MotionConstants) -> Axis:
    """A new vertical speed from an unknown moment of the last `dt_s` on."""
    climb, sigma = _vertical_prior(mode, z.position, constants)
    p, v, pp, pv, vv = z
    jump = climb - v
    spread = dt_s * dt_s * (jump * jump / 12 + sigma * sigma / 3 + vv / 3)
    return make(
        Axis,
        (
            p + (v + climb) * dt_s / 2,
            climb,
            pp + 2 * dt_s * max(pv, 0.0) + spread,
            sigma * sigma * dt_s / 2,
            sigma * sigma,
        ),
    )


def _fall(z: Axis, dt_s: float, constants: MotionConstants) -> Axis:
    """A fall whose speed x sqrt(density) stays, exactly so in an exponential atmosphere.

    With scale height H and u = (z - z0)/2H: exp(-u) = s = 1 - w0 t/2H, so that z = z0 - 2H ln s and
    w = w0/s; the covariance goes through the Jacobian [[1, t/s], [0, 1/s²]].
    """
    p, v, pp, pv, vv = z
    falling = min(v, -0.1)
    double_scale_m = 2 * density_scale_height_m(p + 0.5 * falling * dt_s)
    s = 1.0 - falling * dt_s / double_scale_m
    a, b = dt_s / s, 1.0 / (s * s)
    speed = falling / s
    q = constants.fall_psd_share * speed * speed * dt_s
    return make(
        Axis,
        (
            p - double_scale_m * math.log(s),
            speed,
            pp + 2 * a * pv + a * a * vv + q * dt_s * dt_s / 3,
            b * (pv + a * vv) + q * dt_s / 2,
            b * b * vv + q,
        ),
    )
