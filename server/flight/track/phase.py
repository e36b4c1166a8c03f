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

import math
from typing import Literal, NamedTuple

from server.flight.atmosphere import sqrt_density
from server.flight.track import events, recent
from server.flight.track.events import Event, Withdrawn
from server.flight.track.filter import UNSEEN_GROUND_M, FilterState
from server.flight.track.modes import ASCENT, DESCENT, GROUND
from server.flight.track.recent import Point, Points

Phase = Literal["unknown", "ground", "ascent", "float", "descent", "landed"]
Statement = Literal["not launched", "launched", "landed"]

Wanted = Literal["ascent", "float", "sink", "burst", "landed"]

FLYING: tuple[Phase, ...] = ("ascent", "float", "descent")

_SURE = 0.95
_CERTAIN = 0.93  # of a fall: no second fix is waited for, if it is deep
_DEEP_M = 700.0  # below where the climb would be: more than a stuck altitude lags behind
_AT_REST = 0.99  # of rest: no second fix is waited for
_SLOWED = 0.7  # of the speed of the fall
_CONFIRMATIONS = 2  # fixes in a row that must agree before the phase changes
_WITNESSED_BELOW_M = 1_500.0  # above ground: first heard in the air above this, no launch was seen
_SETTLING_S, _SETTLING_M = 600.0, 600.0  # a receiver just switched on has been 414 m off
_ELSEWHERE_M, _ABOVE_PAD_M = 2_000.0, 100.0
_REST_S = 90.0  # a climb of 0.6 m/s is no rest
_LANDED_S = 60.0  # after a fall
_STAYS_S = 180.0  # without one
_REFINED_FOR_S = 75.0
_SEEN_AT_ONCE_S = 22.0
_UNDONE_WITHIN_S = 180.0  # a burst; later it is a fall that has been flown
_LEVEL_S = 360.0
_LEVEL_MS, _CLIMBS_MS, _SINKS_MS = 0.35, 0.6, -0.35
_LEVEL_NOISE_M = 8.0
_FLOAT_FROM_M = 500.0  # above the ground
_SINK_M = 150.0
_SANK_INTO_S = 600.0
_SLOWEST_PARACHUTE = 2.5  # fall speed x sqrt(density); half of the median of real flights
_FLOWN_M = 300.0  # a launch that did not get higher, and is back, was a test on a line
_BACK_WITHIN_M = 400.0
_PROVED_M = 3_000.0  # higher above the pad than any drive
_NEW_FLIGHT_M = 1_000.0
_MOVED_M = 300.0  # from where it came to rest; receivers have bounced by 117 m at a touch-down
_MARGIN_S = 120.0  # before a launch: belongs to the flight


class PhaseMemory(NamedTuple):
    phase: Phase = "unknown"
    candidate: Wanted | None = None  # seen, and not yet confirmed
    confirmations: int = 0
    highest_m: float = -math.inf  # since the launch
    rising: FilterState | None = None  # last state before the candidate for descent came up
    events: tuple[Event, ...] = ()
    withdrawn: tuple[Withdrawn, ...] = ()
    points: Points = ()
    pad: Point | None = None  # where it rested before the launch
    from_s: float = math.inf  # first heard since it was switched on
    flight_from_s: float = -math.inf  # this flight's fixes come after it
    proved: bool = False  # that it flies: by its grade, its rate or its height

    @property
    def pad_m(self) -> float | None:
        return None if self.pad is None else self.pad.z_m

    @property
    def flight_events(self) -> tuple[Event, ...]:
        """Those of this flight; an earlier one of the same journal left out."""
        return tuple(e for e in self.events if e.time_s >= self.flight_from_s)


def follow(memory: PhaseMemory, state: FilterState, evidence: bool) -> PhaseMemory:
    """The memory after `state`; `evidence` is False when its fix was rejected."""
    if not evidence:
        return memory
    x, y, z = state.mixed()
    point = Point(state.time_s, x.position, y.position, z.position)
    memory = memory._replace(
        points=recent.keep(memory.points, point),
        highest_m=max(memory.highest_m, z.position),
        from_s=min(memory.from_s, state.time_s),
    )
    if memory.phase in ("unknown", "ground"):
        return _before(memory, state)
    if memory.phase == "landed":
        return _after(memory, state)
    return _aloft(memory, state)


