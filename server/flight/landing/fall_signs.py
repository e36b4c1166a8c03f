"""Whether the payload falls otherwise than planned, or otherwise than before, and since when.

What is found comes from the fixes of the fall alone, so that it is the same after a restart and in a
replay, and stays when the payload has landed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from server.flight.landing.descent import (
    SEA_LEVEL_ROOT_DENSITY,
    FallChange,
    FallConstants,
    change_point,
    fall_integral,
    observed,
    planned_constant,
)
from server.flight.landing.predict import Landing
from server.flight.landing.question import LandingQuestion
from server.flight.state import Side

Array = npt.NDArray[np.float64]
_Seen = tuple[Array, Array, Array]  # of the fall, from the top down: altitude, log k, its sigma

_C = FallConstants()
_LEAST_LOG = math.log(1.2)  # a fall that differs by less is as planned
_PLAN_SIGMAS = 2.0  # and so is one within what the plan itself leaves open
_WATCHED_S = 180.0  # no fall is called unplanned before it has been seen for this long
_LEAST_SEEN = 5
_CONFIRMED_BY = 3  # fall speeds after the first that a change is known by (descent.change_point)
_ALARMING_LOG = math.log(1.3)  # smaller steps come and go on falls that are sound
_WHOLE_LOG = math.log(1.2)  # of the whole since to the whole before: waves in the air reach 1.16
_LASTING, _LASTING_S = 12, 240.0  # fall speeds and seconds that a step must hold before an alarm
_LOOKED_AT, _EVERY = 60, 2
_NOT_BELOW_M = 1_000.0  # above the ground: nearer to it, an alarm helps nobody any more
_STEP_S = 60.0
_ACROSS = math.cos(math.radians(45.0))


class OffPlan(NamedTuple):
    ratio: float  # of the fall speed to the plan's
    noticed_s: float


class Step(NamedTuple):
    ratio: float  # of the fall speed since to that before
    since_m: float  # altitude at which it change_point
    since_s: float
    noticed_s: float


class FallSigns(NamedTuple):
    off_plan: OffPlan | None = None
    steps: tuple[Step, ...] = ()  # from the top down
    alarming: tuple[Step, ...] = ()  # the first each way, by what was known when it was noticed


class Effect(NamedTuple):
    """Of an unplanned fall, against one as planned from the same burst."""

    later_s: float
    away_m: float
    along: float  # cosine between that way and the planned drift: -1 short of it, 1 beyond


def fall_signs(question: LandingQuestion) -> FallSigns:
    """Up to 0.1 s for a long fall: to be kept with the question (watch.py)."""
    if question.burst_s is None or question.phase not in ("descent", "landed"):
        return FallSigns()
    until = np.ones(len(question.time_s), dtype=bool)
    if question.landed_s is not None:  # what is carried away does not fall
        until = question.time_s <= question.landed_s
    seen = observed(
        question.time_s[until],
        question.z_m[until],
        question.tracker[until],
        question.burst_s + _C.settling_s,
        _C.altitude_sigma_m,
    )
    steps = tuple(_step(question, seen[0], change) for change in _changes(seen))
    above_m = steps[0].since_m if steps else -math.inf
    whole = tuple(column[seen[0] > above_m] for column in seen)
    return FallSigns(_off_plan(question, whole[0], whole[1]), steps, _alarming(question, seen))


def plan_ratio(question: LandingQuestion, landing: Landing) -> float | None:
    """Fall speed that the landing was worked out with, to the plan's.

    None where the plan says nothing of it, where too little of the fall was seen, and where the fall
    is as planned.
    """
    planned, speed_ms = _planned(question), landing.fall_speed_sea_level_ms
    if planned is None or speed_ms is None or question.burst_s is None:
        return None
    if question.phase != "descent":
        return None
    if question.at_s < question.burst_s + _C.settling_s + _WATCHED_S:
        return None
    k, least_log = planned
    ratio = speed_ms * SEA_LEVEL_ROOT_DENSITY / k
    return ratio if abs(math.log(ratio)) > least_log else None


def effect(question: LandingQuestion, landing: Landing) -> Effect | None:
    """Each part of the fall, seen or ahead, at the planned speed in the same wind: how far it would drift.

    None where the plan says nothing of it, or nothing has fallen.
    """
    planned = _planned(question)
    if planned is None or question.burst_s is None or len(landing.path) < 2:
        return None
    since_s = question.burst_s + _C.settling_s
    fallen_s = np.append(np.arange(since_s, question.at_s, _STEP_S), question.at_s)
    track = (question.time_s, question.x_m, question.y_m, question.z_m)
    fallen = np.column_stack([np.interp(fallen_s, track[0], column) for column in track])
    way = np.concatenate([fallen[:-1], landing.path])
    took_s = np.diff(way[:, 0])
    drop = fall_integral(way[:-1, 3]) - fall_integral(way[1:, 3])
    falls = (drop > 0.0) & (took_s > 0.0)
    planned_s = drop[falls] / planned[0]
    drift_m = np.diff(way[:, 1:3], axis=0)[falls]
    planned_m = drift_m * (planned_s / took_s[falls])[:, None]
    away_m, drift_all_m = (drift_m - planned_m).sum(axis=0), planned_m.sum(axis=0)
    lengths = float(np.hypot(*away_m)), float(np.hypot(*drift_all_m))
    along = float(away_m @ drift_all_m) / max(lengths[0] * lengths[1], 1e-9)
    return Effect(float((took_s[falls] - planned_s).sum()), lengths[0], along)


def side_of(along: float) -> Side:
    """Along the drift or across it, by the cosine of an `Effect`."""
    return "short" if along < -_ACROSS else "beyond" if along > _ACROSS else "aside"


def _planned(question: LandingQuestion) -> tuple[float, float] | None:
    """The plan's k, and how far off it the log of a fall is no longer as planned."""
    plan = question.plan.descent
    told = plan.mass_kg is not None and plan.parachute_diameter_m is not None
    if plan.fall_speed_sea_level_ms is None and not told:
        return None
    k, sigma = planned_constant(plan, _C)
    return k, max(_LEAST_LOG, _PLAN_SIGMAS * sigma)


