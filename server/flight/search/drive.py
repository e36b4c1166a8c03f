"""Where to drive so that a packet is heard soonest: a receiver listens while it moves.

Effort goes where the chance for each second is greatest, given that all before heard nothing (Koopman
1980, Search and Screening, ch. 5; Stone 1975, Theory of Optimal Search). By that rule alone a car goes
to and fro: a few such routes are made, and the best one's points are moved, turned round, left out and
added while that shortens the time for which the box is silent on average (local search, as for the
travelling salesman: Lin 1965).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from server.flight.search.evidence import HIDDEN_ON_GROUND
from server.flight.search.particles import Particles
from server.flight.search.reach import (
    BOX_ANTENNA_M,
    GROUND_RANGE_M,
    WEAK_RANGE_M,
    Ground,
    Viewpoint,
    by_distance,
)

if TYPE_CHECKING:
    from numpy.random import Generator

Array = npt.NDArray[np.float64]

SIDE = 25  # cells a side that a drive passes
_VIEWS = 9  # a side, from which the ground is looked over; between them it is interpolated
_FEW = 200  # particles that drives are tried with
STOP_S = 300.0  # for some packets, where one stops; common practice, no source
DRIVE_MS, ROAD_FACTOR = 15.0, 1.35  # country roads: along them, and the way less a straight line's
# first legs that are followed on: of most chance for each second, and of most soon
_FIRSTS, _FAR = 2, 1
_CHANGES = 240  # of the best route that are tried
_RING, _EVERY = (3, 4), 4  # a leg ends so many cells off, or at each fourth of all
_AHEAD = 14  # such legs in a row are thought out
_LEAST_AHEAD_S, _MOST_AHEAD_S = 900.0, 7_200.0
_SAMPLES = 24  # of a leg
_LEGS = 4  # that are told: the first, and where it goes on


class Drive(NamedTuple):
    """Listening all the way to a place, with or without a stop there, and where it goes on."""

    x_m: float
    y_m: float
    ground_m: float
    chance: float  # that a packet is heard by the end of it
    takes_s: float
    stop_s: float
    then: tuple[tuple[float, float], ...]
    chance_in_an_hour: float


class _Legs(NamedTuple):
    """From one place to many: ends (cell), seconds, logarithm of the chance to hear nothing."""

    cell: npt.NDArray[np.int64]
    takes_s: Array
    stop_s: Array
    unheard: Array  # (legs, living)


def drive(
    particles: Particles,
    living: Array,
    ground: Ground,
    interval_s: float,
    rate: float,
    here: Sequence[tuple[float, float]],
    seed: int,
) -> Drive | None:
    """The best drive of any of the cars `here` (none: of one that stands where it is best).

    `living`: of each particle the chance that its tracker sends as before, and that it is heard from
    near alone, shape (2, n). None where nothing is left to hear.
    """
    held = np.cumsum(particles.weight)
    chosen = np.searchsorted(held, (np.arange(_FEW) + 0.5) / _FEW).clip(max=len(held) - 1)
    mass = living[:, chosen].ravel() / _FEW
    if mass.sum() <= 1e-6:
        return None
    map_ = _Map(particles.x_m[chosen], particles.y_m[chosen], ground, interval_s, rate)
    starts = [np.array(at) for at in (here or [map_.best(mass)])]
    made = [_Route(map_, mass, at, legs) for at in starts for legs in _made(map_, at, mass)]
    route = _bettered(min(made, key=lambda one: one.silent_s), seed)
    first, *after = route.stops
    x_m, y_m = map_.place(first.cell)
    ground_m = float(ground.at(np.array([x_m]), np.array([y_m]))[0])
    then = tuple(map_.place(stop.cell) for stop in after[: _LEGS - 1])
    return Drive(
        x_m,
        y_m,
        ground_m,
        float(route.heard[0]),
        float(route.takes_s[0]),
        first.stop_s,
        then,
        route.heard_by(3_600.0),
    )


class _Stop(NamedTuple):
    """Where a leg ends, and for how long one listens there."""

    cell: int
    stop_s: float


class _Map:
    """The chance of hearing nothing of each particle, sound or weak, by the cell that is passed."""

    def __init__(
        self, x_m: Array, y_m: Array, ground: Ground, interval_s: float, rate: float
    ) -> None:
        self._interval_s = interval_s
        self._x_m, self._y_m = _axis(x_m), _axis(y_m)
        heard = self._chances(x_m, y_m, ground, rate)
        wide = max(self._x_m[1] - self._x_m[0], self._y_m[1] - self._y_m[0])
        crossing_s = max(float(wide) * ROAD_FACTOR / DRIVE_MS, 1.0)
        self.ahead_s = min(max(_AHEAD * _RING[0] * crossing_s, _LEAST_AHEAD_S), _MOST_AHEAD_S)
        packets = crossing_s / interval_s
        # a packet's own share of what one cell's crossing comes to
        self._passing = (_unheard(heard, packets) / packets).astype(np.float32)
        self._stop = _unheard(heard, STOP_S / interval_s).astype(np.float32)

    def _chances(self, x_m: Array, y_m: Array, ground: Ground, rate: float) -> Array:
        """Of one packet, by cell and by particle, first sound and then weak: (cells, 2 n)."""
        low_m = ground.at(x_m, y_m) + BOX_ANTENNA_M
        reach = 2.0 * float(np.hypot(np.ptp(self._x_m), np.ptp(self._y_m)))
        few_x, few_y = (np.linspace(v[0], v[-1], _VIEWS) for v in (self._x_m, self._y_m))
        views = np.stack(
            [
                Viewpoint(ground, float(x), float(y), reach).sight(x_m, y_m, low_m)
                for y in few_y
                for x in few_x
            ]
        )
        mix = _between()
        sight = np.kron(mix, mix) @ views
        cell_x, cell_y = (v.ravel() for v in np.meshgrid(self._x_m, self._y_m))
        away_m = np.hypot(cell_x[:, None] - x_m, cell_y[:, None] - y_m)
        sound = rate * sight * by_distance(away_m, GROUND_RANGE_M)
        return np.hstack([sound, sound * by_distance(away_m, WEAK_RANGE_M)])

    def place(self, cell: int) -> tuple[float, float]:
        return float(self._x_m[cell % SIDE]), float(self._y_m[cell // SIDE])

    def best(self, mass: Array) -> tuple[float, float]:
        """Where a stop hears most."""
        return self.place(int(np.argmin(np.exp(self._stop) @ mass)))

    def legs(self, at: Array) -> _Legs:
        """To the cells about, and to some of all; each without and with a stop at its end."""
        step_x, step_y = self._x_m[1] - self._x_m[0], self._y_m[1] - self._y_m[0]
        own_i, own_j = (
            round((at[1] - self._y_m[0]) / step_y),
            round((at[0] - self._x_m[0]) / step_x),
        )
        i, j = (v.ravel() for v in np.meshgrid(range(SIDE), range(SIDE), indexing="ij"))
        off = np.maximum(np.abs(i - own_i), np.abs(j - own_j))
        near = (off == 0) | ((off >= _RING[0]) & (off <= _RING[1]))
        cell = np.flatnonzero(near | ((i % _EVERY == 0) & (j % _EVERY == 0)))
        to = np.column_stack([self._x_m[cell % SIDE], self._y_m[cell // SIDE]])
        takes_s, unheard = self._straight(np.broadcast_to(at, to.shape), to)
        moves = takes_s > 1.0
        return _Legs(
            np.concatenate([cell[moves], cell]),
            np.concatenate([takes_s[moves], takes_s + STOP_S]),
            np.concatenate([np.zeros(int(moves.sum())), np.full(len(cell), STOP_S)]),
            np.vstack([unheard[moves], unheard + self._stop[cell]]),
        )

    def along(self, at: Array, stops: Sequence[_Stop]) -> tuple[Array, Array]:
        """Seconds of each leg of a route, and the logarithm of the chances to hear nothing in it."""
        cell = np.array([stop.cell for stop in stops])
        to = np.column_stack([self._x_m[cell % SIDE], self._y_m[cell // SIDE]])
        takes_s, unheard = self._straight(np.vstack([at, to[:-1]]), to)
        stop_s = np.array([stop.stop_s for stop in stops])
        unheard = unheard + self._stop[cell] * (stop_s / STOP_S)[:, None].astype(np.float32)
        return np.maximum(takes_s + stop_s, 1.0), unheard

    def _straight(self, from_: Array, to: Array) -> tuple[Array, Array]:
        """The same of straight lines, shapes (legs, 2); without stops."""
        takes_s = np.hypot(*(to - from_).T) * ROAD_FACTOR / DRIVE_MS
        part = (np.arange(_SAMPLES) + 0.5) / _SAMPLES
        way = from_[:, None, :] + (to - from_)[:, None, :] * part[None, :, None]
        column = np.rint((way[..., 0] - self._x_m[0]) / (self._x_m[1] - self._x_m[0])).astype(int)
        row = np.rint((way[..., 1] - self._y_m[0]) / (self._y_m[1] - self._y_m[0])).astype(int)
        inside = (column >= 0) & (column < SIDE) & (row >= 0) & (row < SIDE)
        cell = np.where(inside, row * SIDE + column, 0)
        packets = np.where(inside, (takes_s / self._interval_s / _SAMPLES)[:, None], 0.0)
        unheard = np.einsum("ls,lsn->ln", packets.astype(np.float32), self._passing[cell])
        return takes_s, unheard


class _Route:
    """From a place through some cells: what is heard when."""

    def __init__(self, map_: _Map, mass: Array, at: Array, stops: Sequence[_Stop]) -> None:
        self.map, self.mass, self.at, self.stops = map_, mass, at, tuple(stops)
        self.takes_s, unheard = map_.along(at, self.stops)
        left = np.exp(np.cumsum(unheard, axis=0)) @ mass
        self.heard = -np.diff(left, prepend=mass.sum())
        # the mean time until something is heard, within what is thought out
        ends = np.minimum(np.cumsum(self.takes_s), map_.ahead_s)
        spent = np.diff(ends, prepend=0.0)
        share = spent / self.takes_s
        before = left + self.heard
        last = float(before[-1] - share[-1] * self.heard[-1])
        self.silent_s = float(spent @ (before - share * self.heard / 2.0))
        self.silent_s += (map_.ahead_s - float(ends[-1])) * last

    def heard_by(self, within_s: float) -> float:
        ends = np.cumsum(self.takes_s)
        share = np.clip((within_s - ends + self.takes_s) / self.takes_s, 0.0, 1.0)
        return float(share @ self.heard)


def _made(map_: _Map, at: Array, mass: Array) -> list[list[_Stop]]:
    """From one place: the first legs that hear most for their time, each followed on by that rule."""
    legs = map_.legs(at)
    heard = mass.sum() - np.exp(legs.unheard) @ mass
    first = np.argsort(-heard / legs.takes_s)[:_FIRSTS].tolist()
    far = np.argsort(-heard / (legs.takes_s + map_.ahead_s / 4.0))[:_FAR].tolist()
    found = []
    for n in dict.fromkeys([*first, *far]):
        stops, spent_s = [_stop(legs, n)], float(legs.takes_s[n])
        left = mass * np.exp(legs.unheard[n])
        while spent_s < map_.ahead_s and len(stops) < _AHEAD:
            legs_on = map_.legs(np.array(map_.place(stops[-1].cell)))
            heard_on = left.sum() - np.exp(legs_on.unheard) @ left
            k = int(np.argmax(heard_on / legs_on.takes_s))
            stops.append(_stop(legs_on, k))
            left = left * np.exp(legs_on.unheard[k])
            spent_s += float(legs_on.takes_s[k])
        found.append(stops)
    return found


def _stop(legs: _Legs, n: int) -> _Stop:
    return _Stop(int(legs.cell[n]), float(legs.stop_s[n]))


def _bettered(route: _Route, seed: int) -> _Route:
    """Changed here and there while that helps; the same seed makes the same changes."""
    draw = np.random.default_rng(seed)
    for _ in range(_CHANGES):
        changed = _changed(list(route.stops), draw)
        if changed:
            other = _Route(route.map, route.mass, route.at, changed)
            if other.silent_s < route.silent_s:
                route = other
    return route


def _changed(stops: list[_Stop], draw: Generator) -> list[_Stop]:
    """A part turned round, a point moved, added or left out, a stop made or not; [] where none is left."""
    way, n = int(draw.integers(5)), int(draw.integers(len(stops)))
    if way == 0:
        to = int(draw.integers(n, len(stops))) + 1
        return stops[:n] + stops[n:to][::-1] + stops[to:]
    if way == 1:
        off = draw.integers(-3, 4, size=2)
        i, j = divmod(stops[n].cell, SIDE)
        i, j = (min(max(int(v), 0), SIDE - 1) for v in (i + off[0], j + off[1]))
        return [*stops[:n], _Stop(i * SIDE + j, stops[n].stop_s), *stops[n + 1 :]]
    if way == 2:
        return [*stops[:n], _Stop(int(draw.integers(SIDE * SIDE)), 0.0), *stops[n:]]
    if way == 3:
        return stops[:n] + stops[n + 1 :]
    other_s = STOP_S - stops[n].stop_s
    return [*stops[:n], stops[n]._replace(stop_s=other_s), *stops[n + 1 :]]


def _unheard(chance: Array, packets: float) -> Array:
    """Logarithm: a place that is never heard from there, or each packet missed."""
    return np.asarray(
        np.log(HIDDEN_ON_GROUND + (1.0 - HIDDEN_ON_GROUND) * (1.0 - chance) ** packets)
    )


def _axis(values: Array) -> Array:
    low, high = (float(v) for v in np.quantile(values, (0.02, 0.98)))
    more_m = 0.3 * max(high - low, 1_000.0)
    return np.linspace(low - more_m, high + more_m, SIDE)


def _between() -> Array:
    """Linear interpolation from _VIEWS to SIDE points, (SIDE, _VIEWS)."""
    at = np.linspace(0.0, _VIEWS - 1.0, SIDE)
    return np.maximum(1.0 - np.abs(at[:, None] - np.arange(_VIEWS)), 0.0)
