"""Reading a recording that may be broken or half-written: what it holds, and what is missing."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import cast

from decoders.reports import WIRES, Wire
from server.flight.inputs import Reception
from server.journal_text import LogError
from server.logs import Recording, read_recording

_COLUMNS = "SELECT number, heard_at_ms, source, wire, payload FROM receptions"


def read_what_is_there(path: Path) -> Recording:
    """As `read_recording`, but a damaged journal gives the receptions that can still be read.

    LogError when not one of them can.
    """
    try:
        return read_recording(path)
    except (LogError, sqlite3.Error, UnicodeError) as error:
        rows: dict[int, Reception] = {}
        problems = [f"the journal is damaged ({error})"]
        last = _from_both_ends(path, rows)
        if not rows:
            raise LogError(f"{path}: nothing in it can be read: {error}") from error
        problems.append(_missing(rows, last))
        return Recording(path.name, [rows[n] for n in sorted(rows)], (), {}, problems)


def _from_both_ends(path: Path, rows: dict[int, Reception]) -> int | None:
    """Rows up to the damage and down to it; the number of the last that was stored, if known."""
    last = None
    try:
        db = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)
    except sqlite3.Error:
        return None
    try:
        db.execute("PRAGMA writable_schema=ON")  # else SQLite refuses a file that is cut short
        for order in ("ASC", "DESC"):
            try:
                for row in db.execute(f"{_COLUMNS} ORDER BY number {order}"):
                    _keep(rows, row)
            except (sqlite3.Error, TypeError, ValueError):
                continue
        try:
            found = db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'receptions'")
            last = next((int(seq) for (seq,) in found), None)
        except (sqlite3.Error, TypeError, ValueError):
            last = None
    finally:
        db.close()
    return last


def _keep(rows: dict[int, Reception], row: tuple[object, ...]) -> None:
    number, heard_at_ms, source, wire, payload = row
    numbers = isinstance(number, int) and isinstance(heard_at_ms, int)
    if numbers and isinstance(source, str) and isinstance(payload, bytes) and wire in WIRES:
        rows[cast(int, number)] = Reception(
            cast(int, heard_at_ms), source, cast(Wire, wire), payload
        )


def _missing(rows: dict[int, Reception], last: int | None) -> str:
    end = max(last or 0, max(rows))
    gone = [n for n in range(1, end + 1) if n not in rows]
    if not gone:
        return f"all {len(rows):,} receptions up to the damage could be read"
    return (
        f"{len(rows):,} of {end:,} receptions could be read; missing are {len(gone):,}, "
        f"from number {gone[0]:,} to {gone[-1]:,}"
    )
