"""What is remembered of the phase from fix to fix, and the words for it."""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

from server.flight.state import Phase
from server.flight.track.events import Event, Withdrawn
from server.flight.track.filter import FilterState
from server.flight.track.recent import Point, Points

Statement = Literal["not launched", "launched", "landed"]
Wanted = Literal["ascent", "float", "sink", "burst", "landed"]

FLYING: tuple[Phase, ...] = ("ascent", "float", "descent")

SURE = 0.95  # probability of a mode
CONFIRMATIONS = 2  # fixes in a row that must agree before the phase changes
WITNESSED_BELOW_M = 1_500.0  # above ground: what is higher has not been seen to rest, or to launch


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


def withdraw(memory: PhaseMemory, gone: tuple[Event, ...], at_s: float) -> PhaseMemory:
    return memory._replace(
        events=tuple(e for e in memory.events if e not in gone),
        withdrawn=(*memory.withdrawn, *(Withdrawn(e, at_s) for e in gone)),
    )


def last_burst(memory: PhaseMemory) -> Event | None:
    """Of this fall; None where it sinks, or climbs again."""
    for event in reversed(memory.flight_events):
        if event.kind in ("burst", "launch"):
            return event if event.kind == "burst" else None
    return None
