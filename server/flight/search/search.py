"""One question, one answer: where a box that is not heard any more lies, by all that is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from decoders.reports import BearingReport, SearchedReport
from server.flight.landing.question import Terrain
from server.flight.physics.geodesy import LocalFrame
from server.flight.search import evidence
from server.flight.search.area import Region, density, region
from server.flight.search.evidence import Fall, Silence, Stretch
from server.flight.search.particles import Particles, posterior
from server.flight.search.reach import Ground, reach_m
from server.flight.search.suggest import LISTEN_S, Listen, Walk, listen, walk

Array = npt.NDArray[np.float64]


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
    listen: Listen | None
    walk: Walk


def search(question: SearchQuestion) -> SearchFound:
    """Prior, evidence, areas, suggestions. The same question gets the same answer."""
    q = question
    ground, fall = Ground(q.frame, q.terrain, q.ground_m), Fall(q.path)
    far_m = float(np.hypot(np.ptp(q.prior.x_m), np.ptp(q.prior.y_m)))
    silent = Silence(q.stretches, ground, fall, max(reach_m(q.lost_height_m), far_m) + 20_000.0)

    def unsearched(x_m: Array, y_m: Array, landed_s: Array) -> Array:
        total = silent.log_likelihood(x_m, y_m, landed_s)
        for note in q.bearings:
            total = total + evidence.bearing(note, q.frame, fall, x_m, y_m, landed_s)
        return np.asarray(total)

    def all_evidence(x_m: Array, y_m: Array, landed_s: Array) -> Array:
        left = evidence.left_after(q.searched, q.frame, x_m, y_m)
        return np.asarray(unsearched(x_m, y_m, landed_s) + np.log(left))

    p = posterior(q.prior, all_evidence, q.seed)
    on = density(p)
    i, j = np.unravel_index(int(np.argmax(on.at)), on.at.shape)
    dead = tuple(silent.dead(n, p.x_m, p.y_m, p.landed_s, p.weight) for n in range(len(q.trackers)))
    packets = sum(
        LISTEN_S / interval_s * (1.0 - gone)
        for interval_s, gone in zip(q.interval_s, dead, strict=True)
        if interval_s is not None
    )
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
        dead=dead,
        listen=listen(p, ground, 1.0 - min(dead, default=1.0), packets, q.rate, q.cars),
        walk=walk(on),
    )


def _covered(q: SearchQuestion, p: Particles) -> float:
    """By the particles as they would weigh without the searches: Σ w (1 - left).

    The weights hold the searches already: each is divided by what was left of it.
    """
    if not q.searched:
        return 0.0
    left = evidence.left_after(q.searched, q.frame, p.x_m, p.y_m)
    before = p.weight / left
    return float(1.0 - p.weight.sum() / before.sum())
