"""All that a landing prediction is computed from, taken out of the flight at one moment."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from server.flight.inputs import AvoidArea, FlightPlan
from server.flight.landing.day_bursts import SeenBurst, seen
from server.flight.landing.measured_winds import MeasuredWinds
from server.flight.landing.winds import WindSamples, samples
from server.flight.physics.geodesy import LocalFrame
from server.flight.state import Phase
from server.flight.track.checkpoint import Record
from server.flight.track.events import Event
from server.flight.track.filter import UNSEEN_GROUND_M, FilterState
from server.flight.track.fixes import Fix
from server.flight.track.modes import Motion
from server.flight.track.phase_memory import PhaseMemory
from server.flight.track.track import Track

Array = npt.NDArray[np.float64]


class Terrain(Protocol):
    """Heights of the ground in metres above mean sea level, by latitude and longitude in degrees."""

    def __call__(self, latitude_deg: float, longitude_deg: float, /) -> float | None:
        """One height; None where it is not known."""

    def heights(self, latitude_deg: Array, longitude_deg: Array, /) -> Array:
        """Heights at points of shape (n,); NaN where they are not known."""


class Forecast(Protocol):
    """Winds that somebody forecast."""

    @property
    def run_s(self) -> float | None:
        """When the last model run began that it is of, UTC seconds; None: it does not tell."""

    def profile(
        self, latitude_deg: float, longitude_deg: float, time_s: float, /
    ) -> tuple[Array, Array, Array]:
        """Altitudes (rising, m), winds towards east and north (m/s), one shape. ValueError: not here."""

    def spread(
        self, latitude_deg: float, longitude_deg: float, time_s: float, /
    ) -> tuple[Array, Array] | None:
        """Altitudes (rising, m) and 1 sigma of each component (m/s) by an ensemble; None: not told."""


@dataclass(frozen=True, slots=True)
class Ground:
    """Altitude of the ground where it comes down, and 1 sigma of it, in metres."""

    altitude_m: float
    sigma_m: float


@dataclass(frozen=True, slots=True)
class Hang:
    """A float or a sink: for how long it has lasted, and its vertical speed (negative: it sinks)."""

    lasted_s: float
    rate_ms: float


@dataclass(frozen=True, slots=True, eq=False)
class LandingQuestion:
    """Immutable, so that the answer can be worked out off the event loop. Equal to itself alone.

    `time_s`, `x_m`, `y_m`, `z_m` (one entry a fix whose altitude was used, offset taken off) and
    `tracker` (an index for each fix) have one shape (n,), in order of time.
    """

    number: int  # of the last reception: the seed
    phase: Phase
    frame: LocalFrame
    plan: FlightPlan
    ground: Ground
    terrain: Terrain | None
    forecast: Forecast | None
    at_s: float  # time of `motion`
    motion: Motion
    burst_s: float | None
    time_s: Array
    x_m: Array
    y_m: Array
    z_m: Array
    tracker: npt.NDArray[np.int64]
    landed_s: float | None  # when it came to rest
    landed: Array  # latitude, longitude, altitude of the fixes where it came to rest, shape (k, 3)
    known_ground_m: float | None = None  # under the payload, else at the launch site; for people
    hang: Hang | None = None  # a balloon still carries it, and does not climb
    # from where it came to rest to where it is now; None: still there
    carried_m: float | None = None
    others: tuple[MeasuredWinds, ...] = ()  # winds that others measured
    burst_m: float | None = None  # altitude of the burst, where there was one
    avoid: tuple[AvoidArea, ...] = ()

    def seen_burst(self) -> SeenBurst | None:
        """The burst of its balloon, as others are told of it."""
        if self.burst_s is None or self.burst_m is None:
            return None
        return seen(self.plan.balloon, self.burst_s, self.burst_m)

    def winds_met(self, used: npt.NDArray[np.bool_] | None = None) -> WindSamples:
        """The wind by layer that the box has met, by true north; of the fixes `used`, shape (n,), alone."""
        of = slice(None) if used is None else used
        return samples(
            self.time_s[of],
            self.x_m[of],
            self.y_m[of],
            self.z_m[of],
            self.tracker[of],
            turn_per_m=self.frame.turn_per_m,
        )


GROUND_SIGMA_M = 150.0  # of the ground elsewhere, when only the launch site is known
_UNSEEN_SIGMA_M = 600.0
TERRAIN_SIGMA_M = 20.0
_LOWEST_ABOVE_GROUND_M = 60.0  # a box that still falls is not nearer to unknown ground, on average
_REST_WITHIN_M = 300.0  # a receiver's worst on the ground; who carries a box away goes farther
_REST_S, _REST_FIXES = 60.0, 3  # so long, and so often, it must have been heard there


def ask(
    track: Track,
    plan: FlightPlan,
    avoid: tuple[AvoidArea, ...],
    terrain: Terrain | None,
    forecast: Forecast | None,
    winds: tuple[MeasuredWinds, ...],
    number: int,
) -> LandingQuestion | None:
    """The question that the track raises as it stands; None without a track."""
    latest = track.latest()
    if latest is None or latest.after.state is None:
        return None
    shown, state, phase = track.shown, latest.after.state, track.checkpoint().phase
    time_s = shown.column("time_s")
    # not of an earlier flight, nor a drive
    used = shown.flags("whole") & (time_s >= phase.flight_from_s)
    altitude_m = shown.column("altitude_m")
    flown = used & ~np.isnan(altitude_m)
    tracker = shown.tracker()
    offset_m = np.array(
        [
            memory.offset_m if (memory := state.trackers.get(name)) is not None else 0.0
            for name in shown.names
        ]
    )
    z_m = altitude_m - offset_m[tracker]
    burst = next((e for e in reversed(phase.flight_events) if e.kind == "burst"), None)
    landing = next((e for e in reversed(phase.flight_events) if e.kind == "landing"), None)
    landed, carried_m = np.empty((0, 3)), None
    if landing is not None:
        resting = used & (time_s >= landing.time_s)
        places = [shown.column("latitude_deg"), shown.column("longitude_deg"), z_m]
        xy_m = np.column_stack([shown.column("x_m"), shown.column("y_m")])[resting]
        landed, carried_m = _landed(
            time_s[resting], np.column_stack(places)[resting], xy_m, landing
        )
    return LandingQuestion(
        number=number,
        phase=phase.phase,
        frame=track.frame,
        plan=plan,
        ground=_ground(latest, plan, terrain),
        known_ground_m=known_ground_m(latest, plan, terrain),
        carried_m=carried_m,
        terrain=terrain,
        forecast=forecast,
        at_s=latest.fix.time_s,
        motion=state.mixture,
        burst_s=None if burst is None else burst.time_s,
        time_s=time_s[flown],
        x_m=shown.column("x_m")[flown],
        y_m=shown.column("y_m")[flown],
        z_m=z_m[flown],
        tracker=_by_name(shown.names, tracker[flown]),
        landed_s=None if landing is None else landing.time_s,
        landed=landed,
        hang=_hang(phase),
        others=winds,
        burst_m=None if burst is None else burst.altitude_m,
        avoid=avoid,
    )


def _by_name(names: list[str], tracker: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Indices of `names`, made those of the names that occur, in their order."""
    rank = np.zeros(len(names), dtype=np.int64)
    occurring = sorted(np.unique(tracker).tolist(), key=names.__getitem__)
    rank[occurring] = np.arange(len(occurring))
    return rank[tracker]


