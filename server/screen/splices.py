"""What changed since the last message, at a cost that follows the change and not the flight.

A series is compared with what was sent by comparing slices, which runs at C speed and stops at
identical points; where the two part is found by halving. Points are rounded once, as they enter; those
of the track, of which a late fix changes thousands, have been rounded as they were made.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from typing import Any

from server.screen.feed import History

# decimals kept of each column: 0.1 m of altitude, 1e-6 deg (0.1 m) of position, 1 ms of time
TRACK_DECIMALS = (None,) * 7  # its points are made rounded (flight/track/records.py)
FIX_DECIMALS = (3, 6, 6, 1, None, None)
VEHICLE_DECIMALS = (3, 6, 6)
SENSOR_DECIMALS = (3, 4)


def common_prefix(old: Sequence[Any], new: Sequence[Any]) -> int:
    """How many leading items are equal."""
    if old == new[: len(old)]:
        return len(old)
    low, high = 0, min(len(old), len(new))  # the first `low` are equal
    while low < high:
        middle = (low + high + 1) // 2
        if old[low:middle] == new[low:middle]:
            low = middle
        else:
            high = middle - 1
    return low


class Series:
    """One growing series: what the feed gave last, and the rounded rows that browsers have."""

    def __init__(self, decimals: tuple[int | None, ...]) -> None:
        self._decimals = [(i, n) for i, n in enumerate(decimals) if n is not None]
        self._given: list[Any] = []
        self.rows: list[Sequence[Any]] = []

    def follow(self, points: Iterable[Any]) -> dict[str, Any] | None:
        given = list(points)
        kept = common_prefix(self._given, given)
        if kept == len(given) == len(self._given):
            return None
        added = [self._rounded(point) for point in given[kept:]]
        self.rows[kept:] = added
        self._given = given
        return {"from": kept, "points": added}

    def _rounded(self, point: Sequence[Any]) -> Sequence[Any]:
        if not self._decimals:  # no second one is kept
            return point
        row = list(point)
        for i, places in self._decimals:
            if row[i] is not None:
                row[i] = round(row[i], places)
        return row


class SentHistory:
    """The history as the browsers have it. `follow` brings it up to date and gives the change."""

    def __init__(self) -> None:
        self._tracks: dict[str, Series] = {}
        self._fixes: dict[str, Series] = {}
        self._vehicles: dict[str, Series] = {}
        self._sensors: dict[str, Series] = {}
        self._units: dict[str, str] = {}

    def follow(self, history: History) -> dict[str, Any]:
        change: dict[str, Any] = {}
        readings = {name: series["points"] for name, series in history.sensors.items()}
        for section, known, given, decimals in (
            ("tracks", self._tracks, history.tracks, TRACK_DECIMALS),
            ("fixes", self._fixes, history.fixes, FIX_DECIMALS),
            ("vehicles", self._vehicles, history.vehicles, VEHICLE_DECIMALS),
            ("sensors", self._sensors, readings, SENSOR_DECIMALS),
        ):
            splices = _follow_all(known, given, partial(Series, decimals))
            if splices:
                change[section] = splices
        for name, series in history.sensors.items():
            self._units[name] = series["unit"]
        for name, splice in change.get("sensors", {}).items():
            splice["unit"] = self._units.get(name, "")
        return change

    def whole(self) -> dict[str, Any]:
        return {
            "tracks": {name: series.rows for name, series in self._tracks.items()},
            "fixes": {name: series.rows for name, series in self._fixes.items()},
            "vehicles": {name: series.rows for name, series in self._vehicles.items()},
            "sensors": {
                name: {"unit": self._units.get(name, ""), "points": series.rows}
                for name, series in self._sensors.items()
            },
        }


def _follow_all(
    known: dict[str, Series],
    given: Mapping[str, Iterable[Any]],
    make: Callable[[], Series],
) -> dict[str, dict[str, Any]]:
    splices = {}
    for name, points in given.items():
        splice = known.setdefault(name, make()).follow(points)
        if splice is not None:
            splices[name] = splice
    for name in known.keys() - given.keys():
        splice = known.pop(name).follow(())
        if splice is not None:
            splices[name] = splice
    return splices


def whole_history(history: History) -> dict[str, Any]:
    """For a reader who has nothing yet."""
    sent = SentHistory()
    sent.follow(history)
    return sent.whole()
