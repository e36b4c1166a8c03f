"""All fixes in their canonical order, the filter run over them, and what came of each.

Order of arrival does not matter: a late fix is put where it belongs and the filter runs again from
there, step by step. Nothing but the sorted fixes and the constants decides the outcome, bit for bit.
"""

from __future__ import annotations

import bisect
import math
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np

from server.flight.physics.geodesy import LocalFrame
from server.flight.state import Phase
from server.flight.track.advance import advance
from server.flight.track.checkpoint import Checkpoint, Judged, Record
from server.flight.track.constants import MotionConstants
from server.flight.track.fixes import Fix, Verdict, place_of
from server.flight.track.phase import said
from server.flight.track.phase_memory import Statement
from server.flight.track.records import Records
from server.flight.track.same_fixes import RunBy, SameFixes
from server.flight.track.two_transmitters import (
    TwoTransmitters,
    differ_from_s,
    may_be_beyond,
    names_at,
    two_transmitters,
)

_ORIGIN_FIXES = 5
_PLACED_AT_ONCE = 64  # points of the track, 0.3 ms: eight by eight each costs four times as much
_FREED_AT_ONCE = 32  # records, as fast as one fix is run


class Doubled(NamedTuple):
    """Two transmitters of one callsign, and the last fix of each."""

    told: TwoTransmitters
    fixes: tuple[Fix, ...]


