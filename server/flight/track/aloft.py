"""In the air: climb, float, sink and fall told apart, and when it has come to rest.

The modes' probabilities tell a burst quickly; float and sink are told by the altitudes of minutes.
"""

from __future__ import annotations

import math

from server.flight.physics.atmosphere import sqrt_density
from server.flight.state import Phase
from server.flight.track import events, recent
from server.flight.track.filter import FilterState
from server.flight.track.modes import ASCENT, DESCENT, GROUND
from server.flight.track.phase_memory import (
    CONFIRMATIONS,
    SURE,
    WITNESSED_BELOW_M,
    PhaseMemory,
    Wanted,
    last_burst,
    withdraw,
)

_CERTAIN = 0.93  # of a fall: no second fix is waited for, if it is deep
_DEEP_M = 700.0  # below where the climb would be: more than a stuck altitude lags behind
_AT_REST = 0.99  # of rest: no second fix is waited for
_SLOWED = 0.7  # of the speed of the fall
_SLOWED_S = 15.0  # over which it is asked: altitudes of two trackers differ by seconds of the fall
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


def follow_aloft(memory: PhaseMemory, state: FilterState, *, tells_height: bool) -> PhaseMemory:
    """A fix that tells no height neither begins nor confirms anything but rest on the ground."""
    proved = memory.highest_m - _pad_m(memory, state) > _PROVED_M
    if not memory.proved and not proved:
        climb = recent.climb(memory.points)
        proved = climb is not None and climb.steep
    if proved and not memory.proved:
        memory = memory._replace(proved=True)
    memory = _refine_burst(memory, state)
    if not tells_height and state.probabilities[GROUND] <= SURE:
        return memory
    wanted = _wanted(memory, state)
    if wanted is None or wanted == _stands(memory):
        rising = memory.rising
        if last_burst(memory) is None and (rising is None or _still_rises(memory, state)):
            rising = state
        return memory._replace(candidate=None, confirmations=0, rising=rising)
    certain = _certain(wanted, state)
    if wanted != memory.candidate and not certain:
        return memory._replace(candidate=wanted, confirmations=1)
    memory = memory._replace(confirmations=memory.confirmations + 1)
    if memory.confirmations < CONFIRMATIONS and not certain:
        return memory
    return _change(memory, wanted, state)


def _pad_m(memory: PhaseMemory, state: FilterState) -> float:
    """Where it rested before the launch; else the lowest ground that was seen."""
    return state.lowest_m if memory.pad_m is None else memory.pad_m


def _still_rises(memory: PhaseMemory, state: FilterState) -> bool:
    """It has not lost half its climb rate with this fix: a burst just before it would show so."""
    if memory.phase != "ascent" or memory.rising is None:
        return True
    stale = state.time_s - memory.rising.time_s > _UNDONE_WITHIN_S
    return stale or state.mixture.z.velocity > 0.5 * memory.rising.mixture.z.velocity


def _stands(memory: PhaseMemory) -> Wanted | None:
    """What is taken for true already."""
    if memory.phase == "descent":
        return "sink" if last_burst(memory) is None else "burst"
    return "float" if memory.phase == "float" else "ascent"


def _wanted(memory: PhaseMemory, state: FilterState) -> Wanted | None:
    """What the evidence speaks for; None while it is undecided."""
    p, phase = state.probabilities, memory.phase
    if (p[GROUND] > SURE and _slowed(memory, state)) or _come_to_rest(memory, state):
        return "landed"
    burst = last_burst(memory)
    if phase == "descent" and burst is not None:
        if state.time_s - burst.noticed_s < _UNDONE_WITHIN_S:
            return "ascent" if p[ASCENT] > SURE else None
        climb = recent.climb(tuple(q for q in memory.points if q.time_s >= burst.noticed_s))
        return "ascent" if climb is not None and climb.steep else None
    if p[DESCENT] > SURE and _as_under_a_parachute(state) and _below_the_climb(state):
        return "burst"
    return _by_slope(memory, state)


