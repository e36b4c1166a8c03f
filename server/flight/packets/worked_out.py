"""Errors of a clock that were worked out for moments, kept as long as no sample changes them."""

from __future__ import annotations

import math

_MOST_KEPT = 256


class WorkedOut:
    """By moment. An error *rests* on samples up to a time: one that is later does not change it.

    Most that is asked after one sample is asked before the next: what rests on samples of the past need not
    be worked out again with each that comes.
    """

    def __init__(self) -> None:
        self._rests: dict[float, tuple[float | None]] = {}  # on samples up to a known time
        self._open: dict[float, tuple[float | None]] = {}  # on any
        self._latest_s = -math.inf  # that any of `_rests` rests on

    def get(self, at_s: float) -> tuple[float | None] | None:
        """The error in a tuple; None where it is not kept."""
        return self._rests.get(at_s) or self._open.get(at_s)

    def changed_by(self, sample_s: float, moments: list[float]) -> list[float]:
        """Those of `moments` whose error may be another one with a sample at `sample_s`."""
        if sample_s <= self._latest_s:
            return moments
        rests = self._rests
        return [h for h in moments if h not in rests]

    def keep(self, at_s: float, ahead_s: float | None, until_s: float) -> None:
        """It rests on samples up to `until_s`; infinity where any may change it."""
        if len(self._rests) + len(self._open) >= _MOST_KEPT:
            self.clear()
        if until_s < math.inf:
            self._rests[at_s] = (ahead_s,)
            self._latest_s = max(self._latest_s, until_s)
        else:
            self._open[at_s] = (ahead_s,)

    def clear(self) -> None:
        self._rests.clear()
        self._open.clear()
        self._latest_s = -math.inf

    def forget(self, first_s: float, last_s: float, sample_s: float) -> None:
        """A sample at `sample_s` may change errors between two moments; -inf: one that may change all of
        them, whatever they rest on."""
        self._open = {h: a for h, a in self._open.items() if not first_s <= h <= last_s}
        if sample_s <= self._latest_s:
            self._rests = {h: a for h, a in self._rests.items() if not first_s <= h <= last_s}
