"""Small scenarios for single points."""

from __future__ import annotations

from server.rehearsal.scenario import Scenario, load


def scenario(name: str = "calm", **changes: object) -> Scenario:
    """A scenario with some of its sections changed: `scenario(garbage=0)`."""
    return load(name).model_copy(update=changes)
