"""Fits one constant of the track, and says what it and the learned parts are worth.

On the real flights by days left out, by the log score of `_track_score`; beside it what the score loses
on made flights with faults. `offset` and `barometer` are switched off by taking from the fixes what
they are learned from.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace
from typing import Any

import numpy as np

from server.flight.track.constants import MotionConstants
from server.flight.track.fixes import Fix
from tests.bench._track_score import Placed, made_flights, made_scores, real_flights, real_scores

FACTORS = (0.5, 0.7, 1.0, 1.4, 2.0)
OF_THE_PLAN = ("ascent_rate_ms", "ascent_rate_sigma_ms", "burst_from_m", "ground_altitude_m")
# what leaves a constant without effect; one that is not here is only halved and doubled
NEUTRAL: dict[str, dict[str, float]] = {
    "gust_ms": {"gust_ms": 0.0},
    "met_change": {"met_change": 0.0, "met_psd_share": 1.0},
    "met_psd_share": {"met_psd_share": 1.0},
    "process_gain": {"process_gain": 0.0},
    "process_least": {"process_least": 1e-3},
    "scatter_gain": {"scatter_gain": 0.0},
    "covariance_inflation": {"covariance_inflation": 1.0},
    "timing_sigma_s": {"timing_sigma_s": 0.0},
    "untimed_sigma_s": {"untimed_sigma_s": 0.0},
    "wind_psd": {"wind_psd": 0.0},
    "climb_psd": {"climb_psd": 1e-6},
    "fall_psd_share": {"fall_psd_share": 0.0},
    "first_fall_factor": {"first_fall_factor": 1.0},
}
SWITCHES: dict[str, Callable[[Fix], Fix]] = {
    "offset": lambda fix: replace(fix, sigma_datum_m=0.0),
    "barometer": lambda fix: replace(fix, pressure_pa=None),
}
Scores = list[np.ndarray]  # of each flight


def names() -> list[str]:
    of = [f.name for f in fields(MotionConstants) if f.name not in OF_THE_PLAN]
    return [*of, *SWITCHES]


def figures(
    name: str, loss: Callable[[np.ndarray, np.ndarray], dict[str, float]]
) -> dict[str, Any]:
    """In nats a fix; a loss is how much the score grows, `loss` tells it with its spread by days."""
    days = np.array([flight.day for flight in real_flights()])
    here = _real({})
    of_fix = np.repeat(days, [len(scores) for scores in here])

    def lost(real: Scores, made: Scores) -> dict[str, float]:
        on_made = float(np.concatenate(made).mean() - np.concatenate(made_here).mean())
        return loss(np.concatenate(real) - np.concatenate(here), of_fix) | {"made": on_made}

    made_here = _made({})
    if name in SWITCHES:
        switch = SWITCHES[name]
        return {"score": _mean(here), "loss_removed": lost(_real({}, switch), _made({}, switch))}
    now = float(getattr(MotionConstants(), name))
    tried = [here if f == 1.0 else _real({name: f * now}) for f in FACTORS]
    chosen = {}
    for day in np.unique(days):
        others = np.flatnonzero(days != day)
        means = [_mean([scores[i] for i in others]) for scores in tried]
        chosen[day] = int(np.argmin(means))
    left_out = [tried[chosen[day]][i] for i, day in enumerate(days)]
    best = [now * FACTORS[row] for row in chosen.values()]
    told: dict[str, Any] = {
        "value": now,
        "fitted_on_all": now * FACTORS[int(np.argmin([_mean(scores) for scores in tried]))],
        "fitted_from": min(best),
        "fitted_to": max(best),
        "score": _mean(here),
        "score_of_days_left_out": _mean(left_out),
        "loss_halved": lost(tried[0], _made({name: 0.5 * now})),
        "loss_doubled": lost(tried[-1], _made({name: 2.0 * now})),
    }
    if name in NEUTRAL:
        off = NEUTRAL[name]
        told["loss_removed"] = lost(_real(off), _made(off))
    return told


def _mean(scores: Scores) -> float:
    return float(np.concatenate(scores).mean())


def _real(changed: dict[str, float], switch: Callable[[Fix], Fix] | None = None) -> Scores:
    return [
        np.array(list(real_scores(f._replace(fixes=_switched(f.fixes, switch)), **changed)))
        for f in real_flights()
    ]


def _made(changed: dict[str, float], switch: Callable[[Fix], Fix] | None = None) -> Scores:
    return [
        np.array(list(made_scores(f._replace(fixes=_switched(f.fixes, switch)), **changed)))
        for f in made_flights()
    ]


def _switched(fixes: list[Placed], switch: Callable[[Fix], Fix] | None) -> list[Placed]:
    if switch is None:
        return fixes
    return [(switch(fix), x_m, y_m, accepted) for fix, x_m, y_m, accepted in fixes]
