"""Opening a journal that may be damaged: what is whole is kept, the damage is named, the flight goes on."""

from __future__ import annotations

import contextlib
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path

from server.flight.clock_readings import SET_WRONG_S
from server.flight.mission_state import Problem, ProblemKind
from server.journal.database import Journal, JournalError
from server.journal.salvage import salvaged

# a clock that goes back by less is the usual correction by the network
_CLOCK_SLACK_S = 2.0
# a table or a column that is not there is an error of the question, to SQLite
_BROKEN = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_ERROR)
_RELEASED_S = 1_793_491_200.0  # 2026-11-01: who reads less has lost its time


def open_journal(path: Path) -> tuple[Journal, list[Problem]]:
    """The journal for writing, and what is wrong with it.

    A damaged one is put aside, and what can be read of it begins a new one. JournalError when that
    cannot be done either, or when it is no journal of this version.
    """
    _finish_saving(path)
    try:
        journal = Journal(path)
    except JournalError as error:
        if not isinstance(error.__cause__, sqlite3.DatabaseError) or _is_in_use(error.__cause__):
            raise
        return _save(path, str(error))
    damage = journal.damage()
    if damage is None:
        return journal, []
    journal.close()
    return _save(path, damage)


def _is_in_use(error: BaseException) -> bool:
    """Locked, or not to be opened at all: nothing is broken, and nothing may be put aside."""
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT)
    return isinstance(error, sqlite3.OperationalError) and code & 0xFF not in _BROKEN


def _save(path: Path, damage: str) -> tuple[Journal, list[Problem]]:
    found = salvaged(path, damage)
    about = dict(found.header)
    about.pop("schema", None)
    saving = _saving(path)
    with Journal(saving) as new:  # beside the damaged one, which stays until all of it is written
        new.append([*found.receptions, *found.commands])
        new.describe(**about, damage=damage, saved="whole")
    aside = _put_aside(path)
    saving.replace(path)
    journal = Journal(path)
    detail, count = "; ".join(found.problems), len(found.receptions)
    return journal, [Problem(ProblemKind.JOURNAL_DAMAGED, aside.name, count, detail=detail)]


def _saving(path: Path) -> Path:
    return path.with_suffix(f".saving{path.suffix}")


def _finish_saving(path: Path) -> None:
    """What was saved of a damaged journal, where the start that saved it was ended before it was done.

    While the damaged one is in its place, it is saved anew: half a copy is nothing.
    """
    saving = _saving(path)
    if not saving.exists():
        return
    whole = False
    if not path.exists():  # closed, all of it stands in the one file
        with (
            contextlib.suppress(JournalError, sqlite3.Error),
            Journal(saving) as new,
        ):
            whole = new.about().get("saved") == "whole"
    if whole:
        saving.replace(path)
    else:
        for end in ("", "-wal", "-shm"):
            saving.with_name(saving.name + end).unlink(missing_ok=True)


def _put_aside(path: Path) -> Path:
    stamp = time.strftime("%Y%m%dT%H%M%S", time.gmtime())
    aside = path.with_suffix(f".damaged-{stamp}{path.suffix}")
    try:
        path.replace(aside)
        for end in ("-wal", "-shm"):
            beside = path.with_name(path.name + end)
            if beside.exists():
                beside.replace(aside.with_name(aside.name + end))
    except OSError as error:
        raise JournalError(f"{path}: damaged, and cannot be put aside: {error}") from error
    return aside


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
