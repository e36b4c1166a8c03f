"""Launch, float, sink, burst and landing: what they are, and where and when each happened."""

from __future__ import annotations

import math
from typing import NamedTuple

from server.flight.physics.atmosphere import density_scale_height_m
from server.flight.state import EventKind
from server.flight.track.filter import FilterState
from server.flight.track.modes import DESCENT
from server.flight.track.recent import Move, Point

_BACK_STEP_S = 2.0
_LEAST_CLIMB_MS = 0.5


class Event(NamedTuple):
    kind: EventKind
    time_s: float  # when it happened, as best known now
    altitude_m: float
    x_m: float
    y_m: float
    noticed_s: float  # time of the fix that showed it: with the kind it names the occurrence


class Withdrawn(NamedTuple):
    """An event that was told and turned out to be none."""

    event: Event
    at_s: float


def here(kind: EventKind, state: FilterState) -> Event:
    """At the place and moment of the state."""
    x, y, z = state.mixture
    return Event(kind, state.time_s, z.position, x.position, y.position, state.time_s)


def at(kind: EventKind, point: Point, noticed_s: float) -> Event:
    return Event(kind, point.time_s, point.z_m, point.x_m, point.y_m, noticed_s)


def launch(move: Move, pad_m: float | None, state: FilterState) -> Event:
    """Back along the climb to the pad, but not before the last point that was still low."""
    z = state.mixture.z
    ground_m = move.since.z_m if pad_m is None else min(pad_m, z.position)
    climb_ms = max(z.velocity, move.rate_ms, _LEAST_CLIMB_MS)
    back_s = (z.position - ground_m) / climb_ms
    time_s = min(max(state.time_s - back_s, move.since.time_s), state.time_s)
    return Event("launch", time_s, ground_m, move.since.x_m, move.since.y_m, state.time_s)


def burst(rising: FilterState, highest_m: float, state: FilterState) -> Event:
    """Where the climb before and the fall after meet: the fall is followed back in short steps.

    `rising` is the last state of the climb, `highest_m` the highest altitude seen.
    """
    up, down = rising.mixture, state.motions[DESCENT].z
    climb_ms = max(up.z.velocity, 0.0)
    time_s, altitude_m, speed_ms = state.time_s, down.position, min(down.velocity, -0.1)
    while time_s > rising.time_s + _BACK_STEP_S:
        climbed_m = up.z.position + climb_ms * (time_s - rising.time_s)
        if altitude_m >= climbed_m:
            break
        double_scale_m = 2 * density_scale_height_m(altitude_m)
        s = max(1.0 + speed_ms * _BACK_STEP_S / double_scale_m, 0.5)
        altitude_m -= double_scale_m * math.log(s)
        speed_ms /= s
        time_s -= _BACK_STEP_S
    since_s = max(time_s - rising.time_s, 0.0)
    return Event(
        "burst",
        time_s,
        max(up.z.position + climb_ms * since_s, highest_m),
        up.x.position + up.x.velocity * since_s,
        up.y.position + up.y.velocity * since_s,
        state.time_s,
    )
