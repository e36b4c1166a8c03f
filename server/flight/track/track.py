"""All fixes in their canonical order, the filter run over them, and what came of each.

Order of arrival does not matter: a late fix is put where it belongs and the filter runs again from
there, step by step. Nothing but the sorted fixes and the constants decides the outcome, bit for bit.
"""

from __future__ import annotations

import bisect
import itertools
import math
from collections import deque
from collections.abc import Iterable, Sequence

from server.flight.geodesy import LocalFrame
from server.flight.track.filter import FilterState, begin, step
from server.flight.track.fixes import ACCEPTED, Fix, Key, Verdict
from server.flight.track.modes import GROUND, MotionConstants
from server.flight.track.phase import follow, said, switched_on
from server.flight.track.phase_memory import FLYING, Phase, PhaseMemory, Statement
from server.flight.track.records import Checkpoint, Record, Records

_CHALLENGERS_NEEDED = 4
_CHALLENGERS_KEPT = 6
_PLAUSIBLE_SPEED_MS = 150.0  # over ground: the strongest jet streams stay below
_PLAUSIBLE_CLIMB_MS = (-200.0, 30.0)
_FLOWN_M = 300.0
_ORIGIN_FIXES = 5
_PARDON_MARGIN_S = 30.0
_ALONG_M = 40.0
_SHEAR_MS2 = 1.0  # acceleration by a strong shear: 30 m/s in 30 s at a climb or fall through it
_FORGOTTEN_S = 2 * 3_600.0  # on the ground, without a fix
_NEVER_FOUND_S = 3 * 86_400.0  # aloft, without a fix
_LOW_M = 2_500.0
_PLACED_AT_ONCE = 8  # points of the track: one by one they cost twice as much
_FREED_AT_ONCE = 32  # records, as fast as one fix is run
NOT_COMPUTABLE = Verdict(False, False, "numbers that cannot be computed with")


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
        self._keys: list[Key] = []
        self._fixes: list[Fix] = []
        self._origin: tuple[float, float] | None = origin
        self._statements: list[tuple[float, Statement]] = []
        # of the first len(_run) fixes; the rest is to be run
        self._run = Records(LocalFrame(*(origin or (0.0, 0.0))))
        self._shown = self._run  # another one while a rerun has not caught up
        self._retired: list[list[Record]] = []  # not shown any more, to be freed
        self._behind: deque[Fix] = deque()  # fixes to be run behind those shown meanwhile

    def add(self, fixes: Iterable[Fix]) -> None:
        """Put fixes where they belong. Copies must have been left out before."""
        for fix in fixes:
            key = fix.key
            i = bisect.bisect_right(self._keys, key)
            self._keys.insert(i, key)
            self._fixes.insert(i, fix)
            # what was said falls after another fix
            self._cut(max(i - 1, 0) if self._statements else i)
            if i == len(self._fixes) - 1 and self._shown is not self._run:
                self._behind.append(fix)
        self._settle_origin()

    def hear_crew(self, statements: Sequence[tuple[float, Statement]]) -> None:
        """All that the crew said of the phase, in order of time: (UTC seconds, what)."""
        given = list(statements)
        if given == self._statements:
            return
        from_s = min(time_s for time_s, _ in {*given} ^ {*self._statements})
        first = max(bisect.bisect_right(self._keys, from_s, key=lambda key: key[0]) - 1, 0)
        self._statements = given
        self._cut(first)

    def remove(self, fix: Fix) -> None:
        """Take a fix out again (it turned out to be part of another)."""
        i = bisect.bisect_left(self._keys, fix.key)
        if i < len(self._keys) and self._keys[i] == fix.key:
            del self._keys[i], self._fixes[i]
            self._cut(i)
            if fix in self._behind:
                self._behind.remove(fix)

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
        while steps > 0 and len(self._run) < len(self._fixes):
            i = len(self._run)
            next_s = self._fixes[i + 1].time_s if i + 1 < len(self._fixes) else math.inf
            self._step(self._run, self._fixes[i], next_s)
            steps -= 1
        if len(self._run) - len(self._run.track) >= _PLACED_AT_ONCE:
            self._run.place()
        if len(self._run) == len(self._fixes) and self._shown is not self._run:
            self._run.place()
            self._retired.append(self._shown.records)
            self._shown = self._run
            self._behind.clear()
        while steps > 0 and self._retired:
            del self._retired[-1][-_FREED_AT_ONCE:]
            steps -= 1
            if not self._retired[-1]:
                self._retired.pop()
        return steps

    @property
    def pending(self) -> bool:
        """Whether there is work left."""
        unrun = self._shown is not self._run or len(self._run) < len(self._fixes)
        return unrun or bool(self._retired)

    def settle(self) -> None:
        """Do all the work that is left."""
        while self.pending:
            self.work(len(self._fixes) + 1)

    def _cut(self, count: int) -> None:
        """Nothing but the first `count` records holds any more."""
        if count >= len(self._run):
            return
        run = self._run
        self._begin_anew(run.first(count))
        if run is not self._shown:
            self._retired.append(run.records)

    def _begin_anew(self, run: Records) -> None:
        self._run = run
        if not self._shown.records:  # nothing is lost, and a long run is shown as it goes
            self._shown = run

    def _step(self, run: Records, fix: Fix, next_s: float) -> None:
        """`next_s`: time of the fix after it."""
        x_m, y_m = run.frame.to_xy(fix.latitude_deg, fix.longitude_deg)
        record = _guarded(run.last(), fix, float(x_m), float(y_m), self.constants)
        run.append(self._with_crew(record, not run.records, next_s))

    def _with_crew(self, record: Record, is_first: bool, next_s: float) -> Record:
        """What the crew said between this fix and the next takes effect after this one."""
        if not self._statements or record.after.state is None:
            return record
        from_s = -math.inf if is_first else record.fix.time_s
        phase = record.after.phase
        for time_s, statement in self._statements:
            if from_s <= time_s < next_s:
                phase = said(phase, statement, record.after.state, time_s)
        return record._replace(after=record.after._replace(phase=phase))

    @property
    def frame(self) -> LocalFrame:
        """Of what is shown."""
        return self._shown.frame

    @property
    def shown(self) -> Records:
        """Records with their columns: to be read, not to be changed or kept."""
        return self._shown

    def records(self) -> list[Record]:
        """One for each fix that has been run, in canonical order."""
        return self._shown.records

    def verdicts(self) -> list[Verdict]:
        """What became of each of them, with what later fixes confirmed."""
        return self._shown.verdicts

    def checkpoint(self) -> Checkpoint:
        return self._shown.last()

    def phase(self) -> Phase:
        return self.checkpoint().phase.phase

    def latest(self) -> Record | None:
        """The last record whose fix was accepted."""
        return next((r for r in reversed(self.records()) if r.verdict.accepted), None)

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
            self._begin_anew(Records(LocalFrame(*origin)))


