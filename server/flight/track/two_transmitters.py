"""Two transmitters under one callsign: their fixes come by turns from two places too far apart for one box.

By jumps that no box makes the fixes of a callsign fall into stretches. Where every stretch goes on from the
last but one, six in a row, two senders speak by turns: wrong fixes of a receiver lie here and there, and do
not go on from each other. Untimed packets that come late by a slow way lie where it flew, and are not taken
for those of another; neither are those of one receiver that loses a digit now and then: they move as it does.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
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
# how far one may be from the straight way between two fixes: its errors, and an acceleration; our choice
_STRAIGHT_M, _BENDS_MS2 = 40.0, 0.25
_LONGEST_DEGREE_M, _DEGREE_M = 111_700.0, 111_200.0  # of a meridian: at the poles, and on average
_TURNS = 4  # stretches in a row that go on from the last but one: six stretches, three of each


class TwoTransmitters(NamedTuple):
    """Places as indices of the fixes: the last of each."""

    since_s: float
    noticed_s: float
    over_s: float  # unless they go on by turns until then
    places: tuple[int, int]
    apart_m: float


def two_transmitters(
    time_s: Array,
    x_m: Array,
    y_m: Array,
    z_m: Array,
    latitude_deg: Array,
    longitude_deg: Array,
) -> list[TwoTransmitters]:
    """Times at which one callsign's fixes, in order of time, came from two. Arrays (n,); `z_m` may be NaN."""
    at_m = np.column_stack([x_m, y_m, z_m])
    place = np.column_stack([latitude_deg, longitude_deg, z_m])
    starts = 1 + np.flatnonzero(_beyond(time_s, at_m, slice(None, -1), slice(1, None)))
    if len(starts) < _TURNS + 1:
        return []
    first = np.concatenate([[0], starts])
    last = np.append(starts, len(time_s)) - 1
    goes_on = ~_beyond(time_s, at_m, last[:-2], first[2:])  # to the stretch after the next
    turns = np.lib.stride_tricks.sliding_window_view(goes_on, _TURNS).all(axis=1)
    took_s = time_s[first[_TURNS + 1 :]] - time_s[last[: -_TURNS - 1]]
    turns &= took_s <= WITHIN_S
    at = np.flatnonzero(turns)
    if len(at) == 0:
        return []
    beside = _beside(time_s, place, first, last, at)
    found: list[TwoTransmitters] = []
    for k, same_receiver in zip(at.tolist(), beside.tolist(), strict=True):
        noticed_s = float(time_s[first[k + _TURNS + 1]])
        goes_on_now = bool(found) and noticed_s <= found[-1].over_s
        if not goes_on_now and (same_receiver or _late(at_m, first, last, k)):
            continue
        places = int(last[k + _TURNS]), int(last[k + _TURNS + 1])
        apart_m = float(_away_m(at_m[places[0]], at_m[places[1]]))
        over_s = noticed_s + OVER_S
        if goes_on_now:
            found[-1] = found[-1]._replace(over_s=over_s, places=places, apart_m=apart_m)
        else:
            since_s = float(time_s[first[k + 1]])
            found.append(TwoTransmitters(since_s, noticed_s, over_s, places, apart_m))
    return found


# by callsign: from, to, in order (UTC seconds)
Spans = Mapping[str, tuple[tuple[float, float], ...]]


def names_at(spans: Spans, time_s: float) -> frozenset[str]:
    """The callsigns of which two transmit at a time."""
    if not spans:
        return frozenset()
    return frozenset(
        name for name, its in spans.items() if any(since <= time_s <= to for since, to in its)
    )


def differ_from_s(before: Spans, after: Spans) -> float:
    """The earliest time at which two sets of spans do not say the same; inf where they do."""
    found = math.inf
    for name in {*before, *after}:
        for one, other in itertools.zip_longest(before.get(name, ()), after.get(name, ())):
            if one != other:
                starts = [span[0] for span in (one, other) if span is not None]
                same_start = len(starts) == 2 and starts[0] == starts[1]
                found = min(found, min(one[1], other[1]) if same_start else min(starts))
                break
    return found


Place = tuple[float, float, float | None]  # latitude, longitude (degrees), altitude (m)


def may_be_beyond(time_s: float, place: Place, later_s: float, other: Place) -> bool:
    """Cheaply, whether two fixes might be too far apart for one box; where it is False they are not."""
    # of three axes one has more than half
    may_m = (FASTEST_MS * (later_s - time_s) + SLACK_M) / 2.0
    may_deg = may_m / _LONGEST_DEGREE_M
    if abs(other[0] - place[0]) > may_deg or abs(other[1] - place[1]) > may_deg:
        return True
    return place[2] is not None and other[2] is not None and abs(other[2] - place[2]) > may_m


def _beyond(time_s: Array, at_m: Array, a: Which, b: Which) -> npt.NDArray[np.bool_]:
    """Whether nothing gets from fixes `a` to fixes `b` in the time between."""
    may_m = FASTEST_MS * (time_s[b] - time_s[a]) + SLACK_M
    return np.asarray(_away_m(at_m[a], at_m[b]) > may_m)


def _away_m(a: Array, b: Array) -> Array:
    """In height too, where both tell it."""
    apart = a - b
    squared = apart * apart
    height = squared[..., 2]
    return np.asarray(
        np.sqrt(squared[..., 0] + squared[..., 1] + np.where(np.isnan(height), 0.0, height))
    )


def _late(at_m: Array, first: Indices, last: Indices, k: int) -> bool:
    """Whether the second of two senders only repeats where the first has been."""
    theirs = at_m[: last[k] + 1], *(at_m[first[j] : last[j] + 1] for j in (k + 2, k + 4))
    been = np.concatenate(theirs)
    mine = np.concatenate([at_m[first[j] : last[j] + 1] for j in (k + 1, k + 3, k + 5)])
    return all(bool(_away_m(one, been).min() < ON_THE_WAY_M) for one in mine)


def _beside(
    time_s: Array, place: Array, first: Indices, last: Indices, at: Indices
) -> npt.NDArray[np.bool_]:
    """For each of `at`, shape (n,): whether the second of two senders moves, always as many degrees beside
    the first: the same receiver.

    At rest: whether one number of three is off, and the others are the same.
    """
    mine = first[np.stack([at + 1, at + 3])]
    before, after = last[np.stack([at, at + 2])], first[np.stack([at + 2, at + 4])]
    whole_s = time_s[after] - time_s[before]
    share = ((time_s[mine] - time_s[before]) / whole_s)[..., None]
    theirs = (1.0 - share) * place[before] + share * place[after]  # (2, n, 3)
    to_m = np.full((len(at), 3), [_DEGREE_M, _DEGREE_M, 1.0])
    to_m[:, 1] *= np.cos(np.radians(theirs[0, :, 0]))
    beside_m = (place[mine] - theirs) * to_m
    may_m = _STRAIGHT_M + _BENDS_MS2 / 8.0 * whole_s.max(axis=0) ** 2
    at_rest = _away_m(theirs[0] * to_m, theirs[1] * to_m) < 2.0 * may_m
    one_is_off = ((np.abs(beside_m) < may_m[:, None]).sum(axis=-1) == 2).all(axis=0)
    even = _away_m(beside_m[0], beside_m[1]) < may_m
    return np.asarray(np.where(at_rest, one_is_off, even))
