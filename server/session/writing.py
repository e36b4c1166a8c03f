"""What is to be written down: on disk before use. When the disk refuses: in use at once, and tried again."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Protocol, TypeVar

from decoders.reports import Wire
from server.flight.inputs import Command, Reception
from server.journal.database import Altered, JournalError
from server.session.session import NotStored

log = logging.getLogger("leeward.station")

RETRY_S = 2.0
MOST_PENDING = 2_000
MOST_AT_ONCE = 5_000  # of what waited for room on the disk: one commit

T = TypeVar("T")
Entry = Reception | Command
_Given = tuple[Entry, asyncio.Future[int] | None]  # and who waits for its number


class Store(Protocol):
    """The journal, alone or with the books of what other stations heard. Used from one thread."""

    def append(self, entries: Iterable[Entry]) -> int: ...

    def last_number(self) -> int: ...

    def receptions(
        self, after: int = 0, wire: Wire | None = None
    ) -> Iterator[tuple[int, Reception]]: ...

    def commands(self) -> Iterator[tuple[int, Command]]: ...

    @property
    def altered(self) -> Altered: ...

    def close(self) -> None: ...


class Writing:
    """Entries on their way to the journal, in the order in which they came, and its one thread.

    `problem`: why the disk refuses, while it does. `waiting`: how many wait for it.
    """

    def __init__(
        self,
        journal: Store,
        admit: Callable[[Iterable[Entry]], None],
        stored: Callable[[Reception, int], None],
    ) -> None:
        """`admit` is given what may be used; `stored`, each reception on disk with its number."""
        self._journal, self._admit, self._stored = journal, admit, stored
        self._pending: list[_Given] = []
        self._unwritten: list[_Given] = []  # next for the disk; while that refuses, in use already
        self._refused_s: float | None = None  # when it last did, by the loop's clock
        self._arrived, self._written = asyncio.Event(), asyncio.Event()
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="journal")
        self.problem: JournalError | None = None

    @property
    def waiting(self) -> int:
        return len(self._unwritten)

    @property
    def under_way(self) -> bool:
        """Something will be admitted as soon as the disk has it."""
        return self.problem is None and bool(self._pending or self._unwritten)

    def put(self, entry: Entry) -> None:
        """Write it down; nobody asks for its number."""
        self._pending.append((entry, None))
        self._arrived.set()

    def keep(self, entry: Entry) -> asyncio.Future[int]:
        """Write it down; its number once it is on disk, or NotStored."""
        stored: asyncio.Future[int] = asyncio.get_running_loop().create_future()
        self._pending.append((entry, stored))
        self._arrived.set()
        return stored

    async def room(self) -> None:
        """Wait until little waits for the disk."""
        while len(self._pending) > MOST_PENDING:
            self._written.clear()
            await self._written.wait()

    async def in_journal(self, work: Callable[[], T]) -> T:
        """Run in the journal's thread; raises what it raises."""
        return await asyncio.get_running_loop().run_in_executor(self._thread, work)

    async def run(self) -> None:
        """Until cancelled."""
        while True:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(RETRY_S if self._unwritten else None):
                    await self._arrived.wait()
            self._arrived.clear()
            batch, self._pending = self._pending, []
            self._written.set()
            if not batch and not self._unwritten:
                continue
            self._unwritten += batch
            if (
                self._refused_s is None
                or asyncio.get_running_loop().time() >= self._refused_s + RETRY_S
            ):
                await self._write_some()
            if self.problem is not None:
                for _, stored in self._unwritten:
                    if stored is not None and not stored.done():
                        problem = f"It could not be written down: {self.problem}"
                        stored.set_exception(NotStored(problem))
                        stored.exception()  # whoever asked may have gone
            self._admit(entry for entry, _ in batch)

    async def _write_some(self) -> None:
        """One commit of what waits, the oldest first."""
        given = self._unwritten[:MOST_AT_ONCE]

        def write() -> int:
            last = self._journal.append([entry for entry, _ in given])
            # here, so that who is ended in between writes nothing twice
            del self._unwritten[: len(given)]
            return last

        try:
            last = await self.in_journal(write)
        except JournalError as error:
            if self.problem is None:
                log.error("journal: %s", error)
            self._refused(error)
            return
        except Exception as error:  # whatever it is, reception goes on
            if self.problem is None:
                log.error("journal: %s", error, exc_info=error)
            self._refused(JournalError(f"{type(error).__name__}: {error}"))
            return
        for entry, stored in reversed(given):  # their numbers follow on each other
            if stored is not None and not stored.done():
                stored.set_result(last)
            if isinstance(entry, Reception):
                self._stored(entry, last)
                last -= 1
        if self._unwritten:
            self._arrived.set()  # go on at once
        elif self.problem is not None:
            log.warning("the journal is written again, with all that had waited")
            self.problem = None

    def _refused(self, problem: JournalError) -> None:
        self.problem = problem
        self._refused_s = asyncio.get_running_loop().time()

    def close(self) -> None:
        """Write what is left, and close the journal."""
        self._thread.shutdown(wait=True)
        left = [entry for entry, _ in (*self._unwritten, *self._pending)]
        try:
            if left:
                self._journal.append(left)
        except JournalError as error:
            log.error("journal: %s; %d receptions are lost", error, len(left))
        self._journal.close()