def _guarded(
    before: Checkpoint, fix: Fix, x_m: float, y_m: float, constants: MotionConstants
) -> Record:
    """A fix that the filter cannot compute with leaves it as it was."""
    try:
        record = _run(before, fix, x_m, y_m, constants)
    except (ArithmeticError, ValueError):
        return Record(fix, x_m, y_m, NOT_COMPUTABLE, before)
    state = record.after.state
    if state is None or all(math.isfinite(n) for axis in state.mixed() for n in axis):
        return record
    return Record(fix, x_m, y_m, NOT_COMPUTABLE, before)


def _run(
    before: Checkpoint, fix: Fix, x_m: float, y_m: float, constants: MotionConstants
) -> Record:
    if before.state is None:
        state = begin(fix, x_m, y_m, constants, {})
        after = before._replace(state=state, phase=follow(before.phase, state, True))
        return Record(fix, x_m, y_m, ACCEPTED, after)
    if _another_outing(before, fix):
        return _anew(before, fix, x_m, y_m, constants)
    result = step(before.state, fix, x_m, y_m, constants)
    verdict = result.verdict
    phase = follow(before.phase, result.state, verdict.accepted)
    doubted, pardoned = before.doubted, before.pardoned
    if verdict.reason is not None and result.descending_accepts:
        doubted = (*doubted, fix.key)[-_CHALLENGERS_KEPT:]
    if len(phase.events) > len(before.phase.events) and phase.events[-1].kind == "burst":
        pardoned |= {key for key in doubted if key[0] > phase.events[-1].time_s - _PARDON_MARGIN_S}
        doubted = ()
    if verdict.accepted:
        pardoned |= _on_the_way(before, fix, x_m, y_m)
    used = (fix, x_m, y_m) if verdict.accepted else before.used
    after = Checkpoint(_grounded(result.state, phase), phase, (), doubted, pardoned, used)
    if not verdict.accepted:
        challengers = (*before.challengers, (fix, x_m, y_m))[-_CHALLENGERS_KEPT:]
        after = after._replace(challengers=challengers)
        if _convincing(before.state, challengers):
            return _restart(before, after, challengers, constants)
    return Record(fix, x_m, y_m, verdict, after)


