"""What could be read of a damaged journal: in memory until the disk has room for it, then in its place."""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path

from server.flight.mission_state import Problem, ProblemKind
from server.journal.database import Journal, JournalError
from server.journal.recording import Recording
from server.journal.saving import take_place

TRY_EVERY_S = 2.0


class Unsaved(Journal):
    """Is read as any other. It goes to the disk with the first writing that has room there, or by `save`."""

    def __init__(self, path: Path, found: Recording, damage: str) -> None:
        """`path`: of the damaged file, which stays where it is until all of `found` is written."""
        super().__init__(":memory:")
        self._damaged, self._found = path, found
        self._refused: JournalError | None = None
        self._aside: Path | None = None
        self.is_saved = False
        with super().transaction() as db:
            self.insert([*found.receptions, *found.commands])
            about = dict(found.header) | {"damage": damage, "saved": "whole"}
            db.executemany("INSERT OR IGNORE INTO about VALUES (?, ?)", list(about.items()))
        self.path = str(path)

    @contextlib.contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        self.save()
        with super().transaction() as db:
            yield db

    def save(self) -> None:
        """JournalError while the disk refuses. Whoever reads in memory still may go on."""
        if self.is_saved:
            return
        try:
            if self._aside is None:
                self._aside = take_place(self._damaged, self._db.serialize())
            self.connect()
        except JournalError as error:
            self._refused = error
            raise
        self.is_saved = True

    @property
    def problem(self) -> Problem:
        count, detail = len(self._found.receptions), "; ".join(self._found.problems)
        if self._aside is None:
            detail = f"{self._refused}; {detail}"
            return Problem(ProblemKind.JOURNAL_UNSAVED, self._damaged.name, count, detail=detail)
        return Problem(ProblemKind.JOURNAL_DAMAGED, self._aside.name, count, detail=detail)


async def save_when_there_is_room(
    journal: Journal,
    in_journal: Callable[[Callable[[], None]], Awaitable[None]],
    tell: Callable[[Problem], None],
    every_s: float = TRY_EVERY_S,
) -> None:
    """Also where nothing is heard that would be written; `in_journal` runs it in the journal's thread."""
    while isinstance(journal, Unsaved) and not journal.is_saved:
        tell(journal.problem)
        with contextlib.suppress(JournalError):
            await in_journal(journal.save)
        if journal.is_saved:
            tell(journal.problem)
        else:
            await asyncio.sleep(every_s)
