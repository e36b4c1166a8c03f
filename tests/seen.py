"""A state as a browser gets it: through JSON, with the sections of its first flight beside the mission's."""

from __future__ import annotations

from typing import Any

import orjson

from server.flight.landing.predict import Landing
from server.flight.landing.question import LandingQuestion
from server.flight.mission import Mission
from server.flight.mission_state import State
from server.flight.view.answer import Answer
from server.flight.view.snapshot import snapshot
from server.screen.replies import as_json
from server.session.replay import state_at


def seen(state: State | dict[str, Any]) -> dict[str, Any]:
    """Sections by name; `state` as a dataclass, or as JSON gave it."""
    whole: dict[str, Any] = orjson.loads(as_json(state)) if isinstance(state, State) else state
    return {**whole, **whole["flights"][0], "flights": whole["flights"]}


def kinds(state: dict[str, Any], section: str = "problems") -> list[str]:
    """What kinds of problems (or alarms, or events) it shows, in order."""
    return [one["kind"] for one in state[section]]


def shown(
    mission: Mission, answer: tuple[LandingQuestion, Landing] | None = None
) -> dict[str, Any]:
    """What the screen gets of a flight and its last prediction."""
    return seen(snapshot(mission, () if answer is None else [Answer(*answer)]))


def seen_at(*given: Any, **named: Any) -> dict[str, Any]:
    """As `state_at`, as the screen gets it."""
    return seen(state_at(*given, **named))
