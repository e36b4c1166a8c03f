"""What the filter says of one fix, and all that the run over later ones depends on."""

from __future__ import annotations

from typing import NamedTuple

from server.flight.track.filter import FilterState
from server.flight.track.fixes import Fix, Key, Verdict
from server.flight.track.phase_memory import PhaseMemory


class Checkpoint(NamedTuple):
    """All that the run over later fixes depends on."""

    state: FilterState | None = None
    phase: PhaseMemory = PhaseMemory()
    challengers: tuple[tuple[Fix, float, float], ...] = ()  # rejected in a row, with x and y
    doubted: tuple[Key, ...] = ()  # not wholly used, though a fall would explain them
    pardoned: frozenset[Key] = frozenset()  # rejected at first, then confirmed by what followed
    used: tuple[Fix, float, float] | None = None  # the last accepted fix, with x and y


class Judged(NamedTuple):
    """One fix with the filter's verdict. Metres in the track's frame."""

    fix: Fix
    x_m: float
    y_m: float
    verdict: Verdict


class Record(NamedTuple):
    """One fix after the filter has seen it. Metres in the track's frame."""

    fix: Fix
    x_m: float
    y_m: float
    verdict: Verdict
    after: Checkpoint
