"""Connections that were cut because they held a place for nothing: counted, and told once they are many.

A telephone that fell asleep and a browser's spare connection are cut every day; nobody is told of those: of
pages, less than ten or than a quarter of all that are open.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

from server.flight.mission_state import Problem, ProblemKind

TOLD_MIN = 10  # the last so many minutes are told
MANY = 10  # fewer are no attack; our choice


class Cuts:
    """How many were cut of late, by why."""

    def __init__(self, clock: Callable[[], float]) -> None:
        """`clock` gives seconds that only grow."""
        self._clock = clock
        self.pages: Callable[[], int] = lambda: 0  # how many are open
        self._by_minute: dict[ProblemKind, Counter[int]] = {}

    def note(self, why: ProblemKind) -> None:
        minute = self._minute()
        counted = self._by_minute.setdefault(why, Counter())
        counted[minute] += 1
        for old in [one for one in counted if one <= minute - TOLD_MIN]:
            del counted[old]

    @property
    def problems(self) -> tuple[Problem, ...]:
        """One for each reason that many were cut for."""
        since = self._minute() - TOLD_MIN
        found = []
        for why, counted in self._by_minute.items():
            count = sum(n for minute, n in counted.items() if minute > since)
            usual = self.pages() // 4 if why == ProblemKind.READERS_CUT else 0
            if count >= max(MANY, usual):
                found.append(Problem(why, count=count))
        return tuple(found)

    def _minute(self) -> int:
        return int(self._clock() // 60.0)
