"""The landing ensemble as a weighted set of particles: places on the ground, each with its chance.

Importance sampling: the prior's particles are weighted by the likelihood of the evidence. Where few are
left that count, new ones are drawn about them from a kernel density and weighted by prior times
likelihood over the density that they were drawn from (population Monte Carlo: Cappe et al. 2004,
J. Comput. Graph. Stat. 13; kernel width: Silverman 1986, section 4.3.2).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from numpy.random import Generator

Array = npt.NDArray[np.float64]

ENOUGH = 0.25  # effective particles as a share of all: below, new ones are drawn
ROUNDS = 4
_LEAST_M = 15.0  # of a kernel: no evidence tells places apart that lie closer
_WIDE = 0.1  # share drawn from the prior itself, so that no place is lost
_BLOCK = 500
_BULK, _TRIMS = 0.8, 4
# of a normal's variance that lies within its central 80 %, two dimensions: 1 + p ln p / (1 - p), p = 0.2
_BULK_SHARE = 1.0 + 0.2 * float(np.log(0.2)) / 0.8


@dataclass(frozen=True, slots=True)
class Particles:
    """Landing places in the flight's frame, shapes (n,): metres, UTC seconds; weights sum to 1."""

    x_m: Array
    y_m: Array
    landed_s: Array
    weight: Array

    @property
    def effective(self) -> float:
        """Kish's effective number: 1 over the sum of the squared weights."""
        return float(1.0 / np.sum(self.weight**2))


def evenly(x_m: Array, y_m: Array, landed_s: Array) -> Particles:
    """The prior: all count the same."""
    return Particles(x_m, y_m, landed_s, np.full(len(x_m), 1.0 / len(x_m)))


Likelihood = Callable[[Array, Array, Array], Array]  # x, y, landed -> logarithm


def posterior(prior: Particles, log_likelihood: Likelihood, seed: int) -> Particles:
    """The particles after the evidence. The same inputs give the same particles."""
    found = _weighted(prior, np.log(prior.weight), log_likelihood)
    draw = np.random.default_rng(seed)
    density = Kernel(prior)
    for _ in range(ROUNDS):
        if found.effective >= ENOUGH * len(found.weight):
            break
        proposal = Kernel(found)
        n = len(found.weight)
        wide = draw.random(n) < _WIDE
        x_m, y_m, landed_s = proposal.sample(draw, n)
        other_x, other_y, other_s = density.sample(draw, n)
        x_m, y_m = np.where(wide, other_x, x_m), np.where(wide, other_y, y_m)
        landed_s = np.where(wide, other_s, landed_s)
        before = density.at(x_m, y_m)
        drawn = (1.0 - _WIDE) * proposal.at(x_m, y_m) + _WIDE * before
        tiny = np.finfo(float).tiny
        log_weight = np.log(np.maximum(before, tiny)) - np.log(np.maximum(drawn, tiny))
        found = _weighted(Particles(x_m, y_m, landed_s, prior.weight), log_weight, log_likelihood)
    return found


def _weighted(particles: Particles, log_weight: Array, log_likelihood: Likelihood) -> Particles:
    total = log_weight + log_likelihood(particles.x_m, particles.y_m, particles.landed_s)
    weight = np.exp(total - total.max())
    return Particles(
        particles.x_m, particles.y_m, particles.landed_s, np.asarray(weight / weight.sum())
    )


class Kernel:
    """A Gaussian kernel density of weighted particles, shaped by the covariance of their bulk."""

    def __init__(self, particles: Particles) -> None:
        self._p = particles
        places = np.column_stack([particles.x_m, particles.y_m])
        middle, covariance = _of_the_bulk(places, particles.weight)
        width = particles.effective ** (-1.0 / 6.0)  # Silverman, two dimensions
        self._covariance = covariance * width**2 + _LEAST_M**2 * np.eye(2)
        self._root = np.linalg.cholesky(self._covariance)
        self._whitened = np.linalg.solve(self._root, places.T).T
        self._centre = np.linalg.solve(self._root, middle)
        self._norm = 1.0 / (2.0 * np.pi * float(np.prod(np.diag(self._root))))

    def sample(self, draw: Generator, count: int) -> tuple[Array, Array, Array]:
        """x, y and when it landed, shape (count,)."""
        chosen = draw.choice(len(self._p.weight), size=count, p=self._p.weight)
        off = draw.standard_normal((count, 2)) @ self._root.T
        return (
            self._p.x_m[chosen] + off[:, 0],
            self._p.y_m[chosen] + off[:, 1],
            self._p.landed_s[chosen],
        )

    def at(self, x_m: Array, y_m: Array) -> Array:
        """Density a square metre, shape (n,)."""
        asked = np.linalg.solve(self._root, np.vstack([x_m, y_m])).T - self._centre
        own = self._whitened - self._centre
        squares = (own**2).sum(axis=1)
        found = np.empty(len(asked))
        for first in range(0, len(asked), _BLOCK):
            part = asked[first : first + _BLOCK]
            squared = (part**2).sum(axis=1)[:, None] + squares - 2.0 * part @ own.T
            found[first : first + _BLOCK] = np.exp(-0.5 * squared) @ self._p.weight
        return found * self._norm


def _of_the_bulk(places: Array, weight: Array) -> tuple[Array, Array]:
    """Mean and covariance of the central part of the weight, put right for what was cut off.

    A few far ones, as after a bearing that may be a reflection, would make every kernel wide.
    """
    middle = weight @ places
    covariance = _covariance(places - middle, weight)
    for _ in range(_TRIMS):
        off = places - middle
        inverse = np.linalg.inv(covariance + np.eye(2))
        squared = np.einsum("ni,ij,nj->n", off, inverse, off)
        order = np.argsort(squared)
        held = np.cumsum(weight[order])
        inner = order[: max(int(np.searchsorted(held, _BULK)), 8)]
        part = weight[inner] / weight[inner].sum()
        middle = part @ places[inner]
        covariance = _covariance(places[inner] - middle, part) / _BULK_SHARE
    return middle, covariance


def _covariance(off: Array, weight: Array) -> Array:
    return np.asarray((off * weight[:, None]).T @ off)
