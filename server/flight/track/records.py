"""What the filter made of each fix, in canonical order, and columns of it.

Questions that come several times a second are answered from the columns, which grow with each record,
so that no answer walks through the whole flight.
"""

from __future__ import annotations

import bisect
import math
from array import array
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from server.flight.physics.geodesy import LocalFrame
from server.flight.state import Phase
from server.flight.track.filter import FilterState
from server.flight.track.fixes import ACCEPTED, ACCEPTED_WITHOUT_ALTITUDE, Fix, Key, Verdict
from server.flight.track.phase_memory import PhaseMemory
from server.flight.tracker_state import Rejection

_WHOLE = (ACCEPTED, ACCEPTED_WITHOUT_ALTITUDE)
FALLING = ("descent", "landed")
TrackPoint = tuple[float, float, float, float | None, float | None, float, Phase]
FixPoint = tuple[float, float, float, float | None, bool, Rejection | None]

_COLUMNS = (
    "time_s",
    "x_m",
    "y_m",
    "latitude_deg",
    "longitude_deg",
    "altitude_m",
    "stated_x_m",
    "stated_y_m",
    "stated_z_m",
    "climb_ms",
    "sigma_h_m",
)
_FLAGS = ("whole", "used", "accepted", "falls", "falls_or_fell")


class Checkpoint(NamedTuple):
    """All that the run over later fixes depends on."""

    state: FilterState | None = None
    phase: PhaseMemory = PhaseMemory()
    challengers: tuple[tuple[Fix, float, float], ...] = ()  # rejected in a row, with x and y
    doubted: tuple[Key, ...] = ()  # not wholly used, though a fall would explain them
    pardoned: frozenset[Key] = frozenset()  # rejected at first, then confirmed by what followed
    used: tuple[Fix, float, float] | None = None  # the last accepted fix, with x and y


class Record(NamedTuple):
    """One fix after the filter has seen it. Metres in the track's frame."""

    fix: Fix
    x_m: float
    y_m: float
    verdict: Verdict
    after: Checkpoint


