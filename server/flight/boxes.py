"""A log without a plan: which of the trackers that show themselves fly on one box?

Two trackers that are heard over the same minutes and are, at the median of these, farther apart than a
faulty one strays are on two boxes. The median, because a tracker may freeze, stick at its ceiling or lose
a digit for a good part of a flight and is aboard all the same. Trackers that were never heard over the
same minutes tell nothing of each other.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from decoders.reports import EARLIEST_S, LATEST_S, PositionReport
from server.flight.inputs import Plan, Reception
from server.flight.packets.heard import decoded
from server.flight.packets.station_clocks import shows_a_tracker
from server.flight.physics.geodesy import LocalFrame

Array = npt.NDArray[np.float64]

# our choices: several times what two trackers of one box differ by, in time of hearing as well
_APART_M, _APART_UP_M = 3_000.0, 1_000.0
_GAP_S = 300.0  # places are taken straight between fixes that are so near in time
_FOR_S, _FEWEST = 300.0, 5  # they must be compared over so long, at so many fixes


class _Flown(NamedTuple):
    """A tracker's fixes in order of time, each of shape (n,): UTC seconds, degrees, metres."""

    time_s: Array
    latitude_deg: Array
    longitude_deg: Array
    altitude_m: Array


def boxes(receptions: Iterable[Reception], plan: Plan) -> list[list[str]]:
    """The names of the trackers that show themselves, by box; the box that is heard first comes first.

    Empty where none does. `plan` tells how its sources are read.
    """
    flown = _flown(receptions, plan)
    names = sorted(flown, key=lambda name: (flown[name].time_s[0], name))
    groups: list[list[str]] = []
    for name in names:
        found = [_apart(flown, name, group) for group in groups]
        together = next((i for i, apart in enumerate(found) if apart is False), None)
        if together is None:  # none that it was heard beside: not with those it is apart from
            together = next((i for i, apart in enumerate(found) if apart is None), None)
        if together is None:
            groups.append([name])
        else:
            groups[together].append(name)
    return groups


def _apart(flown: Mapping[str, _Flown], name: str, group: list[str]) -> bool | None:
    """Whether it is on another box than most of a group; None where they cannot be compared."""
    said = [_two_apart(flown[name], flown[other]) for other in group]
    told = [apart for apart in said if apart is not None]
    return 2 * sum(told) > len(told) if told else None


def _two_apart(one: _Flown, other: _Flown) -> bool | None:
    at_s = one.time_s
    after = np.searchsorted(other.time_s, at_s).clip(1, other.time_s.size - 1)
    near = (other.time_s[after] - other.time_s[after - 1] <= _GAP_S) & (
        (other.time_s[0] <= at_s) & (at_s <= other.time_s[-1])
    )
    if near.sum() < _FEWEST or at_s[near][-1] - at_s[near][0] < _FOR_S:
        return None
    frame = LocalFrame(float(one.latitude_deg[near][0]), float(one.longitude_deg[near][0]))
    x, y = frame.to_xy(one.latitude_deg[near], one.longitude_deg[near])
    there = [np.asarray(axis) for axis in frame.to_xy(other.latitude_deg, other.longitude_deg)]
    there_x, there_y = (np.interp(at_s[near], other.time_s, axis) for axis in there)
    up_m = np.interp(at_s[near], other.time_s, other.altitude_m)
    off_m = float(np.median(np.hypot(x - there_x, y - there_y)))
    off_up_m = float(np.median(np.abs(one.altitude_m[near] - up_m)))
    return off_m > _APART_M or off_up_m > _APART_UP_M


def _flown(receptions: Iterable[Reception], plan: Plan) -> dict[str, _Flown]:
    """Of those that report from high up for themselves; of equal times the last counts."""
    rows: dict[str, dict[float, tuple[float, float, float]]] = {}
    trackers: set[str] = set()
    for one in receptions:
        if not EARLIEST_S <= one.heard_at_s <= LATEST_S:
            continue
        for report in decoded(one, one.heard_at_s, plan.readings.get(one.source)).reports:
            if not isinstance(report, PositionReport) or not report.valid or report.object_of:
                continue
            if shows_a_tracker(report):
                trackers.add(report.name)
            if report.altitude_m is not None and abs(report.latitude_deg) <= 90.0:
                time_s = one.heard_at_s  # a tracker's own clock may be wrong
                rows.setdefault(report.name, {})[time_s] = (
                    report.latitude_deg,
                    report.longitude_deg,
                    report.altitude_m,
                )
    found = {}
    for name in trackers:
        its = rows.get(name, {})
        if its:
            columns = np.array([(t, *its[t]) for t in sorted(its)], dtype=np.float64).T
            found[name] = _Flown(*columns)
    return found
