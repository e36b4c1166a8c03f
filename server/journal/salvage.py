"""Reading a recording that may be broken or half-written: what it holds, and what is missing."""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from decoders.wires import WIRES
from server.flight.inputs import COMMAND_KINDS, Command, Reception
from server.journal.check_sum import command_of, reception_of
from server.journal.recording import Recording, read_recording
from server.journal.text import LogError

_RECEPTIONS = "SELECT number, heard_at_ms, source, wire, payload, {later} FROM receptions"
_COMMANDS = "SELECT number, at_s, kind, name, latitude_deg, longitude_deg, {later} FROM commands"
# columns of later journals, where there are any
_LATER = ("NULL", "crc")
_LATER_COMMANDS = (
    "'', '', NULL",
    "station, '', NULL",
    "station, flight, NULL",
    "station, flight, crc",
)
_END_S = 253_402_300_800  # of the year 9999, after which no calendar goes
Row = tuple[Any, ...]


@dataclass
class _Found:
    """What could be read of a damaged journal, by number."""

    receptions: dict[int, Reception] = field(default_factory=dict)
    commands: dict[int, Command] = field(default_factory=dict)
    about: dict[str, str] = field(default_factory=dict)
    last: int | None = None  # number of the last reception that was stored, if known

    def keep_reception(self, row: Row) -> None:
        number, heard_at_ms, _, wire, _, _ = row
        one = reception_of(row[1:])
        numbers = isinstance(number, int) and isinstance(heard_at_ms, int)
        numbers = numbers and 0 <= heard_at_ms < 1000 * _END_S
        if numbers and one is not None and wire in WIRES:
            self.receptions[number] = one
        elif one is None:  # as it was read by columns of before there were check sums
            self.receptions.pop(number, None)

    def keep_command(self, row: Row) -> None:
        number, at_s, kind = row[:3]
        one = command_of(row[1:])
        if one is None:
            self.commands.pop(number, None)
        elif isinstance(number, int) and 0.0 <= at_s < _END_S and kind in COMMAND_KINDS:
            self.commands[number] = one

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
    except (LogError, sqlite3.Error, UnicodeError) as error:
        found = _from_both_ends(path)
        if not found.receptions:
            raise LogError(f"{path}: nothing in it can be read: {error}") from error
        problems = [
            f"the journal is damaged ({error})",
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
    with contextlib.suppress(sqlite3.Error, OSError), _whole_pages(path) as whole:
        db = sqlite3.connect(f"{whole.resolve().as_uri()}?mode=ro", uri=True)
        with contextlib.closing(db):
            db.execute("PRAGMA writable_schema=ON")  # else SQLite refuses a file that is cut short
            for order in ("ASC", "DESC"):
                for later in _LATER:
                    asked = _RECEPTIONS.format(later=later)
                    _each(db, f"{asked} ORDER BY number {order}", found.keep_reception)
                for later in _LATER_COMMANDS:
                    asked = _COMMANDS.format(later=later)
                    _each(db, f"{asked} ORDER BY number {order}", found.keep_command)
            _each(db, "SELECT key, value FROM about", found.keep_about)
            sequence = "SELECT seq FROM sqlite_sequence WHERE name = 'receptions'"
            _each(db, sequence, found.keep_last)
    return found


@contextlib.contextmanager
def _whole_pages(path: Path) -> Iterator[Path]:
    """The file, or a copy without the last page where that is cut: SQLite would read zeros there."""
    with path.open("rb") as file:
        stated = int.from_bytes(file.read(18)[16:18], "big")  # SQLite's file format, 1.3.2
    page_bytes = 65_536 if stated == 1 else stated
    size = path.stat().st_size
    if page_bytes < 512 or size % page_bytes == 0:
        yield path
        return
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / path.name
        shutil.copyfile(path, copy)
        os.truncate(copy, size - size % page_bytes)
        yield copy


def _each(db: sqlite3.Connection, query: str, keep: Callable[[Row], None]) -> None:
    with contextlib.suppress(sqlite3.Error, TypeError, ValueError):
        for row in db.execute(query):
            keep(row)


def _missing(found: _Found) -> str:
    end = max(found.last or 0, *found.receptions)
    gone = [n for n in range(1, end + 1) if n not in found.receptions]
    if not gone:
        return f"all {len(found.receptions):,} receptions up to the damage could be read"
    return (
        f"{len(found.receptions):,} of {end:,} receptions could be read; missing are {len(gone):,}, "
        f"from number {gone[0]:,} to {gone[-1]:,}"
    )
