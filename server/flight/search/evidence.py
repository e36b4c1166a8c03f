"""What is known beside the prediction, each as the logarithm of its likelihood at every particle."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from decoders.reports import BearingReport, SearchedReport
from server.flight.landing.area import inside
from server.flight.physics.geodesy import LocalFrame
from server.flight.search.reach import BOX_ANTENNA_M, Ground, Viewpoint, by_distance, weak_range_m

if TYPE_CHECKING:
    from numpy.random import Generator

Array = npt.NDArray[np.float64]

# of one sigma, degrees: a hand-held antenna turned for the strongest signal, a rough turn, and "ahead";
# common practice, no source
SIGMA_DEG = {"sharp": 8.0, "broad": 10.0, "ahead": 40.0}
REFLECTED = 0.12  # a bearing that tells nothing: off a hill, a fence, a roof; our choice
# that one would have seen a box within the width of sight; common practice, no source
DETECTION = {"open": 0.9, "crops": 0.55, "wood": 0.4}
_LEAST_LEFT = 0.02  # of a place's weight however often it was searched
DEAD_AT_LOSS = 0.3  # that a tracker ended when it fell silent; our choice
WEAK_AT_LOSS = 0.3  # that it sends on and is heard from near alone: a torn antenna; our choice
DIES_PER_S = 0.15 / 3_600.0  # afterwards: batteries in the cold, the impact; our choice
WAKES_PER_S = 0.15 / 3_600.0  # one that had ended sends again, as it warms up; our choice
HIDDEN_ON_GROUND, HIDDEN_IN_AIR = 0.35, 0.1  # a place that one receiver never hears; our choice
# how much alike the packets of one stretch are: what stands between is the same for all; our choice
SAME_PLACE = 0.05
_HEARD_LEAST = 1e-3  # a packet may come by ways that nobody models


@dataclass(frozen=True, slots=True)
class Stretch:
    """Some packets that one receiver at one place did not hear, or (`heard`) one that it did.

    `doubt`: the chance that something else was heard there, as when somebody took a bearing. `seen`: from
    that place a packet was heard since it lies on the ground, so that it is not hidden there.
    """

    time_s: float
    lasted_s: float
    x_m: float
    y_m: float
    packets: float
    rate: float  # of packets in plain sight that this receiver hears, by the flight's record
    heard: bool = False
    doubt: float = 0.0
    seen: bool = False


@dataclass(frozen=True, slots=True)
class Fall:
    """How it comes down: the mean path, rows of UTC seconds, x, y, altitude."""

    path: Array

    def place(
        self, time_s: float, x_m: Array, y_m: Array, landed_s: Array
    ) -> tuple[Array, Array, Array]:
        """x, y, altitude above mean sea level of each particle then; NaN altitude: on the ground."""
        path = self.path
        if len(path) < 2 or time_s >= path[-1, 0] + 900.0:
            return x_m, y_m, np.full(len(x_m), np.nan)
        span_s = max(float(path[-1, 0] - path[0, 0]), 1.0)
        # each falls as the mean does, in its own time
        stretch = np.maximum(landed_s - path[0, 0], 1.0) / span_s
        at_s = np.minimum(path[0, 0] + max(time_s - float(path[0, 0]), 0.0) / stretch, path[-1, 0])
        done = (at_s - path[0, 0]) / span_s
        mean_x, mean_y, z_m = (np.interp(at_s, path[:, 0], path[:, i]) for i in (1, 2, 3))
        here_x = mean_x + (x_m - path[-1, 1]) * done
        here_y = mean_y + (y_m - path[-1, 2]) * done
        return here_x, here_y, np.where(time_s >= landed_s, np.nan, z_m)


class Silence:
    """A tracker that sends is heard or not at each stretch; one that is dead is not, wherever it lies.

    Three masses a particle, sound, weak and dead, are filtered through the stretches (a hidden Markov
    chain), so that a packet that comes at last proves that the tracker lived then.
    """

    def __init__(
        self, stretches: Sequence[Sequence[Stretch]], ground: Ground, fall: Fall, reach: float
    ) -> None:
        self._stretches, self._ground, self._fall = stretches, ground, fall
        self._views: dict[tuple[float, float], Viewpoint] = {}
        self._reach = reach

    def log_likelihood(self, x_m: Array, y_m: Array, landed_s: Array) -> Array:
        total = np.zeros(len(x_m))
        for of_one in self._stretches:
            mass = self._masses(of_one, x_m, y_m, landed_s).sum(axis=0)
            total += np.log(np.maximum(mass, 1e-300))
        return total

    def health(self, tracker: int, x_m: Array, y_m: Array, landed_s: Array) -> Array:
        """Of each particle the chances that a tracker is sound, weak, dead: shape (3, n)."""
        mass = self._masses(self._stretches[tracker], x_m, y_m, landed_s)
        return np.asarray(mass / np.maximum(mass.sum(axis=0), 1e-300))

    def _masses(
        self, stretches: Sequence[Stretch], x_m: Array, y_m: Array, landed_s: Array
    ) -> Array:
        """Of sound, weak and dead, shape (3, n)."""
        first = np.array([1.0 - DEAD_AT_LOSS - WEAK_AT_LOSS, WEAK_AT_LOSS, DEAD_AT_LOSS])
        living = first[:2] / first[:2].sum()
        mass = np.tile(first[:, None], (1, len(x_m)))
        for one in stretches:
            chances, on_ground = self._chances(one, x_m, y_m, landed_s)
            if one.heard:
                mass[:2] *= np.maximum(chances, _HEARD_LEAST) * (1.0 - one.doubt) + one.doubt
                mass[2] *= one.doubt
                continue
            on_ground_hidden = 0.0 if one.seen else HIDDEN_ON_GROUND
            hidden = np.where(on_ground, on_ground_hidden, HIDDEN_IN_AIR)
            packets = one.packets / (1.0 + SAME_PLACE * max(one.packets - 1.0, 0.0))
            dies = 1.0 - math.exp(-DIES_PER_S * one.lasted_s)
            wakes = 1.0 - math.exp(-WAKES_PER_S * one.lasted_s)
            died, woken = dies * mass[:2], wakes * mass[2] * living[:, None]
            mass[:2] += woken - died
            mass[2] += died.sum(axis=0) - woken.sum(axis=0)
            mass[:2] *= hidden + (1.0 - hidden) * (1.0 - chances) ** packets
        return mass

    def _chances(
        self, one: Stretch, x_m: Array, y_m: Array, landed_s: Array
    ) -> tuple[Array, npt.NDArray[np.bool_]]:
        """Of one packet of a sound and of a weak tracker, shape (2, n), and who lies on the ground."""
        view = self._views.get((one.x_m, one.y_m))
        if view is None:
            view = self._views[one.x_m, one.y_m] = Viewpoint(
                self._ground, one.x_m, one.y_m, self._reach
            )
        here_x, here_y, z_m = self._fall.place(one.time_s, x_m, y_m, landed_s)
        on_ground = np.isnan(z_m)
        low_m = self._ground.at(here_x, here_y) + BOX_ANTENNA_M
        z_m = np.where(on_ground, low_m, np.maximum(np.nan_to_num(z_m), low_m))
        sound = view.chance(here_x, here_y, z_m, on_ground, one.rate)
        height_m = np.where(on_ground, 0.0, np.maximum(z_m - low_m, 0.1))
        away_m = np.hypot(np.hypot(here_x - one.x_m, here_y - one.y_m), height_m)
        return np.stack([sound, sound * by_distance(away_m, weak_range_m(height_m))]), on_ground


def soon_sending(health: Array, within_s: float) -> Array:
    """Of a health of shape (3, n) sound and weak, with those that wake half-way by then: (2, n)."""
    living = np.array([1.0 - DEAD_AT_LOSS - WEAK_AT_LOSS, WEAK_AT_LOSS]) / (1.0 - DEAD_AT_LOSS)
    wakes = 1.0 - math.exp(-WAKES_PER_S * within_s / 2.0)
    return np.asarray(health[:2] + wakes * living[:, None] * health[2])


def bearing(
    note: BearingReport, frame: LocalFrame, fall: Fall, x_m: Array, y_m: Array, landed_s: Array
) -> Array:
    """A normal error about the direction, and a share of bearings that tell nothing."""
    here_x, here_y = frame.to_xy(note.latitude_deg, note.longitude_deg)
    there_x, there_y, _ = fall.place(note.time_s, x_m, y_m, landed_s)
    grid_deg = note.bearing_deg - frame.convergence_deg(note.latitude_deg, note.longitude_deg)
    seen_deg = np.degrees(np.arctan2(there_x - here_x, there_y - here_y))
    off_deg = (seen_deg - grid_deg + 180.0) % 360.0 - 180.0
    sigma_deg = SIGMA_DEG[note.sureness]
    normal = np.exp(-0.5 * (off_deg / sigma_deg) ** 2) / (sigma_deg * math.sqrt(2.0 * math.pi))
    return np.asarray(np.log((1.0 - REFLECTED) * normal + REFLECTED / 360.0))


class Ray:
    """The places that one bearing tells by itself: about its direction, at any distance alike.

    Distances are even in their logarithm from NEAR_M to FAR_M: whoever bears from close by is as likely.
    """

    NEAR_M, FAR_M = 20.0, 15_000.0

    def __init__(self, note: BearingReport, frame: LocalFrame) -> None:
        self._x_m, self._y_m = (
            float(v) for v in frame.to_xy(note.latitude_deg, note.longitude_deg)
        )
        grid_deg = note.bearing_deg - frame.convergence_deg(note.latitude_deg, note.longitude_deg)
        self._towards = math.radians(grid_deg)
        self._sigma = math.radians(SIGMA_DEG[note.sureness])
        self._span = math.log(self.FAR_M / self.NEAR_M)

    def sample(self, draw: Generator, count: int) -> tuple[Array, Array]:
        away_m = self.NEAR_M * np.exp(self._span * draw.random(count))
        angle = self._towards + self._sigma * draw.standard_normal(count)
        return self._x_m + away_m * np.sin(angle), self._y_m + away_m * np.cos(angle)

    def at(self, x_m: Array, y_m: Array) -> Array:
        """Density a square metre; what an angle beyond a half turn adds is nothing."""
        off_x, off_y = x_m - self._x_m, y_m - self._y_m
        away_m = np.maximum(np.hypot(off_x, off_y), 1e-3)
        off = (np.arctan2(off_x, off_y) - self._towards + math.pi) % (2.0 * math.pi) - math.pi
        angle = np.exp(-0.5 * (off / self._sigma) ** 2) / (self._sigma * math.sqrt(2.0 * math.pi))
        within = (away_m >= self.NEAR_M) & (away_m <= self.FAR_M)
        return np.asarray(np.where(within, angle / (away_m**2 * self._span), 0.0))


def contradicts(
    note: BearingReport,
    frame: LocalFrame,
    fall: Fall,
    x_m: Array,
    y_m: Array,
    landed_s: Array,
    weight: Array,
) -> float:
    """The chance that a bearing is a reflection, after all evidence."""
    log = bearing(note, frame, fall, x_m, y_m, landed_s)
    return float(np.sum(weight * np.minimum(REFLECTED / 360.0 / np.exp(log), 1.0)))


def searched(note: SearchedReport, frame: LocalFrame, x_m: Array, y_m: Array) -> Array:
    """What is left of each place's chance, from 1 to almost nothing; never nothing."""
    lat, lon = np.array(note.path, dtype=float).T
    line_x, line_y = frame.to_xy(lat, lon)
    within = _distance_m(line_x, line_y, x_m, y_m) <= note.width_m / 2.0
    if note.closed and len(line_x) > 2:
        ring_m = np.column_stack([line_x, line_y])
        within |= inside(np.vstack([ring_m, ring_m[:1]]), x_m, y_m)
    return np.where(within, 1.0 - DETECTION[note.ground], 1.0)


def left_after(notes: Sequence[SearchedReport], frame: LocalFrame, x_m: Array, y_m: Array) -> Array:
    """After all searches together."""
    left = np.ones(len(x_m))
    for note in notes:
        left *= searched(note, frame, x_m, y_m)
    return np.maximum(left, _LEAST_LEFT)


def _distance_m(line_x: Array, line_y: Array, x_m: Array, y_m: Array) -> Array:
    """From a line of one or more corners."""
    best = np.hypot(x_m - line_x[0], y_m - line_y[0])
    for i in range(len(line_x) - 1):
        dx, dy = float(line_x[i + 1] - line_x[i]), float(line_y[i + 1] - line_y[i])
        length = max(dx * dx + dy * dy, 1e-9)
        along = np.clip(((x_m - line_x[i]) * dx + (y_m - line_y[i]) * dy) / length, 0.0, 1.0)
        best = np.minimum(
            best, np.hypot(x_m - line_x[i] - along * dx, y_m - line_y[i] - along * dy)
        )
    return np.asarray(best)