def _on_the_way(before: Checkpoint, fix: Fix, x_m: float, y_m: float) -> frozenset[Key]:
    """Rejected fixes that lie between the last accepted one and this: a shear that was flown through."""
    if before.used is None or fix.altitude_m is None:
        return frozenset()
    last, last_x_m, last_y_m = before.used
    whole_s = fix.time_s - last.time_s
    found = []
    for other, other_x_m, other_y_m in before.challengers:
        first_s, second_s = other.time_s - last.time_s, fix.time_s - other.time_s
        if min(first_s, second_s) <= 0.0 or None in (last.altitude_m, other.altitude_m):
            continue
        share = first_s / whole_s
        off_m = math.hypot(
            last_x_m + share * (x_m - last_x_m) - other_x_m,
            last_y_m + share * (y_m - last_y_m) - other_y_m,
        )
        low, high = sorted((last.altitude_m or 0.0, fix.altitude_m))
        between = low - _ALONG_M <= (other.altitude_m or 0.0) <= high + _ALONG_M
        place = other.latitude_deg, other.longitude_deg
        moves = place != (last.latitude_deg, last.longitude_deg)
        if moves and between and off_m < _ALONG_M + _SHEAR_MS2 / 2 * first_s * second_s:
            found.append(other.key)
    return frozenset(found)


def _another_outing(before: Checkpoint, fix: Fix) -> bool:
    """Heard again, low, after hours of which nothing is known.

    A box whose landing nobody heard is found after hours, even the next day: that is no other outing.
    """
    assert before.state is not None
    silent_s = fix.time_s - before.state.last_accepted_s
    if before.phase.phase not in FLYING:
        return silent_s > _FORGOTTEN_S
    low_m = before.state.lowest_m + _LOW_M
    return silent_s > _NEVER_FOUND_S and fix.altitude_m is not None and fix.altitude_m < low_m


def _anew(
    before: Checkpoint, fix: Fix, x_m: float, y_m: float, constants: MotionConstants
) -> Record:
    state = begin(fix, x_m, y_m, constants, {})
    phase = follow(switched_on(before.phase, fix.time_s), state, True)
    return Record(fix, x_m, y_m, ACCEPTED, Checkpoint(state, phase, pardoned=before.pardoned))


def _grounded(state: FilterState, phase: PhaseMemory) -> FilterState:
    """The ground is where it rests before the launch, not the lowest that a receiver ever said."""
    if phase.phase == "ground" and phase.pad_m is not None:
        return state._replace(lowest_m=phase.pad_m)
    return state


def _convincing(state: FilterState, challengers: tuple[tuple[Fix, float, float], ...]) -> bool:
    """Fixes that the track rejects agree with each other, and the payload could have got there."""
    needed = max(_CHALLENGERS_NEEDED, 2) if state.accepted > 3 else 2
    if len(challengers) < needed:
        return False
    recent = challengers[-needed:]
    if state.accepted > 3 and not all(_belongs(state, f) for f, _, _ in recent):
        return False
    if len({(f.latitude_deg, f.longitude_deg) for f, _, _ in recent}) == 1 and state.accepted > 3:
        return False  # one position repeated proves nothing
    for (a, ax, ay), (b, bx, by) in itertools.pairwise(recent):
        if not _plausible(b.time_s - a.time_s, bx - ax, by - ay, a.altitude_m, b.altitude_m, 300.0):
            return False
    first, x_m, y_m = recent[0]
    at = state.mixed()
    elapsed_s = first.time_s - state.last_accepted_s
    reachable = _plausible(
        elapsed_s,
        x_m - at.x.position,
        y_m - at.y.position,
        at.z.position,
        first.altitude_m,
        2_000.0,
    )
    return reachable or state.accepted < len(challengers)


def _belongs(state: FilterState, fix: Fix) -> bool:
    """The tracker was part of the track before, and if the track flies, it has flown."""
    memory = state.trackers.get(fix.tracker)
    if memory is None or memory.accepted < 3:
        return False
    return state.probabilities[GROUND] > 0.5 or memory.flown_m > _FLOWN_M


def _plausible(
    dt_s: float, dx_m: float, dy_m: float, from_m: float | None, to_m: float | None, slack_m: float
) -> bool:
    if math.hypot(dx_m, dy_m) > _PLAUSIBLE_SPEED_MS * dt_s + slack_m:
        return False
    if from_m is None or to_m is None:
        return True
    slowest, fastest = _PLAUSIBLE_CLIMB_MS
    return slowest * dt_s - slack_m <= to_m - from_m <= fastest * dt_s + slack_m


def _restart(
    before: Checkpoint,
    after: Checkpoint,
    challengers: tuple[tuple[Fix, float, float], ...],
    constants: MotionConstants,
) -> Record:
    """Begin again at the first challenger and take the others in."""
    assert before.state is not None
    assert after.state is not None
    fix, x_m, y_m = challengers[0]
    state = begin(fix, x_m, y_m, constants, after.state.trackers)
    state = state._replace(lowest_m=min(state.lowest_m, before.state.lowest_m))
    for fix, x_m, y_m in challengers[1:]:
        state = step(state, fix, x_m, y_m, constants).state
    return Record(
        fix,
        x_m,
        y_m,
        ACCEPTED,
        Checkpoint(
            state=state,
            phase=follow(before.phase, state, True),
            pardoned=before.pardoned | {f.key for f, _, _ in challengers},
        ),
    )
