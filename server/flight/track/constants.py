"""What the filter takes for granted. How each was found, and what it is worth: the room's README."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class MotionConstants:
    """Standard deviations are 1 sigma."""

    # of the plan
    ascent_rate_ms: float = 5.0
    ascent_rate_sigma_ms: float = 1.5
    burst_from_m: float = 25_000.0  # from here up a burst is due: its altitude less 2.5 sigma
    ground_altitude_m: float | None = None  # where the launch site is

    # fall speed x sqrt(density), (m/s)(kg/m³)^½
    fall_constant: float = 5.07
    first_fall_factor: float = 1.6  # at the first step after a burst: the parachute is not open yet
    fall_relative_sigma: float = 0.5  # of that

    # white acceleration of the wind seen, m²/s³, while climbing slowly
    wind_psd: float = 0.03
    wind_psd_per_ms: float = 0.016  # the same for each m/s of vertical speed: shear flown through
    gust_ms: float = 1.0  # 1 sigma of what blows between two fixes alone
    met_change: float = 0.9  # of the change of the wind between two heights, as met on the way up
    met_psd_share: float = 0.3  # of the wind's process noise, where it was met before

    climb_psd: float = 0.008
    fall_psd_share: float = 0.0001  # 1/s: of the square of the fall speed
    landing_ceiling_m: float = 1_500.0  # above the lowest known ground, no landing is thought of

    timing_sigma_s: float = 0.3  # between a tracker's fix and the second that it prints
    untimed_sigma_s: float = 2.0

    # of one fix, when a scale of variance is learned from its square
    process_gain: float = 0.16
    process_least: float = 0.8
    scatter_gain: float = 0.16
    covariance_inflation: float = 4.0  # of a mode, by a fix that it refuses
