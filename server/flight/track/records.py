"""What the filter made of each fix, in canonical order, and columns of it.

Questions that come several times a second are answered from the columns, which grow with each record,
so that no answer walks through the whole flight. What the filter knew after a fix is some 5 kB: of the
last fixes all of it is kept, of those before one in KEPT_EVERY, from which it is run again where it is
asked for. The filter is deterministic, so that is the same to the last bit.
"""

from __future__ import annotations

import bisect
import itertools
import math
from array import array
from collections import deque
from collections.abc import Iterator
from typing import Any, get_args

import numpy as np
import numpy.typing as npt

from server.flight.physics.geodesy import LocalFrame
from server.flight.state import Phase
from server.flight.track.advance import advance
from server.flight.track.checkpoint import Checkpoint, Judged, Record
from server.flight.track.constants import MotionConstants
from server.flight.track.fixes import ACCEPTED, ACCEPTED_WITHOUT_ALTITUDE, Fix, Key, Verdict
from server.flight.track.two_transmitters import Spans, names_at
from server.flight.tracker_state import Rejection

_WHOLE = (ACCEPTED, ACCEPTED_WITHOUT_ALTITUDE)
FALLING = ("descent", "landed")
KEPT_EVERY = 32  # a cut throws away so many fixes more than it must, at most
_RECENT = 32  # the last ones, of which all is kept: most that is late falls among them
_PHASES: tuple[Phase, ...] = get_args(Phase)
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
    "lowest_m",
)
_FLAGS = ("whole", "used", "accepted", "falls", "falls_or_fell")
_WIDTH, _FLAG_WIDTH = len(_COLUMNS), len(_FLAGS)  # of a row


