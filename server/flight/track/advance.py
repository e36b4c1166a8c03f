"""What one fix does to the track: the filter's step, challengers, pardons, a restart, another outing."""

from __future__ import annotations

import itertools
import math

from server.flight.track.checkpoint import Checkpoint, Record
from server.flight.track.constants import MotionConstants
from server.flight.track.filter import FilterState, begin
from server.flight.track.fixes import ACCEPTED, Fix, Key, Verdict
from server.flight.track.modes import GROUND
from server.flight.track.phase import follow, switched_on
from server.flight.track.phase_memory import FLYING, PhaseMemory
from server.flight.track.step import step
from server.flight.tracker_state import Rejection, RejectionKind

_CHALLENGERS_NEEDED = 4
_CHALLENGERS_KEPT = 6
_PLAUSIBLE_SPEED_MS = 150.0  # over ground: the strongest jet streams stay below
_PLAUSIBLE_CLIMB_MS = (-200.0, 30.0)
_FLOWN_M = 300.0
_PARDON_MARGIN_S = 30.0
_ALONG_M = 40.0
_SHEAR_MS2 = 1.0  # acceleration by a strong shear: 30 m/s in 30 s at a climb or fall through it
_FORGOTTEN_S = 2 * 3_600.0  # on the ground, without a fix
_NEVER_FOUND_S = 3 * 86_400.0  # aloft, without a fix
_LOW_M = 2_500.0
NOT_COMPUTABLE = Verdict(False, False, Rejection(RejectionKind.NOT_COMPUTABLE))


def advance(
    before: Checkpoint,
    fix: Fix,
    x_m: float,
    y_m: float,
    constants: MotionConstants,
    doubled: frozenset[str] = frozenset(),
) -> Record:
    """A fix that the filter cannot compute with leaves it as it was. `doubled`: of which two transmit."""
    try:
        record = _run(before, fix, x_m, y_m, constants, doubled)
    except (ArithmeticError, ValueError):
        return Record(fix, x_m, y_m, NOT_COMPUTABLE, before)
    state = record.after.state
    if state is None:
        return record
    x, y, z = state.mixture
    if math.isfinite(sum(x) + sum(y) + sum(z)):  # one that is not makes the sum so
        return record
    return Record(fix, x_m, y_m, NOT_COMPUTABLE, before)


def _run(
    before: Checkpoint,
    fix: Fix,
    x_m: float,
    y_m: float,
    constants: MotionConstants,
    doubled: frozenset[str],
) -> Record:
    if before.state is None:
        state = begin(fix, x_m, y_m, constants, {})
        after = before._replace(state=state, phase=follow(before.phase, state, tells_height=True))
        return Record(fix, x_m, y_m, ACCEPTED, after)
    if _another_outing(before, fix):
        return _anew(before, fix, x_m, y_m, constants)
    result = step(before.state, fix, x_m, y_m, constants, doubled)
    verdict = result.verdict
    if verdict.reason is not None and verdict.reason.kind == RejectionKind.TWO_TRANSMIT:
        return Record(
            fix, x_m, y_m, verdict, before._replace(state=result.state)
        )  # it challenges nobody
    phase = before.phase
    if verdict.accepted:
        phase = follow(phase, result.state, tells_height=result.tells_height)
    doubted, pardoned = before.doubted, before.pardoned
    if verdict.reason is not None and result.descending_accepts:
        doubted = (*doubted, fix.order)[-_CHALLENGERS_KEPT:]
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
            found.append(other.order)
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
    phase = follow(switched_on(before.phase, fix.time_s), state, tells_height=True)
    return Record(fix, x_m, y_m, ACCEPTED, Checkpoint(state, phase, pardoned=before.pardoned))


def _grounded(state: FilterState, phase: PhaseMemory) -> FilterState:
    """The ground is where it rests before the launch, not the lowest that a receiver ever said."""
    pad_m = phase.pad_m if phase.phase == "ground" else None
    return state if pad_m in (None, state.lowest_m) else state._replace(lowest_m=pad_m)


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
    at = state.mixture
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
    state = state._replace(
        lowest_m=min(state.lowest_m, before.state.lowest_m), winds=before.state.winds
    )
    for fix, x_m, y_m in challengers[1:]:
        state = step(state, fix, x_m, y_m, constants).state
    return Record(
        fix,
        x_m,
        y_m,
        ACCEPTED,
        Checkpoint(
            state=state,
            phase=follow(before.phase, state, tells_height=True),
            pardoned=before.pardoned | {f.order for f, _, _ in challengers},
        ),
    )