def _by_slope(memory: PhaseMemory, state: FilterState) -> Wanted | None:
    """Climb, float or sink, by the altitudes of some minutes."""
    slope = recent.slope(recent.since(memory.points, _LEVEL_S), _LEVEL_NOISE_M)
    if slope is None:
        return "ascent" if state.probabilities[ASCENT] > SURE else None
    low = slope.rate_ms - 2.0 * slope.sigma_ms
    high = slope.rate_ms + 2.0 * slope.sigma_ms
    if low > _CLIMBS_MS:
        return "ascent"
    if high < _SINKS_MS and memory.highest_m - memory.points[-1].z_m > _SINK_M:
        return "sink"
    above_m = memory.points[-1].z_m - _pad_m(memory, state)
    if low > -_LEVEL_MS and high < _LEVEL_MS and above_m > _FLOAT_FROM_M:
        return "float"
    return None


def _come_to_rest(memory: PhaseMemory, state: FilterState) -> bool:
    """In a fall: level for a minute, which nothing under a parachute is; or at rest anywhere low."""
    sinks = memory.phase == "descent" and last_burst(memory) is None
    last = recent.since(memory.points, _STAYS_S if sinks else _LANDED_S)
    if memory.phase == "descent" and recent.level(last):
        above_m = last[-1].z_m - state.lowest_m
        return above_m < WITNESSED_BELOW_M or recent.rests(last)
    above_m = memory.points[-1].z_m - state.lowest_m
    return above_m < _FLOAT_FROM_M and recent.rests(recent.since(memory.points, _STAYS_S))


def _slowed(memory: PhaseMemory, state: FilterState) -> bool:
    """It lost less height of late than the fall would: one odd fix can make GROUND certain."""
    last = recent.since(memory.points, _SLOWED_S)
    if not last:
        return True
    before, now = last[0], last[-1]
    rate_ms = (now.z_m - before.z_m) / (now.time_s - before.time_s)
    return rate_ms > _SLOWED * state.motions[DESCENT].z.velocity


def _as_under_a_parachute(state: FilterState) -> bool:
    z = state.motions[DESCENT].z
    fastest_ms = -z.velocity + math.sqrt(z.var_velocity)
    return fastest_ms * sqrt_density(z.position) > _SLOWEST_PARACHUTE


def _below_the_climb(state: FilterState) -> bool:
    """A gust upwards leaves the climb too, and the fall is the mode that explains anything."""
    return state.motions[DESCENT].z.position < state.motions[ASCENT].z.position


def _certain(wanted: Wanted, state: FilterState) -> bool:
    if wanted == "burst":
        climbing, falling = state.motions[ASCENT].z, state.motions[DESCENT].z
        deep = climbing.position - falling.position > _DEEP_M
        return deep and state.probabilities[DESCENT] > _CERTAIN
    return wanted == "landed" and state.probabilities[GROUND] > _AT_REST


def _change(memory: PhaseMemory, wanted: Wanted, state: FilterState) -> PhaseMemory:
    # mypy narrows by == alone
    phase: Phase = "descent" if wanted == "burst" or wanted == "sink" else wanted  # noqa: PLR1714
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
    burst = last_burst(memory)
    early = burst is not None and state.time_s - burst.noticed_s < _UNDONE_WITHIN_S
    if memory.phase == "descent" and burst is not None and early:  # it climbs: that was none
        changed = withdraw(changed, (burst,), state.time_s)
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
            return withdraw(changed, flight, state.time_s)._replace(
                phase="ground", pad=None, highest_m=-math.inf, proved=False
            )
    last = recent.since(memory.points, _LANDED_S)
    if state.probabilities[GROUND] <= SURE and recent.level(last):
        event = events.at("landing", last[0], state.time_s)
    else:
        event = events.here("landing", state)
    return changed._replace(events=(*memory.events, event))


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
