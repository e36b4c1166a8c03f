"""All fixes in their canonical order, the filter run over them, and what came of each.

Order of arrival does not matter: a late fix is put where it belongs and the filter runs again from
there. Nothing but the sorted fixes and the constants decides the outcome, bit for bit.
"""

from __future__ import annotations

import bisect
import itertools
import math
from collections.abc import Iterable
from typing import NamedTuple

from server.flight.geodesy import LocalFrame
from server.flight.track.filter import FilterState, begin, step
from server.flight.track.fixes import ACCEPTED, Fix, Verdict
from server.flight.track.modes import GROUND, MotionConstants
from server.flight.track.phase import Phase, PhaseMemory, follow

Key = tuple[float, str, float, float, float, float, float, float, float]

_CHALLENGERS_NEEDED = 4
_CHALLENGERS_KEPT = 6
_PLAUSIBLE_SPEED_MS = 150.0  # over ground: the strongest jet streams stay below
_PLAUSIBLE_CLIMB_MS = (-200.0, 30.0)
_FLOWN_M = 300.0
_ORIGIN_FIXES = 5
_PARDON_MARGIN_S = 30.0
NOT_COMPUTABLE = Verdict(False, False, "numbers that cannot be computed with")


class Checkpoint(NamedTuple):
    """All that the run over later fixes depends on."""

    state: FilterState | None = None
    phase: PhaseMemory = PhaseMemory()
    challengers: tuple[tuple[Fix, float, float], ...] = ()  # rejected in a row, with x and y
    doubted: tuple[Key, ...] = ()  # not wholly used, though a fall would explain them
    pardoned: frozenset[Key] = frozenset()  # rejected at first, then confirmed by what followed


class Record(NamedTuple):
    """One fix after the filter has seen it. Metres in the track's frame."""

    fix: Fix
    x_m: float
    y_m: float
    verdict: Verdict
    after: Checkpoint


class Track:
    """The fused track of one payload."""

    def __init__(
        self, constants: MotionConstants, origin: tuple[float, float] | None = None
    ) -> None:
        """`origin` is the launch site if the plan has it: latitude, longitude in degrees."""
        self.constants = constants
        self._planned_origin = origin
        self._keys: list[Key] = []
        self._fixes: list[Fix] = []
        self._records: list[Record] = []  # of the first len(_records) fixes; the rest is to be run
        self._origin: tuple[float, float] | None = origin
        self._verdicts: list[Verdict] | None = None  # until the records change
        self.frame = LocalFrame(*(origin or (0.0, 0.0)))

    def add(self, fixes: Iterable[Fix]) -> None:
        """Put fixes where they belong. Copies must have been left out before."""
        for fix in fixes:
            key = fix.key
            i = bisect.bisect_right(self._keys, key)
            self._keys.insert(i, key)
            self._fixes.insert(i, fix)
            if i < len(self._records):
                del self._records[i:]
        self._settle_origin()

    def remove(self, fix: Fix) -> None:
        """Take a fix out again (it turned out to be part of another)."""
        i = bisect.bisect_left(self._keys, fix.key)
        if i < len(self._keys) and self._keys[i] == fix.key:
            del self._keys[i], self._fixes[i]
            del self._records[i:]

    def records(self) -> list[Record]:
        """One for each fix, in canonical order. Runs what has not been run yet."""
        if len(self._records) < len(self._fixes):
            self._verdicts = None
        for fix in self._fixes[len(self._records) :]:
            before = self._records[-1].after if self._records else Checkpoint()
            x_m, y_m = self.frame.to_xy(fix.latitude_deg, fix.longitude_deg)
            self._records.append(_guarded(before, fix, float(x_m), float(y_m), self.constants))
        return self._records

    def verdicts(self) -> list[Verdict]:
        """What became of each fix, in canonical order, with what later fixes confirmed."""
        records = self.records()
        if self._verdicts is None or len(self._verdicts) != len(records):
            pardoned = self.checkpoint().pardoned
            self._verdicts = [
                ACCEPTED if r.verdict.reason is not None and r.fix.key in pardoned else r.verdict
                for r in records
            ]
        return self._verdicts

    def checkpoint(self) -> Checkpoint:
        records = self.records()
        return records[-1].after if records else Checkpoint()

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
            self.frame = LocalFrame(*origin)
            self._records.clear()


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
    result = step(before.state, fix, x_m, y_m, constants)
    verdict = result.verdict
    phase = follow(before.phase, result.state, verdict.accepted)
    doubted, pardoned = before.doubted, before.pardoned
    if verdict.reason is not None and result.descending_accepts:
        doubted = (*doubted, fix.key)[-_CHALLENGERS_KEPT:]
    if len(phase.events) > len(before.phase.events) and phase.events[-1].kind == "burst":
        pardoned |= {key for key in doubted if key[0] > phase.events[-1].time_s - _PARDON_MARGIN_S}
        doubted = ()
    after = Checkpoint(result.state, phase, (), doubted, pardoned)
    if not verdict.accepted:
        challengers = (*before.challengers, (fix, x_m, y_m))[-_CHALLENGERS_KEPT:]
        after = after._replace(challengers=challengers)
        if _convincing(before.state, challengers):
            return _restart(before, after, challengers, constants)
    return Record(fix, x_m, y_m, verdict, after)


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
