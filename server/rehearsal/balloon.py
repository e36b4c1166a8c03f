"""Up under a stretching balloon, down under a parachute: heights alone, in steps of one second.

Textbook: buoyancy of Archimedes, drag F = ½ ρ v² C A, an elastic balloon whose gas keeps the
pressure and temperature of the air around it, burst at the maker's diameter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from server.rehearsal.air import GRAVITY_MS2, Array, density, viscosity

HELIUM_RATIO = 4.0026 / 28.9644  # density of helium over that of air: molar masses
WANDER_M = 4_000.0  # fitted on real flights, whose constant differs by 3 to 8 % between heights
_GRID_M = 50.0
_TOP_M = 45_000.0
_SUBSTEPS = 4
_ALOFT_CLIMB_M = (8_000.0, 16_000.0)  # over which a climb's own factor sets in
FLOATING_M = 120.0  # from this far below its float altitude on, a venting balloon counts as afloat
# fall-speed constant aloft over that below 10 km, ../shared/checks.md (real flights)
_ALOFT_M = (10_000.0, 11_250.0, 13_750.0, 16_250.0, 18_750.0, 21_500.0)
_ALOFT = (1.0, 1.005, 1.01, 1.04, 1.085, 1.136)
# drag coefficient of a sphere against Reynolds number: the textbook drag crisis. Real flights climb
# 6.8 m/s at 5 km, 7.2 at 15 km and 5.3 at 23 km, which it explains (tests/bench/rehearsal)
_REYNOLDS = (1.0e5, 1.6e5, 2.5e5, 4.0e5, 6.0e5, 1.0e6, 2.0e6)
_DRAG = (0.48, 0.47, 0.36, 0.21, 0.165, 0.135, 0.14)


@dataclass(frozen=True, slots=True)
class Balloon:
    """Latex balloon with helium. Masses in kg; `free_lift_kg` is gross lift less all that hangs."""

    balloon_kg: float
    payload_kg: float  # parachute included
    free_lift_kg: float
    burst_diameter_m: float

    def launch_volume_m3(self, altitude_m: float) -> float:
        """Gas volume at the launch site, from the lift that is wanted."""
        lifted_kg = self.balloon_kg + self.payload_kg + self.free_lift_kg
        return lifted_kg / (float(density(altitude_m)) * (1 - HELIUM_RATIO))

    def burst_altitude_m(self, launch_altitude_m: float) -> float:
        """Where the gas fills the burst diameter: density there is density here times V0 / V1."""
        volume_m3 = math.pi / 6 * self.burst_diameter_m**3
        ratio = self.launch_volume_m3(launch_altitude_m) / volume_m3
        wanted = float(density(launch_altitude_m)) * ratio
        grid = np.arange(launch_altitude_m, _TOP_M + 2_000.0, 25.0)
        return float(np.interp(-np.log(wanted), -np.log(density(grid)), grid))

    def climb_ms(self, altitude_m: Array, launch_altitude_m: float) -> Array:
        """Speed at which drag and free lift are equal, with a drag that follows Reynolds number."""
        rho = density(altitude_m)
        mu = viscosity(altitude_m)
        volume = self.launch_volume_m3(launch_altitude_m) * float(density(launch_altitude_m)) / rho
        diameter = np.cbrt(6 * volume / math.pi)
        area = math.pi / 4 * diameter**2
        speed = np.full(rho.shape, 5.0)
        for _ in range(25):
            drag = drag_coefficient(rho * speed * diameter / mu)
            speed = np.sqrt(2 * self.free_lift_kg * GRAVITY_MS2 / (rho * drag * area))
        return speed


@dataclass(frozen=True, slots=True)
class Parachute:
    """What falls. `factor` multiplies the fall speed: 1 is as designed, 2 is badly tangled."""

    mass_kg: float
    diameter_m: float  # nominal
    drag_coefficient: float  # of the nominal area
    opening_s: float = 25.0  # tumbling after the burst: the drag area grows to its full size
    factor: float = 1.0
    scatter: float = 0.02  # of the fall speed about its constant, rms; GPS noise adds to it
    wander: float = (
        0.04  # of the same, over `WANDER_M` of height: rising air, a canopy that breathes
    )
    tangled_below_m: float | None = None  # the factor holds from there down; None: from the burst

    def constant(self) -> float:
        """Fall speed times the square root of the density, (m/s)(kg/m³)^½, as designed."""
        area_m2 = math.pi / 4 * self.diameter_m**2
        return math.sqrt(2 * self.mass_kg * GRAVITY_MS2 / (self.drag_coefficient * area_m2))


def drag_coefficient(reynolds: Array | float) -> Array:
    """Of the balloon, over its cross-section."""
    return np.asarray(np.interp(np.log(reynolds), np.log(_REYNOLDS), _DRAG))


def aloft_factor(altitude_m: Array | float) -> Array:
    """How much the fall-speed constant is larger aloft."""
    return np.asarray(np.interp(altitude_m, _ALOFT_M, _ALOFT))


def ascend(
    balloon: Balloon,
    launch_m: float,
    chance: np.random.Generator,
    *,
    burst_m: float,
    float_m: float | None = None,
    float_s: float = 0.0,
    gusts_ms: float = 0.35,
    climb_aloft: float = 1.0,
) -> list[float]:
    """Altitudes, one a second, from the launch (first) to the burst (last).

    The air itself rises and sinks by `gusts_ms` rms over about two minutes (waves). Where `float_m`
    is reached the balloon vents and stays for `float_s` before it bursts. Above 16 km it climbs at
    `climb_aloft` of what lift and drag give.
    """
    grid = np.arange(-500.0, _TOP_M + _GRID_M, _GRID_M)
    own = np.interp(grid, _ALOFT_CLIMB_M, (1.0, climb_aloft))
    table = (balloon.climb_ms(grid, launch_m) * own).tolist()
    steps = 30_000
    air = wandering(chance, steps, gusts_ms, 120.0).tolist()
    z = launch_m
    path = [z]
    floating = 0.0
    for i in range(steps):
        place = (z + 500.0) / _GRID_M
        index = int(place)
        speed = table[index] + (table[index + 1] - table[index]) * (place - index)
        settled = min((z - launch_m) / 300.0, 1.0)  # the ground holds the air still
        if float_m is not None:
            speed *= min(max((float_m - z) / 150.0, -0.5), 1.0)  # it sinks back from above
            if floating or z > float_m - FLOATING_M:
                floating += 1.0
        z = max(z + speed + settled * air[i], launch_m)
        path.append(z)
        if z >= burst_m or (float_m is not None and floating > float_s) or z >= _TOP_M:
            return path
    return path


def descend(
    parachute: Parachute,
    start_m: float,
    climb_ms: float,
    floor_m: float,
    chance: np.random.Generator,
) -> list[float]:
    """Altitudes, one a second after the burst, until below `floor_m`."""
    steps = 14_000
    scatter = wandering(chance, steps, parachute.scatter, 90.0).tolist()
    grid = np.arange(-500.0, _TOP_M + _GRID_M, _GRID_M)
    slow = 1.0 + wandering(chance, grid.size, parachute.wander, WANDER_M / _GRID_M)
    table = (parachute.constant() * aloft_factor(grid) / np.sqrt(density(grid)) * slow).tolist()
    z, v = start_m, climb_ms
    altitudes = []
    below = parachute.tangled_below_m
    for i in range(steps):
        opened = min(0.5 + 0.5 * (i / parachute.opening_s) ** 2, 1.0)
        factor = parachute.factor if below is None or z < below else 1.0
        factor *= (1.0 + scatter[i]) / math.sqrt(opened)
        for _ in range(_SUBSTEPS):
            place = (z + 500.0) / _GRID_M
            index = int(place)
            terminal = factor * (table[index] + (table[index + 1] - table[index]) * (place - index))
            v = _fall(v, terminal, 1.0 / _SUBSTEPS)
            z += v / _SUBSTEPS
        altitudes.append(z)
        if z < floor_m:
            break
    return altitudes


def _fall(v: float, terminal_ms: float, step_s: float) -> float:
    """Speed after `step_s` under gravity and quadratic drag, stable for any step (implicit)."""
    rate = GRAVITY_MS2 / terminal_ms**2
    # v1 = v0 - g dt - rate v1 |v1| dt; v1 falls (is negative) unless it still rises fast
    v0 = v - GRAVITY_MS2 * step_s
    a = rate * step_s
    if v0 <= 0.0:
        return -(math.sqrt(1.0 - 4.0 * a * v0) - 1.0) / (2.0 * a)
    return (math.sqrt(1.0 + 4.0 * a * v0) - 1.0) / (2.0 * a)


def wandering(chance: np.random.Generator, steps: int, rms: float, memory_s: float) -> Array:
    """A stationary random walk (first order) in steps of one second."""
    keep = math.exp(-1.0 / memory_s)
    shocks = chance.standard_normal(steps) * rms * math.sqrt(1 - keep**2)
    shocks[0] = chance.standard_normal() * rms
    path = shocks.tolist()
    for i in range(1, steps):
        path[i] += keep * path[i - 1]
    return np.array(path)
