"""Rest before the launch, climb, float, sink, fall, rest after it: an estimate, never final.

Rules:
- A launch is a climb that no wander of a receiver and no drive explains (recent.Move.sure).
- A float needs height, and minutes without climb or sink against their own uncertainty.
- A burst is a fall that a parachute may have; a slower one is a sink until it hurries.
- A landing needs a flight, and rest or a level below the fall.
- What later fixes deny is withdrawn, and kept as withdrawn: a first fall that climbs on was no burst,
  a landing that falls on was none, a launch that came back to the pad was none. A fall that has lasted
  for minutes is not undone by a bounce at the ground.
- What a crew member said (`said`) stands until the fixes after it say otherwise, by the same rules.
"""

from __future__ import annotations

import bisect
import math

from server.flight.track import events, recent
from server.flight.track.aloft import follow_aloft
from server.flight.track.events import Event
from server.flight.track.filter import UNSEEN_GROUND_M, FilterState
from server.flight.track.modes import ASCENT, DESCENT, GROUND
from server.flight.track.phase_memory import (
    CONFIRMATIONS,
    FLYING,
    SURE,
    WITNESSED_BELOW_M,
    PhaseMemory,
    Statement,
    withdraw,
)
from server.flight.track.recent import Move, Point

_SETTLING_S, _SETTLING_M = 600.0, 600.0  # a receiver just switched on has been 414 m off
_NEAR_PAD_M = 500.0
_ELSEWHERE_M, _ABOVE_PAD_M = 2_000.0, 100.0
_REST_S = 90.0  # a climb of 0.6 m/s is no rest
_NEW_FLIGHT_M = 1_000.0
_MOVED_M = 300.0  # from where it came to rest; receivers have bounced by 117 m at a touch-down
_MARGIN_S = 120.0  # before a launch: belongs to the flight


def follow(memory: PhaseMemory, state: FilterState, *, tells_height: bool) -> PhaseMemory:
    """The memory after `state`, whose fix was accepted; `tells_height`: with an altitude measured."""
    if state.time_s < memory.from_s:
        memory = memory._replace(from_s=state.time_s)
    if tells_height or memory.phase not in FLYING:  # in the air a guessed height is no point
        x, y, z = state.mixture
        point = Point(state.time_s, x.position, y.position, z.position)
        memory = memory._replace(
            points=recent.keep(memory.points, point), highest_m=max(memory.highest_m, z.position)
        )
    if memory.phase in ("unknown", "ground"):
        return _before(memory, state)
    if memory.phase == "landed":
        return _after(memory, state)
    return follow_aloft(memory, state, tells_height=tells_height)


def switched_on(memory: PhaseMemory, time_s: float) -> PhaseMemory:
    """Heard again after hours, low: whatever was before, this is another outing."""
    return PhaseMemory(
        events=memory.events,
        withdrawn=memory.withdrawn,
        from_s=time_s,
        flight_from_s=time_s - _MARGIN_S,
        phase="landed" if memory.phase == "landed" else "unknown",
    )


def said(memory: PhaseMemory, statement: Statement, state: FilterState, at_s: float) -> PhaseMemory:
    """What a crew member said at `at_s` takes effect at once; the fixes after it are judged afresh."""
    fresh = memory._replace(points=memory.points[-1:], candidate=None, confirmations=0)
    if statement == "not launched":
        flight = memory.flight_events if memory.phase != "ground" else ()
        return withdraw(fresh, flight, at_s)._replace(
            phase="ground", highest_m=-math.inf, proved=False, pad=None
        )
    if statement == "launched" and memory.phase not in FLYING:
        event = events.here("launch", state)._replace(time_s=at_s, noticed_s=at_s)
        return _launched(fresh._replace(proved=True), event, state)
    if statement == "landed" and memory.phase != "landed":
        event = events.here("landing", state)._replace(time_s=at_s, noticed_s=at_s)
        return fresh._replace(phase="landed", events=(*memory.events, event))
    return memory


