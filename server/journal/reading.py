"""Connections that read a journal's file: as SQLite does, or all that can be, by what every journal has."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from server.journal.check_sum import text_of
from server.journal.schema import MADE, UNREADABLE

_PAGE_BYTES = 4_096  # SQLite's own choice, which is left to it
# in memory there is no write-ahead log: 1, 1; the rest never is anything else (SQLite's file format, 1.3)
_HEAD = b"SQLite format 3\0" + _PAGE_BYTES.to_bytes(2, "big") + bytes([1, 1, 0, 64, 32, 32])
_SCHEMA_FORMAT, _UTF_8 = (4).to_bytes(4, "big"), (1).to_bytes(4, "big")


_NO_ROOM = (
    sqlite3.SQLITE_FULL,
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_READONLY,
    sqlite3.SQLITE_CANTOPEN,
)


def is_without_room(error: Exception) -> bool:
    """Or nothing may be written there. Python's own errors have no code: a text that is none."""
    return getattr(error, "sqlite_errorcode", 0) & 0xFF in _NO_ROOM


def open_to_read(path: Path) -> sqlite3.Connection:
    """Nothing of it is checked yet. sqlite3.Error."""
    uri = f"{path.resolve().as_uri()}?mode=ro"
    db = sqlite3.connect(uri, uri=True, check_same_thread=False)
    db.text_factory = text_of
    try:
        db.execute("SELECT COUNT(*) FROM sqlite_master")
    except UNREADABLE as error:
        if is_without_room(error):
            db.close()
            return open_without_room(str(path), create=False)
    return db


def open_without_room(path: str, *, create: bool = True) -> sqlite3.Connection:
    """The index of the write-ahead log is kept in memory, not beside the file. sqlite3.Error."""
    uri = f"{Path(path).resolve().as_uri()}?mode={'rwc' if create else 'rw'}"
    db = sqlite3.connect(uri, uri=True, check_same_thread=False)
    db.text_factory = text_of
    try:
        db.execute("PRAGMA locking_mode=EXCLUSIVE")
        db.execute("PRAGMA synchronous=FULL")
    except UNREADABLE:
        db.close()
        raise
    return db


def has_whole_pages(path: Path) -> bool:
    """Where the last one is cut, SQLite would read zeros. OSError."""
    return path.stat().st_size % _PAGE_BYTES == 0


def open_in_memory(path: Path) -> sqlite3.Connection:
    """A copy of its whole pages, without the write-ahead log, with the head and the tables of a journal.

    One turned bit in the words that make a table would else hide all of it. OSError, UNREADABLE.
    """
    data = bytearray(path.read_bytes())
    pages = len(data) // _PAGE_BYTES
    del data[pages * _PAGE_BYTES :]
    data[: len(_HEAD)], data[28:32] = _HEAD, pages.to_bytes(4, "big")
    data[44:48], data[56:60] = _SCHEMA_FORMAT, _UTF_8
    with _of_bytes(bytes(data)) as db:
        db.execute("PRAGMA writable_schema=ON")  # what cannot be understood is passed over
        for table, columns in MADE.items():
            db.execute(
                "UPDATE sqlite_master SET type = 'table', name = ?1, tbl_name = ?1, sql = ?2"
                " WHERE rootpage > 0 AND sql IS NOT NULL AND ?1 IN (name, tbl_name)",
                (table, f"CREATE TABLE {table} {columns}"),
            )
    altered = db.serialize()
    db.close()
    return _of_bytes(altered)


def _of_bytes(data: bytes) -> sqlite3.Connection:
    db = sqlite3.connect(":memory:", check_same_thread=False)
    db.deserialize(data)
    db.text_factory = text_of
    return db
