"""Opening a journal that may be damaged: what is whole is kept, the damage is named, the flight goes on."""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Callable
from pathlib import Path

from server.flight.clock_readings import SET_WRONG_S
from server.flight.mission_state import Problem, ProblemKind
from server.journal.database import Journal, JournalError
from server.journal.salvage import salvaged
from server.journal.saving import finish_saving
from server.journal.unsaved import Unsaved

log = logging.getLogger("leeward.journal")

# a clock that goes back by less is the usual correction by the network
_CLOCK_SLACK_S = 2.0
# a table or a column that is not there is an error of the question, to SQLite
_BROKEN = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_ERROR)
_RELEASED_S = 1_793_491_200.0  # 2026-11-01: who reads less has lost its time


def open_journal(path: Path) -> tuple[Journal, list[Problem]]:
    """The journal for writing, and what is wrong with it.

    A damaged one is put aside, and what can be read of it begins a new one. Where the disk refuses that, it
    is an `Unsaved`, which tells of itself. JournalError when it is no journal of this version, or in use.
    """
    finish_saving(path)
    try:
        journal = Journal(path)
    except JournalError as error:
        if not _is_damage(error.__cause__):
            raise
        return _save(path, str(error))
    damage = journal.damage()
    if damage is None:
        return journal, []
    journal.close()
    return _save(path, damage)


def _is_damage(error: BaseException | None) -> bool:
    """Where it is locked, or not to be opened at all, nothing is broken, and nothing may be put aside."""
    if isinstance(error, sqlite3.OperationalError):
        return getattr(error, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT) & 0xFF in _BROKEN
    return isinstance(error, sqlite3.DatabaseError | UnicodeError)


def _save(path: Path, damage: str) -> tuple[Journal, list[Problem]]:
    journal = Unsaved(path, salvaged(path, damage), damage)
    try:
        journal.save()
    except JournalError as error:
        log.error("journal: %s", error)
        return journal, []
    return journal, [journal.problem]


def not_before(
    clock: Callable[[], float], last_s: float | None
) -> tuple[Callable[[], float], list[Problem]]:
    """A clock that does not read earlier than what the journal heard last, and a problem when it did.

    A computer whose clock was set back would else show figures of an hour ago as fresh. Where it is a day or
    more and the clock reads a time that can be, the journal was written while the clock was ahead, and would
    keep that date for ever.
    """
    now_s = clock()
    behind_s = 0.0 if last_s is None else last_s - now_s
    if behind_s <= _CLOCK_SLACK_S or (behind_s > SET_WRONG_S and now_s > _RELEASED_S):
        return clock, []
    told = Problem(ProblemKind.CLOCK_SET_BACK, ahead_s=-behind_s)
    return lambda: clock() + behind_s, [told]