def switched_on(memory: PhaseMemory, time_s: float) -> PhaseMemory:
    """Heard again after hours, low: whatever was before, this is another outing."""
    return PhaseMemory(
        events=memory.events,
        withdrawn=memory.withdrawn,
        from_s=time_s,
        flight_from_s=time_s - _MARGIN_S,
        phase="landed" if memory.phase == "landed" else "unknown",
        pad=None,
    )


def said(memory: PhaseMemory, statement: Statement, state: FilterState, at_s: float) -> PhaseMemory:
    """What a crew member said at `at_s` takes effect at once; the fixes after it are judged afresh."""
    fresh = memory._replace(points=memory.points[-1:], candidate=None, confirmations=0)
    if statement == "not launched":
        flight = memory.flight_events if memory.phase != "ground" else ()
        return _withdraw(fresh, flight, at_s)._replace(
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
    if climb is not None and climb.sure and _above_the_pad(memory):
        unseen = memory.pad is None and not high  # no rest has been seen
        settling = unseen and state.time_s - memory.from_s < _SETTLING_S
        if not settling or climb.rise_m > _SETTLING_M:
            event = events.launch(climb, memory.pad_m, state)
            low = climb.since.z_m - state.lowest_m < _WITNESSED_BELOW_M
            witnessed = memory.phase == "ground" or (low and not high)
            memory = memory._replace(proved=climb.steep)
            return _launched(memory, event if witnessed else None, state)
    if high:
        fall = recent.fall(memory.points)
        if fall is not None and fall.steep and state.probabilities[DESCENT] > _SURE:
            return memory._replace(phase="descent", proved=True)
    if memory.phase == "unknown" and not high and state.probabilities[GROUND] > _SURE:
        if memory.confirmations + 1 >= _CONFIRMATIONS:
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
        highest_m=state.mixed().z.position,
        rising=state,
        events=memory.events if event is None else (*memory.events, event),
        flight_from_s=from_s - _MARGIN_S if event or earlier else memory.flight_from_s,
    )


def _after(memory: PhaseMemory, state: FilterState) -> PhaseMemory:
    """At rest after a flight: carried away at most, launched again, or it never was at rest."""
    landing = next((e for e in reversed(memory.events) if e.kind == "landing"), None)
    since = memory.points
    if landing is not None:
        since = tuple(p for p in memory.points if p.time_s >= landing.time_s)
    fall = recent.fall(since)
    falls_on = fall is not None and fall.steep and fall.rate_ms < -2.0 and fall.rise_m < -_MOVED_M
    if falls_on and landing is not None:
        return _withdraw(memory, (landing,), state.time_s)._replace(
            phase="descent", confirmations=0
        )
    climb = recent.climb(since)
    if climb is not None and climb.steep and climb.rise_m > _MOVED_M:
        settling = state.time_s - memory.from_s < _SETTLING_S / 2
        if settling and climb.rise_m < _SETTLING_M:
            return memory
        burst = any(e.kind == "burst" for e in memory.flight_events)
        if burst or landing is None or landing.time_s < memory.from_s:
            event = events.launch(climb, None, state)
            return _launched(memory._replace(proved=True), event, state)
        return _withdraw(memory, (landing,), state.time_s)._replace(
            phase="ascent", rising=state, proved=True, confirmations=0
        )
    return memory


def _aloft(memory: PhaseMemory, state: FilterState) -> PhaseMemory:
    pad_m = state.lowest_m if memory.pad_m is None else memory.pad_m
    proved = memory.highest_m - pad_m > _PROVED_M
    if not memory.proved and not proved:
        climb = recent.climb(memory.points)
        proved = climb is not None and climb.steep
    memory = _refine_burst(memory._replace(proved=memory.proved or proved), state)
    wanted = _wanted(memory, state)
    if wanted is None or wanted == _stands(memory):
        rising = memory.rising
        if _last_burst(memory) is None and (rising is None or _still_rises(memory, state)):
            rising = state
        return memory._replace(candidate=None, confirmations=0, rising=rising)
    certain = _certain(wanted, memory, state)
    if wanted != memory.candidate and not certain:
        return memory._replace(candidate=wanted, confirmations=1)
    memory = memory._replace(confirmations=memory.confirmations + 1)
    if memory.confirmations < _CONFIRMATIONS and not certain:
        return memory
    return _change(memory, wanted, state)


