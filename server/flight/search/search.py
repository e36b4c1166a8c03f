"""One question, one answer: where a box that is not heard any more lies, by all that is known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from decoders.reports import BearingReport, SearchedReport
from server.flight.landing.question import Terrain
from server.flight.physics.geodesy import LocalFrame
from server.flight.search import evidence
from server.flight.search.area import Region, density, region
from server.flight.search.drive import Drive, drive
from server.flight.search.evidence import Fall, Silence, Stretch
from server.flight.search.particles import Particles, posterior
from server.flight.search.reach import Ground, reach_m
from server.flight.search.suggest import Walk, walk

Array = npt.NDArray[np.float64]

_SOON_S = 3_600.0  # of driving, within which one that has ended may wake
_MOST_RAYS = 12  # of the latest bearings, along which places are drawn


@dataclass(frozen=True, slots=True, eq=False)
class SearchQuestion:
    """Immutable, so that it can be answered off the event loop.

    `stretches`: of each tracker of `trackers`, in order of time; `interval_s` of each, None: unknown.
    """

    at_s: float
    frame: LocalFrame
    terrain: Terrain | None
    ground_m: float
    prior: Particles
    path: Array  # the mean way down, rows of UTC seconds, x, y, altitude
    lost_height_m: float  # above ground, at the last fix
    trackers: tuple[str, ...]
    interval_s: tuple[float | None, ...]
    stretches: tuple[tuple[Stretch, ...], ...]
    rate: float
    cars: tuple[tuple[float, float], ...]
    bearings: tuple[BearingReport, ...]
    searched: tuple[SearchedReport, ...]
    seed: int


@dataclass(frozen=True, slots=True, eq=False)
class SearchFound:
    """The particles after the evidence, what they say, and what to do next."""

    particles: Particles
    half: Region
    nine_tenths: Region
    best: tuple[float, float]  # where the density is highest
    covered: float  # the chance that it would have been found where it was looked for
    reflections: tuple[float, ...]  # of each bearing, the chance that it is one
    dead: tuple[float, ...]  # of each tracker, the chance that it has ended
    drive: Drive | None
    walk: Walk
    walk_first: bool  # an hour on foot is likelier to find it than an hour's drive to hear it


class Weighed(NamedTuple):
    """The particles after all evidence; of each tracker and particle sound, weak, dead: (3, n)."""

    particles: Particles
    health: tuple[Array, ...]
    fall: Fall


def search(question: SearchQuestion) -> SearchFound:
    """Prior, evidence, areas, suggestions. The same question gets the same answer."""
    q = question
    p, health, fall = weighed(q)
    on = density(p)
    i, j = np.unravel_index(int(np.argmax(on.at)), on.at.shape)
    driven, walked = _drive(q, p, health), walk(on)
    return SearchFound(
        particles=p,
        half=region(p, on, 0.5),
        nine_tenths=region(p, on, 0.9),
        best=(float(on.x_m[j]), float(on.y_m[i])),
        covered=_covered(q, p),
        reflections=tuple(
            evidence.contradicts(note, q.frame, fall, p.x_m, p.y_m, p.landed_s, p.weight)
            for note in q.bearings
        ),
        dead=tuple(float(p.weight @ one[2]) for one in health),
        drive=driven,
        walk=walked,
        walk_first=driven is None or walked.chance > driven.chance_in_an_hour,
    )


def weighed(question: SearchQuestion) -> Weighed:
    """Where it lies by all evidence, without areas and suggestions."""
    q = question
    ground, fall = Ground(q.frame, q.terrain, q.ground_m), Fall(q.path)
    far_m = float(np.hypot(np.ptp(q.prior.x_m), np.ptp(q.prior.y_m)))
    silent = Silence(q.stretches, ground, fall, max(reach_m(q.lost_height_m), far_m) + 20_000.0)

    def all_evidence(x_m: Array, y_m: Array, landed_s: Array) -> Array:
        total = silent.log_likelihood(x_m, y_m, landed_s)
        for note in q.bearings:
            total = total + evidence.bearing(note, q.frame, fall, x_m, y_m, landed_s)
        left = evidence.left_after(q.searched, q.frame, x_m, y_m)
        return np.asarray(total + np.log(left))

    # while it falls a bearing tells no landing place by itself
    down_s = float(q.path[-1, 0]) if len(q.path) else -math.inf
    rays = [evidence.Ray(note, q.frame) for note in q.bearings if note.time_s > down_s]
    p = posterior(q.prior, all_evidence, q.seed, rays[-_MOST_RAYS:])
    health = (silent.health(n, p.x_m, p.y_m, p.landed_s) for n in range(len(q.trackers)))
    return Weighed(p, tuple(health), fall)


def _drive(q: SearchQuestion, p: Particles, health: Sequence[Array]) -> Drive | None:
    """By the tracker that sends most packets which may be heard; None where no interval is known."""
    sending = [
        (float(p.weight @ one[:2].sum(axis=0)) / interval_s, n)
        for n, (interval_s, one) in enumerate(zip(q.interval_s, health, strict=True))
        if interval_s is not None
    ]
    if not sending:
        return None
    n = max(sending)[1]
    ground = Ground(q.frame, q.terrain, q.ground_m)
    interval_s = q.interval_s[n]
    assert interval_s is not None
    living = evidence.soon_sending(health[n], _SOON_S)
    return drive(p, living, ground, max(interval_s, 1.0), q.rate, q.cars, q.seed)


def _covered(q: SearchQuestion, p: Particles) -> float:
    """By the particles as they would weigh without the searches: Σ w (1 - left).

    The weights hold the searches already: each is divided by what was left of it.
    """
    if not q.searched:
        return 0.0
    left = evidence.left_after(q.searched, q.frame, p.x_m, p.y_m)
    before = p.weight / left
    return float(1.0 - p.weight.sum() / before.sum())
