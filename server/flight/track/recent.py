"""The last minutes of the track, thinned: does it rest, climb, fall or stay level?

A receiver at rest wanders by 4 to 6 m in altitude and up to 25 m within two minutes (onboard logs of
eight real flights), and people carry and drive it before the launch. So the questions are asked of
minutes and of tens of metres, never of one filtered speed, and a climb is told from a drive by its
grade: roads do not rise by a fifth of their length.
"""

from __future__ import annotations

import bisect
import itertools
import math
import statistics
from typing import NamedTuple

SPACING_S = 8.0  # between two points that are kept
FINE_S, COARSE_S = 200.0, 24.0  # older than this, points need not stand closer together than that
KEPT_S = 1_200.0

_WANDER_M = 15.0  # of a receiver at rest: half of the largest range seen on pads (16 to 34 m)
_STEEP_GRADE = (
    0.2  # height per way; the steepest paved roads are near 0.35, a drive never for 100 m
)
_ROAD_GRADE = 0.12  # common practice for the steepest main roads, no source
_FAST_MS = 4.5  # no car rises at this rate for long
_SLOWEST_MS, _FASTEST_MS = 0.6, 14.0  # of balloons; common practice, no source
_LASTING = 0.6  # of the whole rate, in the last third
_ROUGH = 5.0
# to be risen before it is a climb: by no road, by a steep one, by any, at the speed of a car
_STEEP_M, _ROAD_M, _HILL_M, _PASS_M = 130.0, 400.0, 800.0, 1_500.0
_STEADY, _STEADY_M = 0.04, 500.0  # no road rises so evenly for so long
# nobody launches in such a wind at the ground; common practice, no source
_SLOWEST_CAR_MS, _FASTEST_CAR_MS = 12.0, 45.0
_SCATTERS = 8.0  # the rise in standard deviations of what the altitude scatters by before it
_REST_H_M, _REST_V_M = 120.0, 22.0  # about the median; a box is carried about on the pad


class Point(NamedTuple):
    """The fused place at one moment; metres in the track's frame, altitude above mean sea level."""

    time_s: float
    x_m: float
    y_m: float
    z_m: float


Points = tuple[Point, ...]


class Move(NamedTuple):
    """From the last low (or high) point up to (or down to) now. Metres, seconds, m/s; down is negative."""

    since: Point
    rise_m: float
    rate_ms: float
    grade: float  # |height| per way over ground
    speed_ms: float  # over ground
    scatter_m: float  # 1 sigma of the altitudes before it
    lasting: bool  # seen by two steps at least, and no slower of late than on the whole
    rough_m: float  # 1 sigma of the altitudes about a straight line through it

    @property
    def rises(self) -> bool:
        """A lasting rise, whatever makes it: enough where no car can be."""
        return self.lasting and self.rise_m > _STEEP_M

    @property
    def steep(self) -> bool:
        """No road and no car explains it."""
        rise_m = abs(self.rise_m)
        enough = rise_m > max(_STEEP_M, _SCATTERS * self.scatter_m, _ROUGH * self.rough_m)
        return enough and (self.grade > _STEEP_GRADE or abs(self.rate_ms) > _FAST_MS)

    def sure(self, *, from_rest: bool) -> bool:
        """A climb as of a balloon: steep, or more height than a drive over hills has.

        `from_rest`: it began where it had rested; a drive that begins there seldom rises evenly.
        A receiver that settles rises too, by 400 m in a minute, but ever more slowly.
        """
        if not _SLOWEST_MS < self.rate_ms < _FASTEST_MS or not self.lasting:
            return False
        if self.steep:
            return True
        needed_m = _ROAD_M if self.grade > _ROAD_GRADE else _HILL_M
        if _SLOWEST_CAR_MS < self.speed_ms < _FASTEST_CAR_MS:
            needed_m = _PASS_M
        if from_rest and self.rough_m < _STEADY * self.rise_m:
            needed_m = min(needed_m, _STEADY_M)
        return self.rise_m > max(needed_m, _SCATTERS * self.scatter_m, _ROUGH * self.rough_m)


def keep(points: Points, point: Point) -> Points:
    """The points, made so before, with the new one as the last: what lies close before it is replaced, what
    is older than FINE_S is thinned, and what is older than KEPT_S goes."""
    earlier = points
    while earlier and earlier[-1].time_s >= point.time_s:
        earlier = earlier[:-1]
    if len(earlier) > 1 and point.time_s - earlier[-2].time_s < SPACING_S:
        earlier = earlier[:-1]
    if not earlier:
        return (point,)
    now_s = point[0]
    first = bisect.bisect_left(earlier, (now_s - KEPT_S,))
    fine = bisect.bisect_left(earlier, (now_s - FINE_S,), first)
    # what was older before is thinned already
    thinned = bisect.bisect_left(earlier, (points[-1][0] - FINE_S,), first, fine)
    if thinned == fine:
        return (*earlier[first:], point)
    last_s = earlier[thinned - 1][0] if thinned > first else -math.inf
    kept = []
    for old in earlier[thinned:fine]:
        if not old[0] - last_s < COARSE_S:
            kept.append(old)
            last_s = old[0]
    return (*earlier[first:thinned], *kept, *earlier[fine:], point)


