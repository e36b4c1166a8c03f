"""Two transmitters under one callsign: their fixes come by turns from two places too far apart for one box.

By jumps that no box makes the fixes of a callsign fall into stretches. Where every stretch goes on from the
last but one, six in a row, two senders speak by turns: wrong fixes of a receiver lie here and there, and do
not go on from each other. Untimed packets that come late by a slow way lie where it flew, and are not taken
for those of another.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Which = slice | Indices

# no balloon, fall or car is as fast; an airliner with a jet stream behind it is not much faster. Our choice
FASTEST_MS, SLACK_M = 150.0, 1_000.0
WITHIN_S = 900.0  # six stretches in so long; our choice
OVER_S = 600.0  # without another one it is over; our choice
ON_THE_WAY_M = 500.0
_TURNS = 4  # stretches in a row that go on from the last but one: six stretches, three of each


class TwoTransmitters(NamedTuple):
    """`until_s`: when it was over, if it is. Places as indices of the fixes: the last of each."""

    since_s: float
    noticed_s: float
    until_s: float | None
    places: tuple[int, int]
    apart_m: float


def two_transmitters(
    time_s: Array, x_m: Array, y_m: Array, z_m: Array, now_s: float
) -> list[TwoTransmitters]:
    """Times at which one callsign's fixes, in order of time, came from two. Arrays (n,); `z_m` may be NaN."""
    at_m = np.column_stack([x_m, y_m, z_m])
    starts = 1 + np.flatnonzero(_beyond(time_s, at_m, slice(None, -1), slice(1, None)))
    if len(starts) < _TURNS + 1:
        return []
    first = np.concatenate([[0], starts])
    last = np.append(starts, len(time_s)) - 1
    goes_on = ~_beyond(time_s, at_m, last[:-2], first[2:])  # to the stretch after the next
    turns = np.lib.stride_tricks.sliding_window_view(goes_on, _TURNS).all(axis=1)
    took_s = time_s[first[_TURNS + 1 :]] - time_s[last[: -_TURNS - 1]]
    found: list[TwoTransmitters] = []
    for k in np.flatnonzero(turns & (took_s <= WITHIN_S)).tolist():
        noticed_s = float(time_s[first[k + _TURNS + 1]])
        places = int(last[k + _TURNS]), int(last[k + _TURNS + 1])
        apart_m = float(_away_m(at_m[places[0]], at_m[places[1]]))
        if found and found[-1].until_s is None:
            found[-1] = found[-1]._replace(places=places, apart_m=apart_m)
        elif _late(at_m, first, last, k):
            continue
        else:
            since_s = float(time_s[first[k + 1]])
            found.append(TwoTransmitters(since_s, noticed_s, None, places, apart_m))
        next_s = now_s if places[1] + 1 == len(time_s) else float(time_s[places[1] + 1])
        if next_s > noticed_s + OVER_S:
            found[-1] = found[-1]._replace(until_s=noticed_s + OVER_S)
    return found


def _beyond(time_s: Array, at_m: Array, a: Which, b: Which) -> npt.NDArray[np.bool_]:
    """Whether nothing gets from fixes `a` to fixes `b` in the time between."""
    may_m = FASTEST_MS * (time_s[b] - time_s[a]) + SLACK_M
    return np.asarray(_away_m(at_m[a], at_m[b]) > may_m)


def _away_m(a: Array, b: Array) -> Array:
    """In height too, where both tell it."""
    return np.asarray(np.sqrt(np.nansum((a - b) ** 2, axis=-1)))


def _late(at_m: Array, first: Indices, last: Indices, k: int) -> bool:
    """Whether the second of two senders only repeats where the first has been."""
    theirs = at_m[: last[k] + 1], *(at_m[first[j] : last[j] + 1] for j in (k + 2, k + 4))
    mine = np.concatenate([at_m[first[j] : last[j] + 1] for j in (k + 1, k + 3, k + 5)])
    near = [_away_m(one, np.concatenate(theirs)).min() < ON_THE_WAY_M for one in mine]
    return all(near)