class Track:
    """The fused track of one payload.

    What the filter has to run is left to `work`, a fix a step. A late fix makes it run again from
    there, beside what is shown, which the crew goes on seeing, with the fixes that come behind it,
    until the rerun has caught up. `settle` does all of it at once.
    """

    def __init__(
        self, constants: MotionConstants, origin: tuple[float, float] | None = None
    ) -> None:
        """`origin` is the launch site if the plan has it: latitude, longitude in degrees."""
        self.constants = constants
        self._planned_origin = origin
        self._fixes: list[Fix] = []
        self._origin: tuple[float, float] | None = origin
        self._statements: list[tuple[float, Statement]] = []
        # of the first len(_run) fixes; the rest is to be run
        self._run = Records(LocalFrame(*(origin or (0.0, 0.0))), constants)
        self._shown = self._run  # another one while a rerun has not caught up
        self._retired: list[list[Any]] = []  # to be freed
        self._behind: deque[Fix] = deque()  # fixes to be run behind those shown meanwhile
        self._same: SameFixes | None = None  # as those of another track: see `take_over`
        # trackers whose fixes are to be looked through for two senders
        self._jumped: set[str] = set()
        self.doubled: dict[str, list[Doubled]] = {}  # callsigns of which two transmit, or did

    def add(self, fixes: Iterable[Fix]) -> None:
        """Put fixes where they belong. Copies must have been left out before."""
        for fix in fixes:
            i = len(self._fixes)
            if i > 0 and self._fixes[-1].time_s >= fix.time_s:  # as a rule it is the last
                i = place_of(self._fixes, fix)
            self._fixes.insert(i, fix)
            # what was said falls after another fix
            self._cut(max(i - 1, 0) if self._statements else i)
            if i == len(self._fixes) - 1 and self._shown is not self._run:
                self._behind.append(fix)
        self._settle_origin()

    def take_over(self, other: Track) -> None:
        """What another one of the same plan has run of the same first fixes need not be run again."""
        if not self._run.records:
            self._same = SameFixes(other.run_by)

    def run_by(self) -> RunBy:
        """What has been run, and by what."""
        return RunBy(self._run, self._origin, self._statements)

    @property
    def known(self) -> int:
        """How many fixes there are, run or not."""
        return len(self._fixes)

    def hear_crew(self, statements: Sequence[tuple[float, Statement]]) -> None:
        """All that the crew said of the phase, in order of time: (UTC seconds, what)."""
        given = list(dict.fromkeys(statements))  # said twice at once is said once
        if given == self._statements:
            return
        from_s = min(time_s for time_s, _ in {*given} ^ {*self._statements})
        first = max(bisect.bisect_right(self._fixes, from_s, key=_time_s) - 1, 0)
        self._statements = given
        self._cut(first)

    def remove(self, fix: Fix) -> None:
        """Take a fix out again (it turned out to be part of another)."""
        i = place_of(self._fixes, fix)
        if i < len(self._fixes) and self._fixes[i].order == fix.order:
            del self._fixes[i]
            self._cut(i)
            if fix in self._behind:
                self._behind.remove(fix)
            if fix.tracker in self.doubled:
                self._jumped.add(fix.tracker)

    def keep_up(self, steps: int) -> int:
        """Run what has come behind the fixes that are shown; returns how many steps are left."""
        while steps > 0 and self._behind:
            fix = self._behind.popleft()
            if fix.time_s > self._shown.records[-1].fix.time_s:
                self._step(self._shown, fix, math.inf)
                steps -= 1
        return steps

    def work(self, steps: int) -> int:
        """Run what has not been run yet, at most so many fixes; returns how many steps are left."""
        steps = self.keep_up(steps)
        while steps > 0 and self._same is not None:
            steps -= 1
            found = self._same.compare(self._fixes, self.run_by())
            if found is not None:
                self._same = None
                self._begin_anew(found)
                self._jumped |= {*found.names}
        while steps > 0 and len(self._run) < len(self._fixes):
            i = len(self._run)
            next_s = self._fixes[i + 1].time_s if i + 1 < len(self._fixes) else math.inf
            self._step(self._run, self._fixes[i], next_s)
            steps -= 1
        if self._jumped and steps > 0:
            self._look_for_two()
            return self.work(steps - 1)
        if len(self._run) - len(self._run.track) >= _PLACED_AT_ONCE:
            self._run.place()
        if len(self._run) == len(self._fixes) and self._shown is not self._run:
            self._retired += self._shown.containers()
            self._shown = self._run
            self._behind.clear()
        while steps > 0 and self._retired:
            del self._retired[-1][-_FREED_AT_ONCE:]
            steps -= 1
            while self._retired and not self._retired[-1]:
                self._retired.pop()
        return steps

    @property
    def pending(self) -> bool:
        """Whether there is work left."""
        unrun = self._shown is not self._run or len(self._run) < len(self._fixes)
        return unrun or bool(self._retired or self._jumped) or self._same is not None

    def settle(self) -> None:
        """Do all the work that is left."""
        while self.pending:
            self.work(len(self._fixes) + 1)

    def _cut(self, count: int) -> None:
        """Nothing but the first `count` records holds any more."""
        if self._same is not None:
            self._same.cut(count)
        if count >= len(self._run):
            return
        run = self._run
        self._begin_anew(run.first(run.at_hand(count)))
        if run is not self._shown:
            self._retired += run.containers()

    def _begin_anew(self, run: Records) -> None:
        self._run = run
        if not self._shown.records:  # nothing is lost, and a long run is shown as it goes
            self._shown = run

    def _step(self, run: Records, fix: Fix, next_s: float) -> None:
        """`next_s`: time of the fix after it."""
        x_m, y_m = run.frame.to_xy(fix.latitude_deg, fix.longitude_deg)
        before = run.last()
        if _jumps(before, fix):
            self._jumped.add(fix.tracker)
        doubled = names_at(run.doubled, fix.time_s)
        record = advance(before, fix, float(x_m), float(y_m), self.constants, doubled)
        said = self._with_crew(record, not run.records, next_s)
        run.append(said, keep=said is not record)

    def _with_crew(self, record: Record, is_first: bool, next_s: float) -> Record:
        """What the crew said between this fix and the next takes effect after this one."""
        if not self._statements or record.after.state is None:
            return record
        from_s = -math.inf if is_first else record.fix.time_s
        phase = record.after.phase
        for time_s, statement in self._statements:
            if from_s <= time_s < next_s:
                phase = said(phase, statement, record.after.state, time_s)
        if phase is record.after.phase:
            return record
        return record._replace(after=record.after._replace(phase=phase))

    @property
    def frame(self) -> LocalFrame:
        """Of what is shown."""
        return self._shown.frame

    @property
    def shown(self) -> Records:
        """Records with their columns: to be read, not changed nor kept, for replaced ones are emptied."""
        return self._shown

    def records(self) -> list[Judged]:
        """One for each fix that has been run, in canonical order; `shown` says how long they hold."""
        return self._shown.records

    def whole_records(self) -> Iterator[Record]:
        """The same with what was known after each: the filter is run once more."""
        return self._shown.whole()

    def verdicts(self) -> list[Verdict]:
        """What became of each of them, with what later fixes confirmed."""
        return self._shown.verdicts

    def checkpoint(self) -> Checkpoint:
        return self._shown.last()

    def phase(self) -> Phase:
        return self.checkpoint().phase.phase

    def latest(self) -> Record | None:
        """The last record whose fix was accepted."""
        return self._shown.latest_accepted()

    def _settle_origin(self) -> None:
        """The frame's origin without a plan: the median of the first fixes, to a tenth of a degree."""
        if self._planned_origin is not None or not self._fixes:
            return
        first = self._fixes[:_ORIGIN_FIXES]
        middle = len(first) // 2
        origin = (
            round(sorted(f.latitude_deg for f in first)[middle], 1),
            round(sorted(f.longitude_deg for f in first)[middle], 1),
        )
        if origin != self._origin:
            self._origin = origin
            self._begin_anew(Records(LocalFrame(*origin), self.constants, self._run.doubled))

    def _look_for_two(self) -> None:
        """Where fixes jumped: whether they come from two, and what is not used then."""
        run, names = self._run, self._jumped
        self._jumped = set()
        for name in names:
            self.doubled.pop(name, None)
            if found := _doubled(run, name):
                self.doubled[name] = found
        spans = {
            name: tuple((one.told.since_s, one.told.over_s) for one in found)
            for name, found in self.doubled.items()
        }
        from_s = differ_from_s(run.doubled, spans)
        if from_s < math.inf:
            self._cut(bisect.bisect_left(self._fixes, from_s, key=_time_s))
            self._run.doubled = spans


def _jumps(before: Checkpoint, fix: Fix) -> bool:
    """Whether it might be too far from the last fix of its tracker."""
    if before.state is None:
        return False
    last = before.state.trackers.get(fix.tracker)
    if last is None:
        return True
    here = fix.latitude_deg, fix.longitude_deg, fix.altitude_m
    return may_be_beyond(last.heard_s, (*last.position, last.altitude_m), fix.time_s, here)


def _doubled(run: Records, name: str) -> list[Doubled]:
    if name not in run.names:
        return []
    own = np.flatnonzero(run.tracker() == run.names.index(name))
    names = "time_s", "x_m", "y_m", "altitude_m", "latitude_deg", "longitude_deg"
    columns = [run.column(one)[own] for one in names]
    return [
        Doubled(told, tuple(run.records[own[i]].fix for i in told.places))
        for told in two_transmitters(*columns)
    ]


def _time_s(fix: Fix) -> float:
    return fix.time_s