def _off_plan(question: LandingQuestion, altitude_m: Array, log_k: Array) -> OffPlan | None:
    """The first moment at which the fall so far was not as planned: what came later hides nothing."""
    planned = _planned(question)
    if planned is None or question.burst_s is None:
        return None
    times_s = _time_at(question, altitude_m)
    enough_s = question.burst_s + _C.settling_s + _WATCHED_S
    for count in range(_LEAST_SEEN, len(log_k) + 1):
        if times_s[count - 1] < enough_s:
            continue
        log_ratio = float(np.median(log_k[:count])) - math.log(planned[0])
        if abs(log_ratio) > max(planned[1], _ALARMING_LOG):
            return OffPlan(math.exp(log_ratio), float(times_s[count - 1]))
    return None


def _changes(seen: _Seen) -> list[FallChange]:
    """The clearest step, and whatever stands out above and below it."""
    found = change_point(*seen)
    if found is None:
        return []
    above, below = seen[0] > found.since_m, seen[0] <= found.since_m
    return [*_changes(_part(seen, above)), found, *_changes(_part(seen, below))]


def _alarming(question: LandingQuestion, seen: _Seen) -> tuple[Step, ...]:
    """Steps worth an alarm, looked for as the fall went on, so that none is taken back in the fall.

    At the touch-down a receiver bounces: a step must have come well above the ground. Rising and
    sinking air follow each other in waves several minutes long, and a change from the one to the
    other looks like a step: all that has fallen since must differ from all that fell before, back to
    the last step told, and not from the minutes before it alone.
    """
    ground_m = question.known_ground_m
    least_m = (question.ground.altitude_m if ground_m is None else ground_m) + _NOT_BELOW_M
    told: dict[bool, Step] = {}
    for end in range(_LASTING, len(seen[0]) + 1, _EVERY):
        first = max(end - _LOOKED_AT, 0)
        part = seen[0][first:end], seen[1][first:end], seen[2][first:end]
        change = change_point(*part)
        if change is None or abs(math.log(change.ratio)) < _ALARMING_LOG:
            continue
        lasted = int((part[0] <= change.since_m).sum()) >= _LASTING
        faster = change.ratio > 1.0
        lasted = lasted and _differs(seen[0][:end], seen[1][:end], change, told.values())
        if lasted and change.since_m > least_m and faster not in told:
            since_s, noticed_s = _time_at(
                question, np.array([change.since_m, part[0][-1]])
            ).tolist()
            if noticed_s - since_s >= _LASTING_S:
                told[faster] = Step(change.ratio, change.since_m, since_s, noticed_s)
    return tuple(sorted(told.values(), key=lambda step: -step.since_m))


def _differs(altitude_m: Array, log_k: Array, change: FallChange, told: Iterable[Step]) -> bool:
    """Whether the whole fall since, in its median, differs from that before, the same way."""
    from_m = min((step.since_m for step in told if step.since_m > change.since_m), default=math.inf)
    since = altitude_m <= change.since_m
    before = ~since & (altitude_m <= from_m)
    if not before.any():
        return False
    log_ratio = float(np.median(log_k[since]) - np.median(log_k[before]))
    return math.copysign(log_ratio, math.log(change.ratio) * log_ratio) > _WHOLE_LOG


def _part(seen: _Seen, which: npt.NDArray[np.bool_]) -> _Seen:
    return seen[0][which], seen[1][which], seen[2][which]


def _step(question: LandingQuestion, altitude_m: Array, change: FallChange) -> Step:
    first = int(np.argmax(altitude_m <= change.since_m))
    shown = altitude_m[min(first + _CONFIRMED_BY, len(altitude_m) - 1)]
    since_s, noticed_s = _time_at(question, np.array([change.since_m, shown])).tolist()
    return Step(change.ratio, change.since_m, since_s, noticed_s)


def _time_at(question: LandingQuestion, altitude_m: Array) -> Array:
    """When the fall first went through these altitudes."""
    since = question.time_s >= (question.burst_s or 0.0)
    lowest_m = np.minimum.accumulate(question.z_m[since])
    return np.interp(-altitude_m, -lowest_m, question.time_s[since])