def _still_rises(memory: PhaseMemory, state: FilterState) -> bool:
    """It has not lost half its climb rate with this fix: a burst just before it would show so."""
    if memory.phase != "ascent" or memory.rising is None:
        return True
    stale = state.time_s - memory.rising.time_s > _UNDONE_WITHIN_S
    return stale or state.mixed().z.velocity > 0.5 * memory.rising.mixed().z.velocity


def _stands(memory: PhaseMemory) -> Wanted | None:
    """What is taken for true already."""
    if memory.phase == "descent":
        return "sink" if _last_burst(memory) is None else "burst"
    return "float" if memory.phase == "float" else "ascent"


def _wanted(memory: PhaseMemory, state: FilterState) -> Wanted | None:
    """What the evidence speaks for; None while it is undecided."""
    p, phase = state.probabilities, memory.phase
    if p[GROUND] > _SURE or _come_to_rest(memory, state):
        return "landed"
    burst = _last_burst(memory)
    if phase == "descent" and burst is not None:
        if state.time_s - burst.noticed_s < _UNDONE_WITHIN_S:
            return "ascent" if p[ASCENT] > _SURE else None
        climb = recent.climb(tuple(q for q in memory.points if q.time_s >= burst.noticed_s))
        return "ascent" if climb is not None and climb.steep else None
    if p[DESCENT] > _SURE and _as_under_a_parachute(state):
        return "burst"
    return _by_slope(memory, state)


def _by_slope(memory: PhaseMemory, state: FilterState) -> Wanted | None:
    """Climb, float or sink, by the altitudes of some minutes."""
    slope = recent.slope(recent.since(memory.points, _LEVEL_S), _LEVEL_NOISE_M)
    if slope is None:
        return "ascent" if state.probabilities[ASCENT] > _SURE else None
    low = slope.rate_ms - 2.0 * slope.sigma_ms
    high = slope.rate_ms + 2.0 * slope.sigma_ms
    if low > _CLIMBS_MS:
        return "ascent"
    if high < _SINKS_MS and memory.highest_m - memory.points[-1].z_m > _SINK_M:
        return "sink"
    above_m = memory.points[-1].z_m - (state.lowest_m if memory.pad_m is None else memory.pad_m)
    if low > -_LEVEL_MS and high < _LEVEL_MS and above_m > _FLOAT_FROM_M:
        return "float"
    return None


def _come_to_rest(memory: PhaseMemory, state: FilterState) -> bool:
    """In a fall: level for a minute, which nothing under a parachute is; or at rest anywhere low."""
    sinks = memory.phase == "descent" and _last_burst(memory) is None
    last = recent.since(memory.points, _STAYS_S if sinks else _LANDED_S)
    if memory.phase == "descent" and recent.level(last):
        above_m = last[-1].z_m - state.lowest_m
        return above_m < _WITNESSED_BELOW_M or recent.rests(last)
    above_m = memory.points[-1].z_m - state.lowest_m
    return above_m < _FLOAT_FROM_M and recent.rests(recent.since(memory.points, _STAYS_S))


def _as_under_a_parachute(state: FilterState) -> bool:
    z = state.motions[DESCENT].z
    fastest_ms = -z.velocity + math.sqrt(z.var_velocity)
    return fastest_ms * sqrt_density(z.position) > _SLOWEST_PARACHUTE


def _certain(wanted: Wanted, memory: PhaseMemory, state: FilterState) -> bool:
    if wanted == "burst":
        climbing, falling = state.motions[ASCENT].z, state.motions[DESCENT].z
        deep = climbing.position - falling.position > _DEEP_M
        return deep and state.probabilities[DESCENT] > _CERTAIN
    if wanted == "landed" and len(memory.points) > 1 and state.probabilities[GROUND] > _AT_REST:
        before, now = memory.points[-2:]
        rate_ms = (now.z_m - before.z_m) / (now.time_s - before.time_s)
        return rate_ms > _SLOWED * state.motions[DESCENT].z.velocity
    return False