class Records:
    """Records of the first fixes of a track, in one frame.

    Columns have one entry a record: of the fix `time_s`, `x_m`, `y_m`, `latitude_deg`,
    `longitude_deg`, `altitude_m` (NaN where it has none) and `tracker`, an index of `names`; of the
    filter behind it `stated_x_m`, `stated_y_m`, `stated_z_m`, `climb_ms` and `sigma_h_m` (NaN
    without a state). Flags: `whole` and `used`, with what later fixes confirmed; `accepted` at once;
    `falls`, `falls_or_fell`: the phase is descent, or landed as well.
    """

    def __init__(self, frame: LocalFrame) -> None:
        self.frame = frame
        self.records: list[Record] = []
        self.verdicts: list[Verdict] = []  # with what later fixes confirmed
        # for the screen: time, latitude, longitude, altitude, accepted, reason; of the first len(track)
        # time, latitude, longitude, altitude, climb, sigma_h, phase, or None
        self.fixes: list[FixPoint] = []
        self.track: list[TrackPoint | None] = []
        self.names: list[str] = []  # of trackers, in the order in which they come
        self._index: dict[str, int] = {}
        self._columns = {name: array("d") for name in _COLUMNS}
        self._flags = {name: array("b") for name in _FLAGS}
        self._trackers = array("q")

    def __len__(self) -> int:
        return len(self.records)

    def last(self) -> Checkpoint:
        return self.records[-1].after if self.records else Checkpoint()

    def first(self, count: int) -> Records:
        """The first `count` of them, to be gone on with; this one stays as it is."""
        other = Records(self.frame)
        other.records, other.verdicts = self.records[:count], self.verdicts[:count]
        other.fixes, other.track = self.fixes[:count], self.track[:count]
        other._columns = {name: column[:count] for name, column in self._columns.items()}
        other._flags = {name: flags[:count] for name, flags in self._flags.items()}
        other._trackers = self._trackers[:count]
        seen = max(other._trackers, default=-1) + 1
        other.names = self.names[:seen]
        other._index = {name: i for i, name in enumerate(other.names)}
        for key in self.last().pardoned - other.last().pardoned:
            for i in other._places(key):
                other._judge(i, other.records[i].verdict)
        return other

    def append(self, record: Record) -> None:
        """Behind the last; what it pardons of those before it counts from now on."""
        fix, state = record.fix, record.after.state
        before = self.last().pardoned
        self.records.append(record)
        self.verdicts.append(record.verdict)
        self.fixes.append(_fix_point(fix, record.verdict))
        index = self._index.setdefault(fix.tracker, len(self.names))
        if index == len(self.names):
            self.names.append(fix.tracker)
        self._trackers.append(index)
        stated = (math.nan,) * 5
        if state is not None:
            x, y, z = state.stated()
            sigma_h_m = math.sqrt((x.var_position + y.var_position) / 2)
            stated = (x.position, y.position, z.position, z.velocity, sigma_h_m)
        altitude_m = math.nan if fix.altitude_m is None else fix.altitude_m
        row = (
            fix.time_s,
            record.x_m,
            record.y_m,
            fix.latitude_deg,
            fix.longitude_deg,
            altitude_m,
            *stated,
        )
        for column, value in zip(self._columns.values(), row, strict=True):
            column.append(value)
        phase = record.after.phase.phase
        falls, fell = phase == "descent", phase in FALLING and state is not None
        for flags, flag in zip(
            self._flags.values(), (0, 0, record.verdict.accepted, falls, fell), strict=True
        ):
            flags.append(flag)
        self._judge(len(self.records) - 1, record.verdict)
        pardoned = record.after.pardoned
        if pardoned is not before:
            for key in pardoned - before:
                self._pardon(key)
        if record.verdict.reason is not None and fix.order in pardoned:
            self._pardon(fix.order)

    def place(self) -> None:
        """Points of the track for all that has been appended; many at once are the cheaper.

        Rounded to 1 ms, 1e-6 degrees (0.1 m), 0.1 m and 0.01 m/s: to do so when they are sent, with all
        that a late fix changes, takes 10 ms at once.
        """
        first = len(self.track)
        if first == len(self.records):
            return
        columns = {name: np.array(column[first:]) for name, column in self._columns.items()}
        places = self.frame.to_latlon(columns["stated_x_m"], columns["stated_y_m"])
        rows = zip(
            self.records[first:],
            columns["time_s"].tolist(),
            *(place.tolist() for place in places),
            *(columns[name].tolist() for name in ("stated_z_m", "climb_ms", "sigma_h_m")),
            strict=True,
        )
        self.track += [
            (
                round(time_s, 3),
                round(lat, 6),
                round(lon, 6),
                round(z_m, 1),
                round(climb_ms, 2),
                round(sigma_h_m, 1),
                record.after.phase.phase,
            )
            if record.verdict.accepted and record.after.state is not None
            else None
            for record, time_s, lat, lon, z_m, climb_ms, sigma_h_m in rows
        ]

    def column(self, name: str) -> npt.NDArray[np.float64]:
        """A copy, shape (n,)."""
        return np.array(self._columns[name])

    def flags(self, name: str) -> npt.NDArray[np.bool_]:
        """A copy, shape (n,)."""
        return np.array(self._flags[name]).astype(bool)

    def tracker(self) -> npt.NDArray[np.int64]:
        """A copy, shape (n,): indices of `names`."""
        return np.array(self._trackers, dtype=np.int64)

    def _pardon(self, key: Key) -> None:
        for i in self._places(key):
            if self.records[i].verdict.reason is not None:
                self._judge(i, ACCEPTED)

    def _places(self, key: Key) -> range:
        first = bisect.bisect_left(self.records, key, key=_key)
        return range(first, bisect.bisect_right(self.records, key, lo=first, key=_key))

    def _judge(self, i: int, verdict: Verdict) -> None:
        if verdict is not self.verdicts[i]:
            self.verdicts[i] = verdict
            self.fixes[i] = _fix_point(self.records[i].fix, verdict)
        self._flags["whole"][i] = verdict in _WHOLE
        self._flags["used"][i] = verdict.accepted


def _fix_point(fix: Fix, verdict: Verdict) -> FixPoint:
    place = fix.time_s, fix.latitude_deg, fix.longitude_deg, fix.altitude_m
    return *place, verdict.accepted, verdict.reason


def _key(record: Record) -> Key:
    return record.fix.order
