"""What gaps between packets tell: the beacon interval, and how packets are missed, in runs."""

from __future__ import annotations

import bisect
import math

_ONE_BEACON = 0.2  # of the upper quartile: a shorter gap lies between two packets of one beacon
# Packets are lost in runs: what hides a tracker lasts. That a run begins has its own chance with each
# tracker, and so has that it goes on; from run to run the latter differs (a beta distribution), so
# that a run which has lasted is the likelier to go on. Each is (mean, weight in packets), by maximum
# likelihood over the runs below 12 intervals of 110 trackers on 50 real flights
_BEGINS, _GOES_ON = (0.085, 10.0), (0.20, 10.0)
_RUN_WEIGHT = 3.5
# a beacon's share of 0.05 alarms a flight that nobody needed: 440 are heard on one, by all trackers
_FALSE_SILENCE = 0.05 / 440
_FALSE_WITHIN = 2  # intervals: heard again so soon, the alarm told nothing
_MOST_INTERVALS = 12
_MISSES_OF_ONE_GAP = 6  # that count: misses in a row are not by chance


def beacon_interval_s(gaps: tuple[float, ...]) -> float:
    """The median of recent gaps of one to three intervals, the misses between taken out.

    One interval is about the lower quartile: missed packets make gaps longer, never shorter. Where
    each beacon is of two packets, the short gap is added to the next long one.
    """
    ordered = sorted(gaps)
    short_s = _ONE_BEACON * ordered[3 * len(ordered) // 4]
    if ordered[0] < short_s:
        whole, begun_s = [], 0.0
        for gap_s in gaps:
            begun_s += gap_s
            if gap_s >= short_s:
                whole.append(begun_s)
                begun_s = 0.0
        ordered = sorted(whole)
    lower_s = ordered[len(ordered) // 4]
    if misses(ordered[-1], lower_s) == 0:  # as a rule: there is nothing to take out
        return ordered[len(ordered) // 2]
    # of one interval, two and three: `round` takes one and a half, and two and a half, for two
    two = bisect.bisect_left(ordered, 1.5 * lower_s)
    three = bisect.bisect_right(ordered, 2.5 * lower_s, two)
    four = bisect.bisect_left(ordered, 3.5 * lower_s, three)
    folded = ordered[:two]
    folded += [gap_s / 2.0 for gap_s in ordered[two:three]]
    folded += [gap_s / 3.0 for gap_s in ordered[three:four]]
    folded.sort()
    return folded[len(folded) // 2]


def posteriors(gaps: int, runs: int, missed: int) -> tuple[float, float]:
    """That a run of misses begins after a packet, and that one goes on: means of beta posteriors."""
    begins = (runs + _BEGINS[0] * _BEGINS[1]) / (gaps + _BEGINS[1])
    return begins, (missed - runs + _GOES_ON[0] * _GOES_ON[1]) / (missed + _GOES_ON[1])


def long_run_intervals(begins: float, goes_on: float) -> float:
    """Intervals after which a silence is worth an alarm: straight in the chance's log between two.

    Runs are geometric, with a chance of going on that itself is drawn from a beta distribution of mean q and
    weight w: integrated over it, a run of j misses goes on with the chance (w q + j - 1) / (w + j - 1).
    """
    lasts = [1.0, begins]  # chance of so many misses or more
    for j in range(_MOST_INTERVALS + _FALSE_WITHIN):
        lasts.append(lasts[-1] * (_RUN_WEIGHT * goes_on + j) / (_RUN_WEIGHT + j))
    before = lasts[1] - lasts[1 + _FALSE_WITHIN]
    for run in range(2, _MOST_INTERVALS + 1):
        chance = lasts[run] - lasts[run + _FALSE_WITHIN]
        if chance <= _FALSE_SILENCE:
            return run - 1 + math.log(before / _FALSE_SILENCE) / math.log(before / chance)
        before = chance
    return float(_MOST_INTERVALS)


def misses(gap_s: float, interval_s: float) -> int:
    """Beacons that were sent in a gap and not heard."""
    return max(round(gap_s / interval_s) - 1, 0)


def telling(missed: int) -> int:
    """What misses in one gap say of how often one is missed; nothing where it was silent."""
    return 0 if missed >= _MOST_INTERVALS else min(missed, _MISSES_OF_ONE_GAP)
