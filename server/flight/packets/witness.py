"""What one witness said of a clock: how far it was ahead at each of his packets, in order of hearing."""

from __future__ import annotations

import bisect
import math

FEWEST = 3  # samples, to be heard
NOTICED_S = 45.0  # a smaller error is left alone: the lag of real feeds stays below
_AGREEMENT_S = 15.0  # between the middle half of the samples; delayed packets agree less
_ALIKE_S = 15.0  # samples are found by how far the clock was ahead in steps of this
_KEPT = 64  # samples before the last change whose medians are kept: 14 are asked around it
_MOST_MIDDLES = 1_024  # before the old ones are let go

Sample = tuple[float, float]  # heard at, and by how much the clock was ahead: both in seconds


class Witness:
    """What one of them said, in order of hearing."""

    def __init__(self) -> None:
        self.samples: list[Sample] = []
        self.off_at_s: list[float] = []  # when what it said was off, sorted
        self._middles: dict[tuple[int, int], float | None] = {}  # of stretches, as `middle`
        # by the step that what they said falls into; each sorted
        self._alike: dict[int, list[Sample]] = {}

    def put(self, i: int, sample: Sample) -> None:
        self._forget(i)
        self.samples.insert(i, sample)
        bisect.insort(self._alike.setdefault(_step(sample[1]), []), sample)
        if is_off(sample):
            bisect.insort(self.off_at_s, sample[0])

    def take(self, i: int) -> None:
        self._forget(i)
        sample = self.samples.pop(i)
        self._alike[_step(sample[1])].remove(sample)
        if is_off(sample):
            self.off_at_s.remove(sample[0])

    def _forget(self, i: int) -> None:
        if (
            i == len(self.samples) and len(self._middles) < _MOST_MIDDLES
        ):  # behind all that was asked
            return
        old = i - _KEPT
        self._middles = {at: m for at, m in self._middles.items() if at[0] >= old and at[1] <= i}

    def middle(self, start: int, end: int) -> float | None:
        """The median of a stretch of samples that agree; None when they are too few or do not."""
        stretch = (start, end)
        if stretch not in self._middles:
            self._middles[stretch] = _middle(self.samples[start:end])
        return self._middles[stretch]

    def last_near(self, ahead_s: float, within_s: float, end: int) -> Sample | None:
        """The last of the first `end` samples, at least one, that said about so."""
        latest, found = self.samples[end - 1], []
        for alike in self._about(ahead_s, within_s):
            i = bisect.bisect_right(alike, latest) - 1
            while i >= 0 and abs(alike[i][1] - ahead_s) > within_s:
                i -= 1
            found += alike[i : i + 1] if i >= 0 else []
        return max(found, default=None)

    def first_near(self, ahead_s: float, within_s: float, after: Sample, end: int) -> Sample | None:
        """The first behind `after` of the first `end` samples that said about so."""
        latest, found = self.samples[end - 1], []
        for alike in self._about(ahead_s, within_s):
            i = bisect.bisect_right(alike, after)
            while i < len(alike) and abs(alike[i][1] - ahead_s) > within_s:
                i += 1
            found += [one for one in alike[i : i + 1] if one <= latest]
        return min(found, default=None)

    def _about(self, ahead_s: float, within_s: float) -> list[list[Sample]]:
        steps = range(_step(ahead_s - within_s), _step(ahead_s + within_s) + 1)
        return [self._alike[step] for step in steps if step in self._alike]


def _step(ahead_s: float) -> int:
    return math.floor(ahead_s / _ALIKE_S)


def is_off(sample: Sample) -> bool:
    return abs(sample[1]) > NOTICED_S


def _middle(window: list[Sample]) -> float | None:
    """The median of samples that agree; None when they are too few or do not."""
    if len(window) < FEWEST:
        return None
    ordered = sorted(ahead_s for _, ahead_s in window)
    spread = ordered[3 * len(ordered) // 4] - ordered[len(ordered) // 4]
    return ordered[len(ordered) // 2] if spread < _AGREEMENT_S else None