class Records:
    """Records of the first fixes of a track, in one frame.

    Columns have one entry a record: of the fix `time_s`, `x_m`, `y_m`, `latitude_deg`,
    `longitude_deg`, `altitude_m` (NaN where it has none) and `tracker`, an index of `names`; of the
    filter behind it `stated_x_m`, `stated_y_m`, `stated_z_m`, `climb_ms`, `sigma_h_m` and `lowest_m`
    (NaN without a state). Flags: `whole` and `used`, with what later fixes confirmed; `accepted` at once;
    `falls`, `falls_or_fell`: the phase is descent, or landed as well.
    """

    def __init__(
        self, frame: LocalFrame, constants: MotionConstants, doubled: Spans | None = None
    ) -> None:
        self.frame = frame
        self._constants = constants
        self.doubled: Spans = doubled or {}  # when of which trackers two transmit
        self.records: list[Judged] = []
        # what was known after some of them, by their places; and after the last ones
        self._kept_at: list[int] = []
        self._kept: list[Checkpoint] = []
        self._recent: deque[Checkpoint] = deque(maxlen=_RECENT)
        self._accepted: Record | None = None  # the last one, where it has been asked for
        self.verdicts: list[Verdict] = []  # with what later fixes confirmed
        # for the screen: time, latitude, longitude, altitude, accepted, reason; of the first len(track)
        # time, latitude, longitude, altitude, climb, sigma_h, phase, or None
        self.fixes: list[FixPoint] = []
        self.track: list[TrackPoint | None] = []
        self.names: list[str] = []  # of trackers, in the order in which they come
        self._index: dict[str, int] = {}
        self._rows = array("d")  # one behind the other: as many calls as columns take longer
        self._flag_rows = array("b")
        self._trackers = array("q")
        self._phases = array("b")  # indices of _PHASES

    def __len__(self) -> int:
        return len(self.records)

    def last(self) -> Checkpoint:
        return self._recent[-1] if self._recent else Checkpoint()

    def after(self, i: int) -> Checkpoint:
        """What was known after record i, run again from the nearest that is kept."""
        recent = i - (len(self.records) - len(self._recent))
        if recent >= 0:
            return self._recent[recent]
        kept = bisect.bisect_right(self._kept_at, i) - 1
        known = self._kept[kept]
        for at in range(self._kept_at[kept] + 1, i + 1):
            known = self._advance(known, self.records[at])
        return known

    def whole(self) -> Iterator[Record]:
        """All of them with what was known after each: the filter is run once more."""
        known, at_kept = Checkpoint(), 0
        for i, judged in enumerate(self.records):
            if at_kept < len(self._kept_at) and self._kept_at[at_kept] == i:
                known, at_kept = self._kept[at_kept], at_kept + 1
            else:
                known = self._advance(known, judged)
            yield Record(*judged, known)

    def _advance(self, before: Checkpoint, judged: Judged) -> Checkpoint:
        fix, x_m, y_m, _ = judged
        doubled = names_at(self.doubled, fix.time_s)
        return advance(before, fix, x_m, y_m, self._constants, doubled).after

    def latest_accepted(self) -> Record | None:
        """The last one whose fix was accepted at once."""
        if self._accepted is None:
            i = len(self.records) - 1
            while i >= 0 and not self.records[i].verdict.accepted:
                i -= 1
            if i >= 0:
                self._accepted = Record(*self.records[i], self.after(i))
        return self._accepted

    def containers(self) -> list[list[Any]]:
        """All that grows with the flight, to be emptied little by little."""
        return [self.records, self._kept, self.fixes, self.track]

    def at_hand(self, count: int) -> int:
        """The most records up to `count` after which all is known that the next step needs."""
        if count > len(self.records) - len(self._recent):
            return count
        kept = bisect.bisect_left(self._kept_at, count)
        return self._kept_at[kept - 1] + 1 if kept else 0

    def first(self, count: int) -> Records:
        """The first `count` of them, to be gone on with; this one stays as it is. See `at_hand`."""
        other = Records(self.frame, self._constants, self.doubled)
        kept = bisect.bisect_left(self._kept_at, count)
        other._kept_at, other._kept = self._kept_at[:kept], self._kept[:kept]
        recent = count - (len(self.records) - len(self._recent))
        if recent > 0:
            other._recent.extend(itertools.islice(self._recent, recent))
        elif kept:
            other._recent.append(other._kept[-1])
        other._phases = self._phases[:count]
        other.records, other.verdicts = self.records[:count], self.verdicts[:count]
        other.fixes, other.track = self.fixes[:count], self.track[:count]
        other._rows = self._rows[: count * _WIDTH]
        other._flag_rows = self._flag_rows[: count * _FLAG_WIDTH]
        other._trackers = self._trackers[:count]
        seen = max(other._trackers, default=-1) + 1
        other.names = self.names[:seen]
        other._index = {name: i for i, name in enumerate(other.names)}
        for key in self.last().pardoned - other.last().pardoned:
            for i in other._places(key):
                other._judge(i, other.records[i].verdict)
        return other

    def append(self, record: Record, *, keep: bool = False) -> None:
        """Behind the last; what it pardons of those before it counts from now on.

        `keep`: `after` is more than the filter made of it.
        """
        fix, state = record.fix, record.after.state
        before = self.last().pardoned
        if keep or len(self.records) % KEPT_EVERY == 0:
            self._kept_at.append(len(self.records))
            self._kept.append(record.after)
        self._recent.append(record.after)
        self.records.append(Judged(fix, record.x_m, record.y_m, record.verdict))
        if record.verdict.accepted:
            self._accepted = record
        self.verdicts.append(record.verdict)
        self.fixes.append(_fix_point(fix, record.verdict))
        index = self._index.setdefault(fix.tracker, len(self.names))
        if index == len(self.names):
            self.names.append(fix.tracker)
        self._trackers.append(index)
        stated = (math.nan,) * 6
        if state is not None:
            x, y, z = state.mixture
            sigma_h_m = state.stated_sigma_h_m()
            stated = (x.position, y.position, z.position, z.velocity, sigma_h_m, state.lowest_m)
        altitude_m = math.nan if fix.altitude_m is None else fix.altitude_m
        place = fix.time_s, record.x_m, record.y_m, fix.latitude_deg, fix.longitude_deg, altitude_m
        self._rows.extend((*place, *stated))
        phase = record.after.phase.phase
        self._phases.append(_PHASES.index(phase))
        falls, fell = phase == "descent", phase in FALLING and state is not None
        verdict = record.verdict
        self._flag_rows.extend((verdict in _WHOLE, verdict.accepted, verdict.accepted, falls, fell))
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
        rows = np.array(self._rows[first * _WIDTH :]).reshape(-1, _WIDTH)
        columns = {name: rows[:, k].copy() for k, name in enumerate(_COLUMNS)}
        places = self.frame.to_latlon(columns["stated_x_m"], columns["stated_y_m"])
        points = zip(
            self.records[first:],
            self._phases[first:],
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
                _PHASES[phase],
            )
            if record.verdict.accepted and not math.isnan(z_m)
            else None
            for record, phase, time_s, lat, lon, z_m, climb_ms, sigma_h_m in points
        ]

    def column(self, name: str) -> npt.NDArray[np.float64]:
        """A copy, shape (n,)."""
        return np.asarray(self._rows).reshape(-1, _WIDTH)[:, _COLUMNS.index(name)].copy()

    def value(self, name: str, i: int) -> float:
        """Of one record."""
        return self._rows[i * _WIDTH + _COLUMNS.index(name)]

    def flags(self, name: str) -> npt.NDArray[np.bool_]:
        """A copy, shape (n,)."""
        rows = np.asarray(self._flag_rows).reshape(-1, _FLAG_WIDTH)
        return rows[:, _FLAGS.index(name)].astype(bool)

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
        row = i * _FLAG_WIDTH
        self._flag_rows[row] = verdict in _WHOLE
        self._flag_rows[row + 1] = verdict.accepted


def _fix_point(fix: Fix, verdict: Verdict) -> FixPoint:
    place = fix.time_s, fix.latitude_deg, fix.longitude_deg, fix.altitude_m
    return *place, verdict.accepted, verdict.reason


def _key(record: Judged) -> Key:
    return record.fix.order