def _change(memory: PhaseMemory, wanted: Wanted, state: FilterState) -> PhaseMemory:
    phase: Phase = "descent" if wanted == "burst" or wanted == "sink" else wanted
    changed = memory._replace(phase=phase, candidate=None, confirmations=0)
    if wanted == "landed":
        return _landed(memory, changed, state)
    if wanted == "burst":
        rising = memory.rising or state
        highest_m = memory.highest_m if memory.phase != "descent" else -math.inf
        event = events.burst(rising, highest_m, state)
        last = memory.events[-1:]
        if last and last[0].kind == "sink" and state.time_s - last[0].time_s < _SANK_INTO_S:
            event = last[0]._replace(kind="burst", noticed_s=state.time_s)
            return changed._replace(events=(*memory.events[:-1], event))  # it began as a leak
        return changed._replace(events=(*memory.events, event))
    changed = changed._replace(rising=state)
    if wanted == "sink":
        top = max(memory.points, key=lambda p: p.z_m)
        event = events.at("sink", top, state.time_s)
        return changed._replace(events=(*memory.events, event))
    if wanted == "float":
        return changed._replace(events=(*memory.events, events.here("float", state)))
    burst = _last_burst(memory)
    early = burst is not None and state.time_s - burst.noticed_s < _UNDONE_WITHIN_S
    if memory.phase == "descent" and burst is not None and early:  # it climbs: that was none
        changed = _withdraw(changed, (burst,), state.time_s)
    return changed


def _landed(memory: PhaseMemory, changed: PhaseMemory, state: FilterState) -> PhaseMemory:
    """A landing, unless it never flew: a test on a line, or a drive over a pass."""
    flight = memory.flight_events
    launch = next((e for e in flight if e.kind == "launch"), None)
    now = memory.points[-1]
    if launch is not None:
        back_m = math.hypot(now.x_m - launch.x_m, now.y_m - launch.y_m)
        low = memory.highest_m - launch.altitude_m < _FLOWN_M
        if (low and back_m < _BACK_WITHIN_M) or not memory.proved:
            return _withdraw(changed, flight, state.time_s)._replace(
                phase="ground", pad=None, highest_m=-math.inf, proved=False
            )
    last = recent.since(memory.points, _LANDED_S)
    if state.probabilities[GROUND] <= _SURE and recent.level(last):
        event = events.at("landing", last[0], state.time_s)
    else:
        event = events.here("landing", state)
    return changed._replace(events=(*memory.events, event))


def _withdraw(memory: PhaseMemory, gone: tuple[Event, ...], at_s: float) -> PhaseMemory:
    return memory._replace(
        events=tuple(e for e in memory.events if e not in gone),
        withdrawn=(*memory.withdrawn, *(Withdrawn(e, at_s) for e in gone)),
    )


def _last_burst(memory: PhaseMemory) -> Event | None:
    """Of this fall; None where it sinks, or climbs again."""
    for event in reversed(memory.flight_events):
        if event.kind in ("burst", "launch"):
            return event if event.kind == "burst" else None
    return None


def _refine_burst(memory: PhaseMemory, state: FilterState) -> PhaseMemory:
    """Look back at the burst again once the fall is better known."""
    if memory.phase != "descent" or not memory.events or memory.events[-1].kind != "burst":
        return memory
    burst = memory.events[-1]
    if state.time_s - burst.noticed_s > _REFINED_FOR_S:
        return memory
    if burst.noticed_s - burst.time_s < _SEEN_AT_ONCE_S:
        return memory  # the first fixes after it knew best: later ones have more fall between
    if memory.rising is None or burst.time_s < memory.rising.time_s - _UNDONE_WITHIN_S:
        return memory  # it began as a sink, and is dated by that
    sank = len(memory.events) > 1 and memory.events[-2].kind == "sink"
    highest_m = -math.inf if sank else memory.highest_m
    better = events.burst(memory.rising, highest_m, state)
    return memory._replace(events=(*memory.events[:-1], better._replace(noticed_s=burst.noticed_s)))
