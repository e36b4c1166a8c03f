"""The journal's tables, the columns that later versions added, and since which entry there are check sums."""

from __future__ import annotations

import sqlite3
from typing import Literal

SCHEMA = 1
# what asking a damaged file raises: SQLite's words of it may hold its bytes, which Python takes for no text
UNREADABLE = (sqlite3.Error, UnicodeError)
Table = Literal["receptions", "commands"]
TABLES: tuple[Table, ...] = ("receptions", "commands")
MADE = {
    "about": "(key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID",
    "receptions": """(
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    heard_at_ms INTEGER NOT NULL, source TEXT NOT NULL, wire TEXT NOT NULL, payload BLOB NOT NULL,
    crc INTEGER
)""",
    "commands": """(
    number INTEGER PRIMARY KEY AUTOINCREMENT, after_reception INTEGER NOT NULL,
    at_s REAL NOT NULL, kind TEXT NOT NULL, name TEXT NOT NULL, latitude_deg REAL, longitude_deg REAL,
    station TEXT NOT NULL DEFAULT '', flight TEXT NOT NULL DEFAULT '', crc INTEGER
)""",
    "checked": "(entries TEXT PRIMARY KEY, from_number INTEGER NOT NULL)",
}
RECEPTION_VALUES = "heard_at_ms, source, wire, payload, crc"
COMMAND_VALUES = "at_s, kind, name, latitude_deg, longitude_deg, station, flight, crc"
_VALUES: dict[Table, str] = {"receptions": RECEPTION_VALUES, "commands": COMMAND_VALUES}
_ALL: dict[Table, set[str]] = {
    "receptions": {"number", *RECEPTION_VALUES.split(", ")},
    "commands": {"number", "after_reception", *COMMAND_VALUES.split(", ")},
}
# columns that an older journal lacks, and what it has instead; each was added behind the others
_LATER: dict[tuple[Table, str], str] = {
    ("commands", "station"): "TEXT NOT NULL DEFAULT ''",
    ("commands", "flight"): "TEXT NOT NULL DEFAULT ''",
    ("commands", "crc"): "INTEGER",
    ("receptions", "crc"): "INTEGER",
}
NO_SUM = -1  # fits no entry: a CRC-32 is not negative


class OtherTablesError(sqlite3.Error):
    """A database of something else: nothing is written to it, and it is not put aside."""


def has_tables(db: sqlite3.Connection) -> bool:
    found = db.execute("SELECT COUNT(*) FROM sqlite_master WHERE type = 'table'")
    return bool(found.fetchone()[0])


def prepare(db: sqlite3.Connection) -> None:
    """What a journal of this version has. Nothing is written where all of it is there.

    sqlite3.DatabaseError where something is gone that there was; OtherTablesError.
    """
    if has_tables(db):
        if not check(db):
            return
        noted = all(recorded(db, table) is not None for table in TABLES)
        if noted and not _lacking(db) and version(db) is not None:
            return
    with db:
        db.execute("BEGIN")
        for table, columns in MADE.items():
            db.execute(f"CREATE TABLE IF NOT EXISTS {table} {columns}")
        for table, column in _lacking(db):
            db.execute(f"ALTER TABLE {table} ADD COLUMN {column} {_LATER[table, column]}")
        for table in TABLES:
            db.execute(
                "INSERT OR IGNORE INTO checked"
                f" SELECT ?, IFNULL(MAX(number), 0) + 1 FROM {table} WHERE crc IS NULL",
                (table,),
            )
        db.execute("INSERT OR IGNORE INTO about VALUES ('schema', ?)", (str(SCHEMA),))
        db.execute(f"PRAGMA user_version = {SCHEMA}")  # told twice: one bit is no other version


def version(db: sqlite3.Connection) -> str | None:
    """As the journal says it; None where it does not."""
    row = db.execute("SELECT value FROM about WHERE key = 'schema'").fetchone()
    return None if row is None else str(row[0])


def check(db: sqlite3.Connection) -> bool:
    """Whether it is of this version. sqlite3.DatabaseError where it is damaged; OtherTablesError.

    One bit in the words that make a table hides it, or one of its columns.
    """
    there = {name for (name,) in db.execute("SELECT name FROM sqlite_master")}
    if not there & MADE.keys():
        raise OtherTablesError("its tables are not a journal's")
    said, (stamped,) = version(db), db.execute("PRAGMA user_version").fetchone()
    if said not in (None, str(SCHEMA)):
        if said != str(stamped):
            raise sqlite3.DatabaseError(f"its version is altered: {said} and {stamped}")
        return False
    for table in TABLES:
        for name in _ALL[table] - _columns(db, table):
            if (table, name) not in _LATER or recorded(db, table) is not None:
                raise sqlite3.DatabaseError(f"{table} have no {name}")
    return True


def recorded(db: sqlite3.Connection, table: Table) -> int | None:
    """Number of the first entry that was written with a check sum; None where that is not noted."""
    if not db.execute("SELECT 1 FROM sqlite_master WHERE name = 'checked'").fetchone():
        return None
    row = db.execute("SELECT from_number FROM checked WHERE entries = ?", (table,)).fetchone()
    return row[0] if row is not None and isinstance(row[0], int) else None


def values(db: sqlite3.Connection, table: Table, alias: str = "") -> str:
    """The columns of an entry, as SQL: an older journal's are what its entries had.

    An entry that lost its check sum has one that does not fit. sqlite3.DatabaseError as for `prepare`.
    """
    lacks = {column for where, column in _lacking(db) if where == table}
    first = recorded(db, table)
    if first is None and "crc" not in lacks:
        found = db.execute(f"SELECT IFNULL(MAX(number), 0) + 1 FROM {table} WHERE crc IS NULL")
        first = int(found.fetchone()[0])
    dot = f"{alias}." if alias else ""
    asked = []
    for name in _VALUES[table].split(", "):
        if name in lacks:
            asked.append("NULL" if name == "crc" else "''")
        elif name == "crc":
            asked.append(f"IFNULL({dot}crc, IIF({dot}number >= {first}, {NO_SUM}, NULL))")
        else:
            asked.append(f"{dot}{name}")
    return ", ".join(asked)


def _lacking(db: sqlite3.Connection) -> list[tuple[Table, str]]:
    """Columns that an older journal lacks."""
    there = {table: _columns(db, table) for table in TABLES}
    return [(table, name) for table, name in _LATER if name not in there[table]]


def _columns(db: sqlite3.Connection, table: Table) -> set[str]:
    return {name for (name,) in db.execute("SELECT name FROM pragma_table_info(?)", (table,))}
