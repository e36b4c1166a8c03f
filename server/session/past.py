"""What the journal held when the station started, read into the mission while the page is up already.

First all of it is booked, in the journal's order, then the tracks are run, once: as in a start in one go,
only in slices that leave the loop free. What is heard meanwhile is on disk at once and comes in behind it,
so that a long past is not a row of late fixes, each of which would run the track again.
"""

from __future__ import annotations

import asyncio
import itertools
import time
from collections.abc import Awaitable, Callable, Iterable, Iterator
from typing import Protocol

from server.flight.inputs import Command, Reception, Tick
from server.flight.mission import Mission
from server.flight.mission_state import Problem, ProblemKind
from server.session.slices import SLICE_S, STEPS

READ_AT_ONCE = 500  # receptions: some milliseconds of the journal's thread
BOOKED_AT_ONCE = 16  # one kind of work after the other is a tenth faster than in turns
_SORTED_BEHIND = 64  # steps of the senders' that these make, mostly


class Read(Protocol):
    """A journal, as far as it is read. Used from one thread."""

    def last_number(self) -> int: ...

    def receptions(self, after: int = 0) -> Iterator[tuple[int, Reception]]: ...

    def commands(self) -> Iterator[tuple[int, Command]]: ...


class Past:
    """`reading` until the mission has all of it; a reading that fails is no reading.

    While it lasts nobody is to be alarmed by the mission, nor sent anywhere: it may be half a flight.
    """

    def __init__(
        self,
        mission: Mission,
        journal: Read,
        in_journal: Callable[
            [Callable[[], list[tuple[int, Reception]]]], Awaitable[list[tuple[int, Reception]]]
        ],
    ) -> None:
        """`in_journal` runs something in the journal's thread. What is little is read here and now."""
        self._mission = mission
        self._journal = journal
        self._in_journal = in_journal
        self._last = journal.last_number()
        self._read_to = 0
        self._commands = [command for _, command in journal.commands()]
        self._meanwhile: list[Reception | Command] = []
        self.reading = self._last > 0
        self._left = self.reading
        if not self._left:
            mission.book(self._commands)
            mission.settle()

    def hold(self, given: Iterable[Reception | Command]) -> None:
        """To be taken in behind the past."""
        self._meanwhile += given

    def tick(self, now_s: float) -> None:
        """Time goes on: what is read is as old as it is."""
        self._mission.book([Tick(now_s)])

    @property
    def problem(self) -> Problem:
        """How far it is: one half of the way is what was heard, the other the tracks."""
        run, known = self._mission.fixes_run
        done = self._read_to / self._last
        if self._read_to >= self._last and known > 0:
            done += run / known
        return Problem(ProblemKind.JOURNAL_READ, count=min(int(50.0 * done), 99))

    async def read(
        self, on_change: Callable[[], None], on_read: Callable[[list[Reception | Command]], None]
    ) -> None:
        """Read what is left. `on_read` is given what came meanwhile, also where the reading fails."""
        if not self._left:
            return
        try:
            await self._book(on_change)
            self._mission.book(self._commands)  # what the crew said runs the track again
            await self._run(on_change)
            self._left = False
        finally:
            came, self._meanwhile, self.reading = self._meanwhile, [], False
            on_read(came)

    async def _book(self, on_change: Callable[[], None]) -> None:
        until_s = 0.0
        while self._read_to < self._last:
            numbered = await self._in_journal(self._next)
            given = [reception for _, reception in numbered]
            for first in range(0, len(given), BOOKED_AT_ONCE):
                if time.monotonic() >= until_s:
                    await asyncio.sleep(0)
                    until_s = time.monotonic() + SLICE_S
                self._mission.book(given[first : first + BOOKED_AT_ONCE])
                self._mission.work_senders(_SORTED_BEHIND)
            self._read_to = numbered[-1][0] if numbered else self._last
            on_change()

    def _next(self) -> list[tuple[int, Reception]]:
        found = itertools.islice(self._journal.receptions(self._read_to), READ_AT_ONCE)
        return [(number, one) for number, one in found if number <= self._last]

    async def _run(self, on_change: Callable[[], None]) -> None:
        more = True
        while more:
            until_s = time.monotonic() + SLICE_S
            while more and time.monotonic() < until_s:
                more = self._mission.work(STEPS)
            on_change()
            await asyncio.sleep(0)
