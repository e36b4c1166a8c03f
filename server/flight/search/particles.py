"""The landing ensemble as a weighted set of particles: places on the ground, each with its chance.

Importance sampling: the prior's particles are weighted by the likelihood of the evidence. Where few are
left that count, new ones are drawn about them from a kernel density and weighted by prior times
likelihood over the density that they were drawn from (population Monte Carlo: Cappe et al. 2004,
J. Comput. Graph. Stat. 13; kernel width: Silverman 1986, section 4.3.2). Much evidence is taken in by
degrees: a power of the likelihood, as great as leaves enough particles, chooses where the next are drawn
(tempering: Del Moral, Doucet and Jasra 2006, J. R. Stat. Soc. B 68), so that a place between the
prior's particles is found and not only the nearest of them. What tells a place by itself (a bearing)
is drawn from as well from the first (a defensive mixture: Hesterberg 1995, Technometrics 37), so that
no place is missed of which no particle knows.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from numpy.random import Generator

Array = npt.NDArray[np.float64]

ENOUGH = 0.25  # effective particles as a share of all: below, new ones are drawn
ROUNDS = 12  # at most; four are usual
_POWERS = np.geomspace(1e-4, 1.0, 60)  # of the likelihood, that are tried
# that the prediction is wrong altogether: a share of the prior, so many times as wide; our choice
WRONG, WRONG_WIDTH = 0.03, 3.0
_LEAST_M = 15.0  # of a kernel: no evidence tells places apart that lie closer
_WIDE = 0.1  # share drawn from the prior and the hints, so that no place is lost
_EASED = 0.5  # share drawn by these and by a power of the likelihood; the others by all of it
_HINTED = 0.5  # share of the first particles that are drawn from the hints, where there are any
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


class Hint(Protocol):
    """A density of places that one piece of evidence tells by itself."""

    def sample(self, draw: Generator, count: int) -> tuple[Array, Array]:
        """x, y of shape (count,)."""

    def at(self, x_m: Array, y_m: Array) -> Array:
        """Density a square metre, shape (n,)."""


def posterior(
    prior: Particles, log_likelihood: Likelihood, seed: int, hints: Sequence[Hint] = ()
) -> Particles:
    """The particles after the evidence. The same inputs give the same particles."""
    draw = np.random.default_rng(seed)
    density = _Prior(prior)
    n = len(prior.weight)
    found, before = density.members(draw), np.log(prior.weight)
    if hints:  # of the prior over the density that they were drawn from
        found, drawn = _hinted(found, density, hints, draw)
        before = _ratio(density.at(found.x_m, found.y_m), drawn)
    for _ in range(ROUNDS):
        log = log_likelihood(found.x_m, found.y_m, found.landed_s)
        weighted = _weighted(found, before + log)
        if weighted.effective >= ENOUGH * n:
            return weighted
        # what the evidence says in full may be narrower than any power of it that leaves enough
        eased = Kernel(_weighted(found, before + _power(before, log) * log))
        full = Kernel(weighted)
        source = draw.random(n)
        other, _ = _hinted(density.sample(draw, n), density, hints, draw)
        x_m, y_m, landed_s = other.x_m.copy(), other.y_m.copy(), other.landed_s.copy()
        for kernel, low, high in ((eased, _WIDE, _EASED), (full, _EASED, 1.0)):
            its = np.flatnonzero((source >= low) & (source < high))
            x_m[its], y_m[its], landed_s[its] = kernel.sample(draw, len(its))
        here = density.at(x_m, y_m)
        drawn = (
            _WIDE * _mixed(here, hints, x_m, y_m)
            + (_EASED - _WIDE) * eased.at(x_m, y_m)
            + (1.0 - _EASED) * full.at(x_m, y_m)
        )
        before = _ratio(here, drawn)
        found = Particles(x_m, y_m, landed_s, prior.weight)
    return _weighted(found, before + log_likelihood(found.x_m, found.y_m, found.landed_s))


def _ratio(density: Array, drawn: Array) -> Array:
    tiny = np.finfo(float).tiny
    return np.asarray(np.log(np.maximum(density, tiny)) - np.log(np.maximum(drawn, tiny)))


def _hinted(
    particles: Particles, density: _Prior, hints: Sequence[Hint], draw: Generator
) -> tuple[Particles, Array]:
    """Some of them put where a hint says, and the density from which all of them are drawn."""
    x_m, y_m = particles.x_m.copy(), particles.y_m.copy()
    whose = np.floor(draw.random(len(x_m)) / _HINTED * max(len(hints), 1)).astype(int)
    for n, hint in enumerate(hints):
        its = np.flatnonzero(whose == n)
        x_m[its], y_m[its] = hint.sample(draw, len(its))
    drawn = _mixed(density.at(x_m, y_m), hints, x_m, y_m)
    return Particles(x_m, y_m, particles.landed_s, particles.weight), drawn


def _mixed(density: Array, hints: Sequence[Hint], x_m: Array, y_m: Array) -> Array:
    if not hints:
        return density
    told = sum((hint.at(x_m, y_m) for hint in hints), np.zeros(len(x_m))) / len(hints)
    return np.asarray((1.0 - _HINTED) * density + _HINTED * told)


def _power(before: Array, log: Array) -> float:
    """The greatest power of the likelihood that leaves enough particles; else that which leaves most."""
    total = before + _POWERS[:, None] * (log - log.max())
    weight = np.exp(total - total.max(axis=1, keepdims=True))
    effective = weight.sum(axis=1) ** 2 / (weight**2).sum(axis=1)
    enough = np.flatnonzero(effective >= ENOUGH * len(log))
    return float(_POWERS[enough[-1] if enough.size else int(np.argmax(effective))])


def _weighted(particles: Particles, log_weight: Array) -> Particles:
    weight = np.exp(log_weight - log_weight.max())
    return Particles(
        particles.x_m, particles.y_m, particles.landed_s, np.asarray(weight / weight.sum())
    )


class _Prior:
    """The ensemble's density, and a share that is much wider: predictions can be wrong altogether."""

    def __init__(self, particles: Particles) -> None:
        self._p, self._kernel = particles, Kernel(particles)
        places = np.column_stack([particles.x_m, particles.y_m])
        self._middle, covariance = _of_the_bulk(places, particles.weight)
        self._root = np.linalg.cholesky(WRONG_WIDTH**2 * covariance + _LEAST_M**2 * np.eye(2))

    def members(self, draw: Generator) -> Particles:
        """The ensemble itself, some of which are put farther out."""
        p = self._p
        n = len(p.weight)
        out = np.zeros(n, dtype=bool)
        out[draw.permutation(n)[: round(WRONG * n)]] = True
        far = self._middle + draw.standard_normal((n, 2)) @ self._root.T
        x_m, y_m = np.where(out, far[:, 0], p.x_m), np.where(out, far[:, 1], p.y_m)
        return Particles(x_m, y_m, p.landed_s, p.weight)

    def sample(self, draw: Generator, count: int) -> Particles:
        x_m, y_m, landed_s = self._kernel.sample(draw, count)
        far = self._middle + draw.standard_normal((count, 2)) @ self._root.T
        out = draw.random(count) < WRONG
        x_m, y_m = np.where(out, far[:, 0], x_m), np.where(out, far[:, 1], y_m)
        return Particles(x_m, y_m, landed_s, np.full(count, 1.0 / count))

    def at(self, x_m: Array, y_m: Array) -> Array:
        off = np.linalg.solve(self._root, np.vstack([x_m, y_m]) - self._middle[:, None])
        norm = 2.0 * np.pi * float(np.prod(np.diag(self._root)))
        wide = np.exp(-0.5 * (off**2).sum(axis=0)) / norm
        return np.asarray((1.0 - WRONG) * self._kernel.at(x_m, y_m) + WRONG * wide)


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
