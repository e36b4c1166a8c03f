"""What the fused track is compared with: a plain filter that believes every fix."""

from __future__ import annotations

import math

from server.flight.track.fixes import Fix
from server.flight.track.kalman import Axis, update
from server.flight.track.kalman import predict as predict_axis
from server.flight.track.track import Track

Error = tuple[float, float]  # horizontal, vertical (NaN: not known), metres


class Plain:
    """A constant-velocity filter that believes every fix of every tracker."""

    PSD = 1.0

    def __init__(self) -> None:
        self.axes: tuple[Axis, Axis, Axis] | None = None
        self._time_s = 0.0

    def take(self, track: Track, fix: Fix) -> None:
        x_m, y_m = track.frame.to_xy(fix.latitude_deg, fix.longitude_deg)
        place = (float(x_m), float(y_m), fix.altitude_m)
        if self.axes is None:
            starts = [Axis(p if p is not None else 500.0, 0.0, 400.0, 0.0, 400.0) for p in place]
            self.axes, self._time_s = (starts[0], starts[1], starts[2]), fix.time_s
            return
        dt_s = fix.time_s - self._time_s
        if dt_s < 0:
            return
        moved = [predict_axis(a, dt_s, self.PSD) for a in self.axes]
        after = [
            a if p is None else update(a, p, 15.0**2) for a, p in zip(moved, place, strict=True)
        ]
        self.axes, self._time_s = (after[0], after[1], after[2]), fix.time_s

    def at(self, at_s: float) -> tuple[float, float, float]:
        assert self.axes is not None
        dt_s = max(at_s - self._time_s, 0.0)
        x, y, z = (predict_axis(a, dt_s, self.PSD).position for a in self.axes)
        return x, y, z

    def error(self, track: Track, at_s: float, here: tuple[float, float, float]) -> Error:
        x, y, z = self.at(at_s)
        latitude_deg, longitude_deg = track.frame.to_latlon(x, y)
        return away_m((float(latitude_deg), float(longitude_deg)), here), abs(z - here[2])


def away_m(a: tuple[float, float], b: tuple[float, ...]) -> float:
    north = (a[0] - b[0]) * 111_200.0
    east = (a[1] - b[1]) * 111_200.0 * math.cos(math.radians(b[0]))
    return math.hypot(north, east)
