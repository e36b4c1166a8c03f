"""From figures to a verdict: fit, doubtful or unfit, and the limit that decides."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum


class Verdict(StrEnum):
    FIT = "fit"
    DOUBTFUL = "doubtful"
    UNFIT = "unfit"
    UNKNOWN = "unknown"  # nothing can be said: no winds for that hour


class Limit(StrEnum):
    """Which of the plan's limits."""

    DISTANCE = "farthest_landing_m"
    AVOID = "largest_avoid_chance"
    SUNSET = "before_sunset_s"
    WIND = "strongest_ground_wind_ms"
    WINDS_UNKNOWN = "winds_unknown"


@dataclass(frozen=True, slots=True)
class Limits:
    """None: the plan has no such limit."""

    farthest_landing_m: float | None = None
    largest_avoid_chance: float | None = None
    before_sunset_s: float | None = None
    strongest_ground_wind_ms: float | None = None


@dataclass(frozen=True, slots=True)
class Figures:
    """Of one hour. `far_m`: launch to the landing, and to the farthest point of the 90 % area.

    `late_s`: 5 % come down after it. `members`: of the ensemble, which chances are shares of.
    """

    distance_m: float
    far_m: float
    avoid_chance: float
    lands_s: float
    late_s: float
    sunset_s: float | None
    ground_wind_ms: float | None
    ground_wind_sigma_ms: float
    members: int


_WORST = (Verdict.UNFIT, Verdict.DOUBTFUL, Verdict.FIT)


def judge(limits: Limits, figures: Figures) -> tuple[Verdict, Limit | None]:
    """The worst of all limits, and which it is; None where all hold.

    Fit: it holds for what is likely (the 90 % area, 95 % of the times). Unfit: not even for the middle.
    """
    found = [*_distance(limits, figures), *_avoid(limits, figures)]
    found += [*_sunset(limits, figures), *_wind(limits, figures)]
    for verdict in _WORST[:2]:
        for told, limit in found:
            if told is verdict:
                return verdict, limit
    return Verdict.FIT, None


def _graded(unfit: bool, doubtful: bool) -> Verdict:
    return Verdict.UNFIT if unfit else Verdict.DOUBTFUL if doubtful else Verdict.FIT


def _distance(limits: Limits, figures: Figures) -> list[tuple[Verdict, Limit]]:
    most_m = limits.farthest_landing_m
    if most_m is None:
        return []
    return [(_graded(figures.distance_m > most_m, figures.far_m > most_m), Limit.DISTANCE)]


def _avoid(limits: Limits, figures: Figures) -> list[tuple[Verdict, Limit]]:
    most = limits.largest_avoid_chance
    if most is None:
        return []
    chance = figures.avoid_chance
    doubt = 2.0 * math.sqrt(max(chance * (1.0 - chance), 0.25 / figures.members) / figures.members)
    return [(_graded(chance - doubt > most, chance + doubt > most), Limit.AVOID)]


def _sunset(limits: Limits, figures: Figures) -> list[tuple[Verdict, Limit]]:
    if limits.before_sunset_s is None or figures.sunset_s is None:
        return []
    latest_s = figures.sunset_s - limits.before_sunset_s
    return [(_graded(figures.lands_s > latest_s, figures.late_s > latest_s), Limit.SUNSET)]


def _wind(limits: Limits, figures: Figures) -> list[tuple[Verdict, Limit]]:
    most_ms, wind_ms = limits.strongest_ground_wind_ms, figures.ground_wind_ms
    if most_ms is None or wind_ms is None:
        return []
    doubtful = wind_ms + figures.ground_wind_sigma_ms > most_ms
    return [(_graded(wind_ms > most_ms, doubtful), Limit.WIND)]