_HANG_S = 600.0  # its vertical speed is taken over so long


def _hang(phase: PhaseMemory) -> Hang | None:
    last = next((e for e in reversed(phase.flight_events) if e.kind != "landing"), None)
    if (
        last is None
        or last.kind not in ("float", "sink")
        or phase.phase not in ("float", "descent")
    ):
        return None
    now = phase.points[-1]
    since = next((p for p in phase.points if p.time_s >= now.time_s - _HANG_S), now)
    took_s = now.time_s - since.time_s
    rate_ms = (now.z_m - since.z_m) / took_s if took_s > 0.0 else 0.0
    return Hang(max(now.time_s - last.time_s, 0.0), rate_ms)


def known_ground_m(latest: Record, plan: FlightPlan, terrain: Terrain | None) -> float | None:
    """The ground's altitude under the payload, else at the launch site; None where neither is known."""
    phase = latest.after.phase
    if phase.phase == "landed":  # where it lies is the ground
        lies_m = next((e.altitude_m for e in reversed(phase.events) if e.kind == "landing"), None)
        return _terrain_m(latest.fix, terrain, lies_m)
    return _terrain_m(latest.fix, terrain, site_m(latest.after.state, plan))


def ground_below_m(
    fix: Fix, lowest_m: float, plan: FlightPlan, terrain: Terrain | None
) -> float | None:
    """The same of a box that falls; `lowest_m`: the lowest ground that had been seen then, NaN none."""
    seen = not math.isnan(lowest_m) and lowest_m != UNSEEN_GROUND_M
    site = plan.launch.altitude_m
    return _terrain_m(fix, terrain, lowest_m if site is None and seen else site)


