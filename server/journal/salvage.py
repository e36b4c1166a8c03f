"""Reading a recording that may be broken or half-written: what it holds, and what is missing."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from decoders.wires import WIRES
from server.flight.inputs import COMMAND_KINDS, Command, Reception
from server.journal.check_sum import command_of, reception_of
from server.journal.reading import has_whole_pages, open_in_memory, open_to_read
from server.journal.recording import Recording, read_recording
from server.journal.schema import NO_SUM, UNREADABLE, Table
from server.journal.text import LogError

# by place, not by name: one turned bit may alter a column's name, and each version added its own behind
_ENTRIES = "SELECT * FROM {table} ORDER BY rowid {order}"
_RECEPTION_COLUMNS, _COMMAND_COLUMNS = 6, 10
_LATER_COMMAND_COLUMNS = ("", "", None)  # station, flight, check sum
_END_S = 253_402_300_800  # of the year 9999, after which no calendar goes
Row = tuple[Any, ...]


@dataclass
class _Found:
    """What could be read of a damaged journal, by number."""

    receptions: dict[int, Reception] = field(default_factory=dict)
    commands: dict[int, Command] = field(default_factory=dict)
    about: dict[str, str] = field(default_factory=dict)
    checked_from: dict[str, int] = field(
        default_factory=dict
    )  # number of the first with a check sum
    last: int | None = None  # number of the last reception that was stored, if known

    def keep_reception(self, row: Row) -> None:
        number, *values = row
        if len(row) < _RECEPTION_COLUMNS:
            values.append(None)
        one = reception_of(self._with_sum("receptions", number, values))
        if one is not None and 0 <= one.heard_at_ms < 1000 * _END_S and one.wire in WIRES:
            self.receptions[number] = one

    def keep_command(self, row: Row) -> None:
        number, _, *values = row
        values += _LATER_COMMAND_COLUMNS[
            len(_LATER_COMMAND_COLUMNS) + len(row) - _COMMAND_COLUMNS :
        ]
        one = command_of(self._with_sum("commands", number, values))
        if one is not None and 0.0 <= one.at_s < _END_S and one.kind in COMMAND_KINDS:
            self.commands[number] = one

    def _with_sum(self, table: Table, number: int, values: list[Any]) -> list[Any]:
        first = self.checked_from.get(table)
        if values[-1] is None and first is not None and number >= first:
            values[-1] = NO_SUM
        return values

    def keep_checked_from(self, row: Row) -> None:
        table, number = row
        if isinstance(number, int):
            self.checked_from[table] = number

    def keep_about(self, row: Row) -> None:
        key, value = row
        if isinstance(key, str) and isinstance(value, str):
            self.about[key] = value

    def keep_last(self, row: Row) -> None:
        self.last = row[0] if isinstance(row[0], int) else None


def read_what_is_there(path: Path) -> Recording:
    """As `read_recording`, but a damaged journal gives what can still be read of it.

    LogError when not one reception can.
    """
    try:
        return read_recording(path)
    except (LogError, *UNREADABLE) as error:
        found = salvaged(path, str(error))
        if not found.receptions:
            raise LogError(f"{path}: nothing in it can be read: {error}") from error
        return found


def salvaged(path: Path, damage: str) -> Recording:
    """What can still be read of a damaged journal, each entry once and in order; it may be nothing."""
    found = _from_both_ends(path)
    problems = [
        f"the journal is damaged ({damage})",
        _missing(found),
        (
            f"{len(found.commands):,} of the crew's own notes (alarms seen, cars set by hand) could "
            "be read; there may have been more"
        ),
    ]
    receptions = [found.receptions[n] for n in sorted(found.receptions)]
    commands = [found.commands[n] for n in sorted(found.commands)]
    return Recording(path.name, receptions, commands, found.about, problems)


def _from_both_ends(path: Path) -> _Found:
    """Rows up to the damage, and down to it from the end."""
    found = _Found()
    with contextlib.suppress(*UNREADABLE, OSError):
        if has_whole_pages(path):
            _read(open_to_read(path), found)
    if not found.receptions or not found.commands:
        with contextlib.suppress(*UNREADABLE, OSError):
            _read(open_in_memory(path), found)
    return found


def _read(opened: sqlite3.Connection, found: _Found) -> None:
    with contextlib.closing(opened) as db:
        db.execute("PRAGMA writable_schema=ON")  # else SQLite refuses a file that is cut short
        _each(db, "SELECT entries, from_number FROM checked", found.keep_checked_from)
        for order in ("ASC", "DESC"):
            asked = _ENTRIES.format(table="receptions", order=order)
            _each(db, asked, found.keep_reception)
            asked = _ENTRIES.format(table="commands", order=order)
            _each(db, asked, found.keep_command)
        _each(db, "SELECT key, value FROM about", found.keep_about)
        sequence = "SELECT seq FROM sqlite_sequence WHERE name = 'receptions'"
        _each(db, sequence, found.keep_last)


def _each(db: sqlite3.Connection, query: str, keep: Callable[[Row], None]) -> None:
    with contextlib.suppress(sqlite3.Error, TypeError, ValueError):
        for row in db.execute(query):
            keep(row)


def _missing(found: _Found) -> str:
    end = max([found.last or 0, *found.receptions])
    gone = [n for n in range(1, end + 1) if n not in found.receptions]
    if not gone:
        return f"all {len(found.receptions):,} receptions up to the damage could be read"
    return (
        f"{len(found.receptions):,} of {end:,} receptions could be read; missing are {len(gone):,}, "
        f"from number {gone[0]:,} to {gone[-1]:,}"
    )
