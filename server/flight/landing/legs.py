"""Pairs of fixes from which speeds are taken: of one tracker, far enough apart, near enough together."""

from __future__ import annotations

import bisect

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]

SHORTEST_S = 8.0  # the errors of two fixes over less drown what moved between them
LONGEST_S = 600.0


def legs(time_s: Array, tracker: Index) -> tuple[Index, Index]:
    """Indices of the first and the second fix of each pair, shapes (m,); fixes in order of time.

    Each begins where the one before it ended, so that no fix is counted twice: of a tracker that
    reports every second, one fix in eight is used.
    """
    first: list[Index] = []
    second: list[Index] = []
    for one in np.unique(tracker):
        of = np.flatnonzero(tracker == one)
        kept = of[_apart(time_s[of])]
        near = np.diff(time_s[kept]) <= LONGEST_S
        first.append(kept[:-1][near])
        second.append(kept[1:][near])
    if not first:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    return np.concatenate(first), np.concatenate(second)


def _apart(time_s: Array) -> Index:
    """Which fixes follow the one kept before by the shortest time or more."""
    if (np.diff(time_s) >= SHORTEST_S).all():
        return np.arange(len(time_s))
    times = time_s.tolist()
    kept = [0]
    while (i := bisect.bisect_left(times, times[kept[-1]] + SHORTEST_S)) < len(times):
        kept.append(i)
    return np.array(kept)