def _terrain_m(fix: Fix, terrain: Terrain | None, else_m: float | None) -> float | None:
    here_m = None if terrain is None else terrain(fix.latitude_deg, fix.longitude_deg)
    return else_m if here_m is None else here_m


def site_m(state: FilterState | None, plan: FlightPlan) -> float | None:
    """Altitude of the launch site, or of the lowest ground that was seen; None: not known."""
    if plan.launch.altitude_m is not None:
        return plan.launch.altitude_m
    return None if state is None or state.lowest_m == UNSEEN_GROUND_M else state.lowest_m


def _ground(latest: Record, plan: FlightPlan, terrain: Terrain | None) -> Ground:
    """For the members of the ensemble, which still fall: below the payload in any case."""
    state = latest.after.state
    assert state is not None
    seen = state.lowest_m != UNSEEN_GROUND_M
    altitude_m, sigma_m = state.lowest_m, GROUND_SIGMA_M if seen else _UNSEEN_SIGMA_M
    if plan.launch.altitude_m is not None:
        altitude_m = plan.launch.altitude_m
    if terrain is not None:
        here_m = terrain(latest.fix.latitude_deg, latest.fix.longitude_deg)
        if here_m is not None:
            altitude_m, sigma_m = here_m, TERRAIN_SIGMA_M
    lowest_possible_m = state.mixture.z.position - _LOWEST_ABOVE_GROUND_M
    if lowest_possible_m < altitude_m:
        return Ground(lowest_possible_m, _LOWEST_ABOVE_GROUND_M)
    return Ground(altitude_m, sigma_m)


def _landed(
    time_s: Array, landed: Array, xy_m: Array, landing: Event
) -> tuple[Array, float | None]:
    """Fixes where it first came to rest, and how far off the last one is, if it was carried away.

    `time_s` of shape (n,), `landed` of shape (n, 3): latitude, longitude, altitude (NaN: none), `xy_m` of
    shape (n, 2) in the track's frame.
    """
    landed[np.isnan(landed[:, 2]), 2] = landing.altitude_m
    place = _first_rest(time_s, xy_m)
    if place is None:
        return landed, None
    away_m = np.hypot(*(xy_m - place).T)
    carried_m = float(away_m[-1])
    return landed[away_m <= _REST_WITHIN_M], carried_m if carried_m > _REST_WITHIN_M else None


def _first_rest(time_s: Array, xy_m: Array) -> Array | None:
    """The middle of the first fixes that stay together for a while, shape (2,); None: no such."""
    for i in range(len(time_s) - _REST_FIXES + 1):
        count = max(int(np.searchsorted(time_s, time_s[i] + _REST_S, "right")) - i, _REST_FIXES)
        near = xy_m[i : i + count]
        middle = np.median(near, axis=0)
        if np.hypot(*(near - middle).T).max() <= _REST_WITHIN_M:
            return np.asarray(middle)
    return None
