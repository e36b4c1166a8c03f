"""Receptions into books: whatever one of them does, it is counted and the others are taken in."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from decoders.reports import EARLIEST_S, LATEST_S
from server.flight.books import Books
from server.flight.clock_readings import ClockReadings
from server.flight.inputs import Plan, Reception
from server.flight.intake import Intake
from server.flight.packets.heard import Taken
from server.flight.packets.station_clocks import StationClocks

T = TypeVar("T")


class Entering:
    """`shown`: the books that are shown; books in which half of a reception was left are `broken`.

    `to_learn`: since one ended in an exception, all are to be read once more, with what they say of clocks.
    """

    def __init__(self, plan: Plan, readings: ClockReadings, shown: Books) -> None:
        self._intake = Intake(plan)
        self._readings = readings
        self._unusable: dict[Reception, str] = {}  # and in what exception it ended
        self.shown = shown
        self.to_learn = False

    def enter(
        self,
        reception: Reception,
        books: Books,
        clocks: StationClocks,
        horizon_s: Callable[[], float],
        *,
        learn: bool,
    ) -> bool:
        """True when times of packets heard before are to be read otherwise now."""
        fault = self._fault(reception)
        if fault is not None:
            books.fault_kinds[fault] += 1
            books.counts = books.counts._replace(
                total=books.counts.total + 1, unusable=books.counts.unusable + 1
            )
            return False

        def work() -> bool:
            self._readings.read(reception.station, reception.heard_at_s)
            return self._intake.enter(reception, books, clocks, horizon_s, learn)

        return bool(self._guard(reception, books, work))

    def learn(self, reception: Reception, books: Books) -> None:
        """What it says of clocks alone."""
        if self._fault(reception) is None:
            self._guard(reception, books, self._intake.learn, reception, books.clocks)

    def place(self, taken: Taken, books: Books, horizon_s: float) -> None:
        """One that was held, now that it is not later than `horizon_s`."""
        self._guard(taken.reception, books, books.place, taken, horizon_s)

    def _fault(self, reception: Reception) -> str | None:
        """Why it is not used, where that is known already."""
        if not EARLIEST_S <= reception.heard_at_s <= LATEST_S:
            return self._unusable.get(reception, "no time of this century")
        return self._unusable.get(reception)

    def _guard(
        self, reception: Reception, books: Books, work: Callable[..., T], *given: Any
    ) -> T | None:
        """The result of `work`; None when it ended in an exception, and the reception is left out.

        Books in which half of one was left are made again; until then what else fails in them may be
        good.
        """
        try:
            return work(*given)
        except Exception as fault:  # no reception may end the flight, nor the next start
            if not (books.broken and books is self.shown):
                self._unusable[reception] = type(fault).__name__
            books.broken = self.to_learn = True
            return None