def _before(memory: PhaseMemory, state: FilterState) -> PhaseMemory:
    """On the ground, or not known where: launched, at rest, or first heard in the air?"""
    last = recent.since(memory.points, _REST_S)
    if recent.rests(last):
        pad = sorted(last, key=lambda p: p.z_m)[len(last) // 2]
        return memory._replace(phase="ground", confirmations=0, pad=pad, points=last)
    climb = recent.climb(memory.points)
    high = memory.phase == "unknown" and _high(memory, state)
    aloft = high and climb is not None and climb.rises and state.probabilities[ASCENT] > SURE
    sure = climb is not None and climb.sure(from_rest=_from_the_pad(memory, climb))
    if climb is not None and ((sure and _above_the_pad(memory)) or aloft):
        unseen = memory.pad is None and not high  # no rest has been seen
        settling = unseen and state.time_s - memory.from_s < _SETTLING_S
        if not settling or climb.rise_m > _SETTLING_M:
            event = events.launch(climb, memory.pad_m, state)
            low = climb.since.z_m - state.lowest_m < WITNESSED_BELOW_M
            witnessed = memory.phase == "ground" or (low and not high)
            memory = memory._replace(proved=climb.steep)
            return _launched(memory, event if witnessed else None, state)
    if high:
        fall = recent.fall(memory.points)
        if fall is not None and fall.steep and state.probabilities[DESCENT] > SURE:
            return memory._replace(phase="descent", proved=True)
    if memory.phase == "unknown" and not high and state.probabilities[GROUND] > SURE:
        if memory.confirmations + 1 >= CONFIRMATIONS:
            return memory._replace(phase="ground", confirmations=0)
        return memory._replace(confirmations=memory.confirmations + 1)
    return memory


def _above_the_pad(memory: PhaseMemory) -> bool:
    """Higher than where it rested, if it is still there: what rises up to the pad is a receiver."""
    if memory.pad is None:
        return True
    now, pad = memory.points[-1], memory.pad
    away_m = math.hypot(now.x_m - pad.x_m, now.y_m - pad.y_m)
    return away_m > _ELSEWHERE_M or now.z_m - pad.z_m > _ABOVE_PAD_M


def _from_the_pad(memory: PhaseMemory, climb: Move) -> bool:
    pad, since = memory.pad, climb.since
    return pad is not None and math.hypot(since.x_m - pad.x_m, since.y_m - pad.y_m) < _NEAR_PAD_M


def _high(memory: PhaseMemory, state: FilterState) -> bool:
    """First heard far above any ground that is known."""
    first_m = memory.points[0].z_m
    return first_m - state.lowest_m > _NEW_FLIGHT_M or state.lowest_m == UNSEEN_GROUND_M


def _launched(memory: PhaseMemory, event: Event | None, state: FilterState) -> PhaseMemory:
    """`event` is None where the launch was not seen."""
    earlier = memory.phase == "landed"
    from_s = state.time_s if event is None else event.time_s
    return memory._replace(
        phase="ascent",
        candidate=None,
        confirmations=0,
        highest_m=state.mixture.z.position,
        rising=state,
        events=memory.events if event is None else (*memory.events, event),
        flight_from_s=from_s - _MARGIN_S if event or earlier else memory.flight_from_s,
    )


def _after(memory: PhaseMemory, state: FilterState) -> PhaseMemory:
    """At rest after a flight: carried away at most, launched again, or it never was at rest."""
    landing = next((e for e in reversed(memory.events) if e.kind == "landing"), None)
    since = memory.points
    if landing is not None:
        since = since[bisect.bisect_left(since, (landing.time_s,)) :]
    fall = recent.fall(since)
    falls_on = fall is not None and fall.steep and fall.rate_ms < -2.0 and fall.rise_m < -_MOVED_M
    if falls_on and landing is not None:
        return withdraw(memory, (landing,), state.time_s)._replace(phase="descent", confirmations=0)
    climb = recent.climb(since)
    if climb is not None and climb.steep and climb.rise_m > _MOVED_M:
        settling = state.time_s - memory.from_s < _SETTLING_S / 2
        if settling and climb.rise_m < _SETTLING_M:
            return memory
        burst = any(e.kind == "burst" for e in memory.flight_events)
        if burst or landing is None or landing.time_s < memory.from_s:
            event = events.launch(climb, None, state)
            return _launched(memory._replace(proved=True), event, state)
        return withdraw(memory, (landing,), state.time_s)._replace(
            phase="ascent", rising=state, proved=True, confirmations=0
        )
    return memory
