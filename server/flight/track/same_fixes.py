"""What another track has run of the same first fixes, to be gone on with: all is read again where a clock
shows to be wrong, and most fixes come out as they were.

Nothing but fixes, constants, the frame's origin and what the crew said decides what the filter makes of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from server.flight.track.fixes import Fix
from server.flight.track.phase_memory import Statement
from server.flight.track.records import Records

_COMPARED_AT_ONCE = 64  # fixes, as fast as one is run


class RunBy(NamedTuple):
    """What a track has run, and by what beside its fixes and the plan."""

    run: Records
    origin: tuple[float, float] | None
    statements: Sequence[tuple[float, Statement]]


class SameFixes:
    """A comparison with another track of the same plan, piece by piece."""

    def __init__(self, other: Callable[[], RunBy]) -> None:
        self._other = other
        self._run = other().run
        self._count = 0  # first fixes that are the same

    def cut(self, count: int) -> None:
        """Only the first `count` fixes are what they were."""
        self._count = min(self._count, count)

    def compare(self, fixes: Sequence[Fix], own: RunBy) -> Records | None:
        """Some fixes more; None until it is known how many are the same. Then what has been run of them:
        `own.run` where nothing fits."""
        other = self._other()
        run = self._run
        if run is not other.run:  # what is no more run may be freed already
            return own.run
        if (own.origin, own.statements) != (other.origin, other.statements):
            return own.run
        first = i = self._count
        end = min(i + _COMPARED_AT_ONCE, len(fixes), len(run))
        while i < end and fixes[i] == run.records[i].fix:
            i += 1
        self._count = i
        if first < i == end:
            return None
        # what was said falls after another fix
        return run.first(run.at_hand(max(i - 1, 0) if own.statements else i))