def climb(points: Points) -> Move | None:
    """From the last point near the lowest altitude to the last one; None: it is the lowest."""
    return _move(points, 1.0)


def fall(points: Points) -> Move | None:
    """From the last point near the highest altitude to the last one; None: it is the highest."""
    return _move(points, -1.0)


def _move(points: Points, sign: float) -> Move | None:
    if len(points) < 2:
        return None
    now = points[-1]
    lowest_m = min([sign * p.z_m for p in points])
    near_m = lowest_m + max(_WANDER_M, 0.15 * (sign * now.z_m - lowest_m))
    i = len(points) - 1
    while sign * points[i].z_m > near_m:
        i -= 1
    if i == len(points) - 1:
        return None
    since = points[i]
    rise_m, took_s = now.z_m - since.z_m, now.time_s - since.time_s
    way_m = math.hypot(now.x_m - since.x_m, now.y_m - since.y_m)
    moved = points[i:]
    recent_s = max(took_s / 3.0, SPACING_S)
    j = len(moved) - 2
    while j > 0 and now.time_s - moved[j].time_s < recent_s:
        j -= 1
    late_ms = (now.z_m - moved[j].z_m) / (now.time_s - moved[j].time_s)
    rate_ms = rise_m / took_s
    return Move(
        since,
        rise_m,
        rate_ms,
        abs(rise_m) / max(way_m, 1.0),
        way_m / took_s,
        _scatter_m(points[: i + 1]),
        j > 0 and late_ms * sign > _LASTING * rate_ms * sign,
        _rough_m(moved),
    )


def _scatter_m(points: Points) -> float:
    """1 sigma of single altitudes, by the median step between neighbours."""
    if len(points) < 4:
        return 0.0
    heights_m = [p.z_m for p in points]
    steps = [abs(b - a) for a, b in itertools.pairwise(heights_m)]
    return 1.4826 * statistics.median(steps) / math.sqrt(2.0)


def since(points: Points, duration_s: float) -> Points:
    """The points of the last `duration_s`, if there are that many seconds of them; else none."""
    if not points:
        return ()
    from_s = points[-1].time_s - duration_s
    first = len(points) - 1
    while first > 0 and points[first].time_s > from_s:
        first -= 1
    return points[first:] if points[first].time_s <= from_s else ()


def rests(points: Points) -> bool:
    """At least three points that stay together as a receiver does that is carried about at most."""
    if len(points) < 3:
        return False
    x_m, y_m = (statistics.median(c) for c in zip(*((p.x_m, p.y_m) for p in points), strict=True))
    away_m = max(math.hypot(p.x_m - x_m, p.y_m - y_m) for p in points)
    return away_m < _REST_H_M and level(points)


def level(points: Points) -> bool:
    """At least three points whose altitudes stay within a receiver's wander."""
    if len(points) < 3:
        return False
    z_m = statistics.median(p.z_m for p in points)
    return max(abs(p.z_m - z_m) for p in points) < _REST_V_M


def _rough_m(points: Points) -> float:
    """1 sigma of the altitudes about the line from the first point to the last."""
    if len(points) < 4:
        return 0.0
    first, last = points[0], points[-1]
    rate_ms = (last.z_m - first.z_m) / (last.time_s - first.time_s)
    off = [p.z_m - first.z_m - rate_ms * (p.time_s - first.time_s) for p in points[1:-1]]
    return math.sqrt(sum(o * o for o in off) / len(off))


class Slope(NamedTuple):
    """Least squares through the altitudes: rate and its 1 sigma in m/s, range in metres."""

    rate_ms: float
    sigma_ms: float
    range_m: float


def slope(points: Points, noise_m: float) -> Slope | None:
    """Of at least four points; `noise_m` is 1 sigma of one altitude at the least."""
    n = len(points)
    if n < 4:
        return None
    times, altitudes = [p.time_s for p in points], [p.z_m for p in points]
    mean_t, mean_z = sum(times) / n, sum(altitudes) / n
    off = [(t - mean_t, z - mean_z) for t, z in zip(times, altitudes, strict=True)]
    tt = sum([t**2 for t, _ in off])
    rate_ms = sum([t * z for t, z in off]) / tt
    squares = sum([(z - rate_ms * t) ** 2 for t, z in off])
    sigma_m = max(math.sqrt(squares / (n - 2)), noise_m)
    return Slope(rate_ms, sigma_m / math.sqrt(tt), max(altitudes) - min(altitudes))
