"""The landing in words: when, by what, and what is not as planned."""

from __future__ import annotations

import math

import numpy as np

from server.flight.landing.fall_signs import effect, effect_words, plan_ratio, times_words
from server.flight.landing.predict import Basis, Landing
from server.flight.landing.question import LandingQuestion
from server.flight.times import clock


def landing_text(basis: Basis, question: LandingQuestion, landing: Landing, now_s: float) -> str:
    """What the crew reads under the landing. `basis` is the landing's at `now_s`."""
    heard = clock(landing.as_of_s)
    if basis == "landed fix":
        carried = ""
        if question.carried_m is not None:
            away_km = question.carried_m / 1000
            carried = f" It is {away_km:,.1f} km from there now: carried or dragged away."
        return f"At rest. {_at_rest(question)}, last at {heard}.{carried}"
    between = f"between {clock(landing.early_s)} and {clock(landing.late_s)}"
    if basis == "last contact":
        down = f"it came down {between}" if now_s > landing.late_s else f"down {between}"
        return (
            f"No contact since {heard}, {_last_seen(question)}. Worked out from the last fix: {down}. "
            f"Search the ground within {landing.nine_tenths.radius_m:,.0f} m."
            f"{_fall(question, landing, past=True)}"
        )
    if question.phase == "float":
        return (
            f"It floats at {question.motion.z.position:,.0f} m, and for how long is not known: it may be "
            f"let go, or climb on. Down {between}, by what had been heard at {heard}."
        )
    if question.hang is not None:
        return (
            f"It sinks at {-question.hang.rate_ms:.1f} m/s, more slowly than under a parachute, and for "
            f"how long is not known: it may be let go. Down {between}, by what had been heard at {heard}."
        )
    return (
        f"Down {between}, by what had been heard at {heard}.{_fall(question, landing, past=False)}"
    )


def _last_seen(question: LandingQuestion) -> str:
    """How high it was, and that it did not fall yet: then the burst is the plan's."""
    ground_m = question.known_ground_m
    if ground_m is None:
        ground_m = question.ground.altitude_m
    height_m = max(question.motion.z.position - ground_m, 0.0)
    above = f"{height_m:,.0f} m above the ground"
    if question.phase == "ascent":
        return f"{above} and climbing"
    return (
        f"{above} and floating, for how long is not known" if question.phase == "float" else above
    )


def _at_rest(question: LandingQuestion) -> str:
    count = len(question.landed)
    if count < 2:
        return "Position from one fix on the ground"
    x, y = question.frame.to_xy(question.landed[:, 0], question.landed[:, 1])
    spread_m = math.sqrt(float(np.var(x) + np.var(y)))
    return f"Middle of {count} fixes on the ground, which scatter by {spread_m:,.0f} m"


def _fall(question: LandingQuestion, landing: Landing, *, past: bool) -> str:
    """What a fall that changed, or is not the planned one, does to time and place."""
    if landing.fall_change is not None:
        return _change(landing, past=past)
    ratio, found = plan_ratio(question, landing), effect(question, landing)
    if ratio is None or found is None:
        return ""
    falls, lands = ("fell", "landed") if past else ("falls", "lands")
    return f" It {falls} {times_words(ratio)} as planned: it {lands} {effect_words(found)}."


def _change(landing: Landing, *, past: bool) -> str:
    change = landing.fall_change
    assert change is not None
    share = abs(change.ratio - 1.0)
    left_s = landing.time_s - landing.as_of_s
    left_m = math.hypot(landing.x_m - landing.path[0, 1], landing.y_m - landing.path[0, 2])
    faster = change.ratio > 1.0
    return (
        f" {'Fell' if past else 'Falls'} {round(share * 100)} % {'faster' if faster else 'slower'} "
        f"than before, below {change.since_m:,.0f} m: about {max(round(left_s * share / 60), 1)} min "
        f"{'sooner' if faster else 'later'}, and {left_m * share / 1000:.1f} km "
        f"{'nearer' if faster else 'further on'}."
    )
