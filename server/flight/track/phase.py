"""From the modes' probabilities to a phase with hysteresis, and to launch, burst and landing events."""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

from server.flight.atmosphere import density_scale_height_m
from server.flight.track.filter import FilterState
from server.flight.track.modes import ASCENT, DESCENT, FLOAT, GROUND

Phase = Literal["unknown", "ground", "ascent", "float", "descent", "landed"]
EventKind = Literal["launch", "float", "burst", "landing"]

_SURE = 0.95
_CERTAIN = 0.93  # of a fall: no second fix is waited for, if it is deep
_DEEP_M = 700.0  # below where the climb would be: more than a stuck altitude lags behind
_AT_REST = 0.99  # of rest: no second fix is waited for
_WITNESSED_BELOW_M = 1_500.0  # above ground: first heard in the air above this, no launch was seen
_REFINED_FOR_S = 180.0
_BACK_STEP_S = 2.0
_CONFIRMATIONS = 2  # fixes in a row that must agree before the phase changes


class Event(NamedTuple):
    kind: EventKind
    time_s: float  # when it happened, as best known now
    altitude_m: float
    x_m: float
    y_m: float
    noticed_s: float  # time of the fix that showed it


class PhaseMemory(NamedTuple):
    phase: Phase = "unknown"
    candidate: Phase = "unknown"
    confirmations: int = 0
    highest_m: float = -math.inf
    rising: FilterState | None = None  # last state before the candidate for descent came up
    events: tuple[Event, ...] = ()


def follow(memory: PhaseMemory, state: FilterState, evidence: bool) -> PhaseMemory:
    """The memory after `state`; `evidence` is False when its fix was rejected."""
    if not evidence:
        return memory
    mixed = state.mixed()
    if mixed.z.position > memory.highest_m:
        memory = memory._replace(highest_m=mixed.z.position)
    memory = _refine_burst(memory, state)
    wanted = _wanted(memory, state)
    if wanted is None or wanted == memory.phase:
        rising = state if memory.phase in ("ascent", "float") else memory.rising
        if wanted is None and memory.phase in ("ascent", "float"):
            rising = memory.rising or state
        return memory._replace(candidate=memory.phase, confirmations=0, rising=rising)
    certain = _certain(wanted, state)
    if wanted != memory.candidate and not certain:
        return memory._replace(candidate=wanted, confirmations=1)
    memory = memory._replace(confirmations=memory.confirmations + 1)
    if memory.confirmations < _CONFIRMATIONS and not certain:
        return memory
    return _change(memory, wanted, state)


def _certain(wanted: Phase, state: FilterState) -> bool:
    if wanted == "descent":
        climbing, falling = state.motions[ASCENT].z, state.motions[DESCENT].z
        deep = climbing.position - falling.position > _DEEP_M
        return deep and state.probabilities[DESCENT] > _CERTAIN
    return wanted == "landed" and state.probabilities[GROUND] > _AT_REST


def _refine_burst(memory: PhaseMemory, state: FilterState) -> PhaseMemory:
    """Look back at the burst again once the fall is better known."""
    if memory.phase != "descent" or not memory.events or memory.events[-1].kind != "burst":
        return memory
    burst = memory.events[-1]
    if state.time_s - burst.noticed_s > _REFINED_FOR_S:
        return memory
    better = _burst(memory, state)._replace(noticed_s=burst.noticed_s)
    return memory._replace(events=(*memory.events[:-1], better))


def _wanted(memory: PhaseMemory, state: FilterState) -> Phase | None:
    """The phase that the probabilities speak for; None while they are undecided."""
    p = state.probabilities
    flown = memory.phase in ("ascent", "float", "descent", "landed")
    if p[GROUND] > _SURE:
        return "landed" if flown else "ground"
    if memory.phase == "landed":
        return None
    if p[ASCENT] > _SURE:
        return "ascent"
    if p[DESCENT] > _SURE and memory.phase != "ground":
        return "descent"
    if p[FLOAT] > _SURE:
        return "float"
    return None


def _change(memory: PhaseMemory, phase: Phase, state: FilterState) -> PhaseMemory:
    mixed = state.mixed()
    here = Event(
        "launch", state.time_s, mixed.z.position, mixed.x.position, mixed.y.position, state.time_s
    )
    events = memory.events
    low = mixed.z.position - state.lowest_m < _WITNESSED_BELOW_M
    witnessed = memory.phase == "ground" or low
    if phase == "ascent" and memory.phase in ("unknown", "ground") and witnessed:
        events += (_launch(here, state),)
    elif phase == "descent" and memory.phase in ("ascent", "float"):
        events += (_burst(memory, state),)
    elif phase in ("ascent", "float") and memory.phase == "descent" and events[-1:]:
        events = events[:-1] if events[-1].kind == "burst" else events  # it climbs: that was none
    elif phase == "float" and memory.phase == "ascent":
        events += (here._replace(kind="float"),)
    elif phase == "landed":
        events += (here._replace(kind="landing"),)
    return memory._replace(
        phase=phase,
        candidate=phase,
        confirmations=0,
        rising=state if phase in ("ascent", "float") else memory.rising,
        events=events,
    )


def _launch(here: Event, state: FilterState) -> Event:
    """Back along the climb to the lowest ground known, when that is not far below."""
    z, x, y = state.mixed().z, state.mixed().x, state.mixed().y
    height_m = z.position - state.lowest_m
    if z.velocity < 0.5 or not 0.0 <= height_m < 1_500.0:
        return here
    ago_s = height_m / z.velocity
    return here._replace(
        time_s=here.time_s - ago_s,
        altitude_m=state.lowest_m,
        x_m=here.x_m - x.velocity * ago_s,
        y_m=here.y_m - y.velocity * ago_s,
    )


def _burst(memory: PhaseMemory, state: FilterState) -> Event:
    """Where the climb before and the fall after meet: the fall is followed back in short steps."""
    rising = memory.rising or state
    up, down = rising.mixed(), state.motions[DESCENT].z
    climb_ms = max(up.z.velocity, 0.0)
    time_s, altitude_m, speed_ms = state.time_s, down.position, min(down.velocity, -0.1)
    while time_s > rising.time_s + _BACK_STEP_S:
        climbed_m = up.z.position + climb_ms * (time_s - rising.time_s)
        if altitude_m >= climbed_m:
            break
        double_scale_m = 2 * density_scale_height_m(altitude_m)
        s = max(1.0 + speed_ms * _BACK_STEP_S / double_scale_m, 0.5)
        altitude_m -= double_scale_m * math.log(s)
        speed_ms /= s
        time_s -= _BACK_STEP_S
    since_s = max(time_s - rising.time_s, 0.0)
    return Event(
        "burst",
        time_s,
        max(up.z.position + climb_ms * since_s, memory.highest_m),
        up.x.position + up.x.velocity * since_s,
        up.y.position + up.y.velocity * since_s,
        state.time_s,
    )
