"""Where to wait: the place on the roads from which the box is reached soonest after it has landed.

Over groups g of the ensemble's members with weights w, landing times t and drive times T(p, g) from a
place p, which a car reaches D(p) from now:

    delay(p, g) = max(now + D(p) - t_g, 0) + T(p, g)

`mean`: the sum of w delay. `worst`: the mean of the worst tenth. Several cars: the sum of w times the
least delay of them. A car that is not there before the landing goes on from where it is, so the first
term is an upper bound.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from server.flight.chase.roads import Fields

Array = npt.NDArray[np.float64]

GROUPS = 32
WORST_SHARE = 0.1
# a place is given up for another one that wins so much; our choice: less is not worth a turn, and a tenth of
# an hour would be lost for good
MOVE_SHARE, LEAST_MOVE_S, MOST_MOVE_S = 0.1, 30.0, 60.0
_ROUNDS = 6


class Groups(NamedTuple):
    """Members put together: `member` is the one that stands for the group, (g,)."""

    member: npt.NDArray[np.int64]
    of_member: npt.NDArray[np.int64]  # (n,): which group each belongs to
    weight: Array  # adds up to 1
    landing_s: Array  # mean of their landing times


class Place(NamedTuple):
    """Of the fields' places. Seconds after the landing until the car is at the box's road."""

    number: int
    mean_s: float
    worst_s: float


def grouped(x_m: Array, y_m: Array, landing_s: Array, count: int = GROUPS) -> Groups:
    """By place: k-means (Lloyd 1982) from members that lie far apart. Shapes (n,)."""
    points = np.column_stack([x_m, y_m])
    if len(points) <= count:
        each = np.arange(len(points))
        return Groups(each, each, np.full(len(points), 1.0 / len(points)), landing_s)
    centres = points[_far_apart(points, count)]
    label = np.zeros(len(points), dtype=np.int64)
    for _ in range(_ROUNDS):
        label = _square_m2(points, centres).argmin(axis=1)
        size = np.bincount(label, minlength=count)
        sums = np.column_stack([np.bincount(label, points[:, i], minlength=count) for i in (0, 1)])
        centres = np.where(size[:, None] > 0, sums / np.maximum(size, 1)[:, None], centres)
    square = _square_m2(points, centres)
    label = square.argmin(axis=1)
    size = np.bincount(label, minlength=count)
    used = np.flatnonzero(size)
    nearest = [int(np.flatnonzero(label == g)[square[label == g, g].argmin()]) for g in used]
    mean_s = np.bincount(label, landing_s, minlength=count)[used] / size[used]
    number = np.zeros(count, dtype=np.int64)
    number[used] = np.arange(len(used))
    return Groups(np.array(nearest), number[label], size[used] / len(points), mean_s)


def _square_m2(points: Array, centres: Array) -> Array:
    return np.asarray(((points[:, None, :] - centres[None, :, :]) ** 2).sum(axis=2))


def _far_apart(points: Array, count: int) -> list[int]:
    """The first is the nearest to the middle, each next the farthest from all before."""
    first = int(((points - points.mean(axis=0)) ** 2).sum(axis=1).argmin())
    chosen = [first]
    away = ((points - points[first]) ** 2).sum(axis=1)
    for _ in range(count - 1):
        chosen.append(int(away.argmax()))
        away = np.minimum(away, ((points - points[chosen[-1]]) ** 2).sum(axis=1))
    return chosen


def with_members(fields: Fields, groups: Groups, middle_s: Array) -> Fields:
    """With the groups' times taken to their members' mean.

    `middle_s`: from one place in the middle to every member, (n,); by how much the members of a group are
    farther from there than the one that stands for them, they are taken to be farther from everywhere.
    """
    known = np.isfinite(middle_s)
    count = len(groups.member)
    size = np.bincount(groups.of_member[known], minlength=count)
    sums = np.bincount(groups.of_member[known], middle_s[known], minlength=count)
    more_s = sums / np.maximum(size, 1) - middle_s[groups.member]
    more_s = np.where((size > 0) & np.isfinite(more_s), more_s, 0.0)
    return fields._replace(to_group_s=np.maximum(fields.to_group_s + more_s[:, None], 0.0))


def delays(fields: Fields, groups: Groups, now_s: float) -> Array:
    """Of each car, place and group: (cars, n, groups)."""
    late_s = np.maximum(
        now_s + fields.from_car_s[:, :, None] - groups.landing_s[None, None, :], 0.0
    )
    return np.asarray(late_s + fields.to_group_s.T[None])


def mean_of(delay_s: Array, weight: Array) -> Array:
    """Over the last axis."""
    return np.asarray(delay_s @ weight)


def worst_of(delay_s: Array, weight: Array, share: float = WORST_SHARE) -> Array:
    """Mean of the worst tenth over the last axis; the group on its border counts in part."""
    order = np.argsort(-delay_s, axis=-1)
    sorted_s = np.take_along_axis(delay_s, order, axis=-1)
    weights = weight[order]
    before = np.cumsum(weights, axis=-1) - weights
    part = np.clip(share - before, 0.0, weights)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(part > 0.0, sorted_s * part, 0.0).sum(axis=-1) / share)


def place(delay_s: Array, weight: Array, number: int) -> Place:
    """What one place is worth to one car; `delay_s` (n, groups)."""
    mean_s = float(mean_of(delay_s[number], weight))
    return Place(number, mean_s, float(worst_of(delay_s[number], weight)))


def best(delay_s: Array, weight: Array) -> Place | None:
    """The place of one car for the least mean; None: none is reached. `delay_s` (n, groups)."""
    mean_s = mean_of(delay_s, weight)
    if not mean_s.size or not np.isfinite(mean_s).any():
        return None
    return place(delay_s, weight, int(np.nanargmin(mean_s)))


def best_for_worst(delay_s: Array, weight: Array) -> Place | None:
    """The place of one car for the least mean of the worst tenth."""
    worst_s = worst_of(delay_s, weight)
    if not worst_s.size or not np.isfinite(worst_s).any():
        return None
    return place(delay_s, weight, int(np.nanargmin(worst_s)))


def together_mean_s(delay_s: Array, weight: Array, numbers: list[int]) -> float:
    """Mean delay of the first car to be there; `delay_s` (cars, n, groups)."""
    chosen = delay_s[np.arange(len(numbers)), numbers]
    return float(chosen.min(axis=0) @ weight)


def best_together(delay_s: Array, weight: Array) -> list[int] | None:
    """A place for each car, so that the first of them is there soonest: each in turn, until none moves.

    `delay_s` (cars, n, groups). Begun twice, from each car's own best and from one car after the
    other; None where a car reaches no place.
    """
    alone = [best(one, weight) for one in delay_s]
    if any(one is None for one in alone):
        return None
    own = [one.number for one in alone if one is not None]
    if len(own) < 2:
        return own
    found = []
    for start in (own, _one_after_the_other(delay_s, weight)):
        numbers = list(start)
        for _ in range(_ROUNDS):
            before = list(numbers)
            for car in range(len(numbers)):
                others = [c for c in range(len(numbers)) if c != car]
                least = delay_s[others, [numbers[c] for c in others]].min(axis=0)
                numbers[car] = int((np.minimum(delay_s[car], least) @ weight).argmin())
            if numbers == before:
                break
        found.append(numbers)
    return min(found, key=lambda numbers: together_mean_s(delay_s, weight, numbers))


def _one_after_the_other(delay_s: Array, weight: Array) -> list[int]:
    least = np.full(delay_s.shape[2], np.inf)
    numbers = []
    for car in range(len(delay_s)):
        number = int((np.minimum(delay_s[car], least) @ weight).argmin())
        least = np.minimum(least, delay_s[car, number])
        numbers.append(number)
    return numbers


def is_worth_it(kept_s: float, new_s: float) -> bool:
    """Whether to give up a place: for a tenth of what is left, at least half a minute, at most a whole."""
    return kept_s - new_s > min(max(MOVE_SHARE * kept_s, LEAST_MOVE_S), MOST_MOVE_S)
