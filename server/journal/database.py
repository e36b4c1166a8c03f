"""The journal: everything heard, on disk before it is used. SQLite, write-ahead log, append only.

One process writes. `append` returns once the disk has it (synchronous=FULL); batches share one commit. Each
entry has a check sum: one that was altered on the disk is counted and not used.
"""

from __future__ import annotations

import contextlib
import itertools
import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from decoders.reports import Wire
from decoders.wires import WIRES
from server.flight.inputs import Command, Reception
from server.journal import schema
from server.journal.check_sum import check_sum, command_of, reception_of, text_of
from server.journal.reading import is_without_room, open_to_read, open_without_room
from server.journal.schema import COMMAND_VALUES, RECEPTION_VALUES, SCHEMA, UNREADABLE, has_tables

_ROWS_AT_ONCE = 100  # of five values: SQLite took 999 once
_RECENT = 100  # the very last may have been a batch that waited


class JournalError(Exception):
    """The journal cannot be opened, read or written; the message says why and what to do."""


@dataclass(frozen=True, slots=True)
class Altered:
    """How many entries are not here as they were written, and the first of them."""

    count: int
    first: str


class Journal:
    """An open journal. Use from one thread at a time."""

    def __init__(self, path: Path | str, *, read_only: bool = False) -> None:
        """`path` may be ":memory:". JournalError when it is no journal of ours.

        A full disk is no error: it is read as it is, and what is missing in it is made when there is room.
        """
        self.path = str(path)
        self._read_only = self._ready = read_only
        self._begun = False
        self.connect()

    def connect(self) -> None:
        """To the file of `path`, as a new journal would. JournalError."""
        self._altered: dict[str, set[int]] = {"receptions": set(), "commands": set()}
        try:
            db = open_to_read(Path(self.path)) if self._read_only else self._for_writing()
            try:
                found = schema.version(db) if has_tables(db) else None
            except UNREADABLE:
                db.close()  # else it stays locked for who reads what is left of it
                raise
        except UNREADABLE as error:
            raise JournalError(f"{self.path}: {error}") from error
        self._db = db
        if found != str(SCHEMA) and (self._ready or found is not None):
            db.close()
            raise JournalError(f"{self.path}: journal schema {SCHEMA} expected, found {found}")

    def _for_writing(self) -> sqlite3.Connection:
        """Tables are made, unless the disk is full: then with what needs no room on it."""
        db = sqlite3.connect(self.path, check_same_thread=False)
        try:
            db.text_factory = text_of
            db.execute("PRAGMA synchronous=FULL")
            schema.prepare(db)  # first: what is no journal stays as it is
            db.execute("PRAGMA journal_mode=WAL")
            self._ready = True
        except UNREADABLE as error:
            db.close()
            if not is_without_room(error):
                raise
            self._ready = False
            db = open_without_room(self.path)
            try:
                if has_tables(db):
                    schema.check(db)
            except UNREADABLE:
                db.close()
                raise
        return db

    def _prepare(self) -> None:
        schema.prepare(self._db)
        self._ready = True

    @contextlib.contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """One commit for all that is written inside. JournalError: nothing of it was stored."""
        try:
            if not self._ready:
                self._prepare()
            with self._db:
                yield self._db
        except sqlite3.Error as error:
            raise JournalError(f"{self.path}: {error}") from error

    def append(self, entries: Iterable[Reception | Command]) -> int:
        """Store entries in one commit; the number of the last reception. JournalError: none was."""
        with self.transaction():
            self.insert(entries)
        return self.last_number()

    def insert(self, entries: Iterable[Reception | Command]) -> list[int]:
        """Inside a transaction; their numbers, counted apart for receptions and commands."""
        numbers: list[int] = []
        together: list[Reception] = []
        for one in entries:
            if isinstance(one, Reception):
                together.append(one)
            if together and (not isinstance(one, Reception) or len(together) == _ROWS_AT_ONCE):
                numbers += self._insert_receptions(together)
                together = []
            if not isinstance(one, Reception):
                numbers.append(self._insert_command(one))
        if together:
            numbers += self._insert_receptions(together)
        return numbers

    def _insert_receptions(self, rows: list[Reception]) -> Iterable[int]:
        """By one statement, which gives up the interpreter once; their numbers follow on each other."""
        marks = ", ".join(["(?, ?, ?, ?, ?)"] * len(rows))
        values: list[Any] = []
        for r in rows:
            values += (r.heard_at_ms, r.source, r.wire, r.payload, check_sum(r))
        into = f"INSERT INTO receptions ({RECEPTION_VALUES}) VALUES {marks}"
        done = self._db.execute(into, values)
        last = int(done.lastrowid or 0)
        return range(last - len(rows) + 1, last + 1)

    def _insert_command(self, c: Command) -> int:
        done = self._db.execute(
            f"INSERT INTO commands (after_reception, {COMMAND_VALUES})"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                self.last_number(),
                c.at_s,
                c.kind,
                c.name,
                c.latitude_deg,
                c.longitude_deg,
                c.station,
                c.flight,
                check_sum(c),
            ),
        )
        return int(done.lastrowid or 0)

    def mend(self, number: int, one: Reception | Command) -> None:
        """Inside a transaction: what this altered entry was."""
        if isinstance(one, Reception):
            values: tuple[Any, ...] = (one.heard_at_ms, one.source, one.wire, one.payload)
            columns, table = RECEPTION_VALUES, "receptions"
        else:
            place = (one.latitude_deg, one.longitude_deg)
            values = (one.at_s, one.kind, one.name, *place, one.station, one.flight)
            columns, table = COMMAND_VALUES, "commands"
        marks = ", ".join("?" * (len(values) + 1))
        self._db.execute(
            f"UPDATE {table} SET ({columns}) = ({marks}) WHERE number = ?",
            (*values, check_sum(one), number),
        )
        self._altered[table].discard(number)

    @property
    def altered(self) -> Altered:
        """Entries that were read so far and are not what was written."""
        found = [f"{table[:-1]} {n}" for table, ns in self._altered.items() for n in sorted(ns)[:1]]
        return Altered(sum(map(len, self._altered.values())), ", ".join(found))

    def damage(self) -> str | None:
        """What SQLite's own check finds wrong; None when the file is whole."""
        try:
            found = self._db.execute("PRAGMA quick_check(1)").fetchone()
        except UNREADABLE as error:
            return str(error)
        return None if found == ("ok",) else " ".join(str(found[0]).split())

    def last_heard_s(self, station: str = "") -> float | None:
        """By that station's own clock; None when it has heard nothing."""
        if not has_tables(self._db):
            return None
        rows = self._db.execute("SELECT heard_at_ms, source FROM receptions ORDER BY number DESC")
        heard = (ms for ms, source in rows if not station or source.startswith(f"{station}/"))
        recent = list(itertools.islice(heard, _RECENT))
        return max(recent) / 1000.0 if recent else None

    def last_number(self) -> int:
        """Number of the last reception; 0 when there is none."""
        if not has_tables(self._db):
            return 0
        row = self._db.execute("SELECT COALESCE(MAX(number), 0) FROM receptions").fetchone()
        return int(row[0])

    def receptions(
        self, after: int = 0, wire: Wire | None = None
    ) -> Iterator[tuple[int, Reception]]:
        """Receptions with their numbers, in the order in which they were stored; of one wire or all.

        JournalError where the file is damaged.
        """
        if not has_tables(self._db):
            return
        with self._reading():
            values = schema.values(self._db, "receptions")
            rows = self._db.execute(
                f"SELECT number, {values} FROM receptions"
                " WHERE number > ? AND (? IS NULL OR wire = ?) ORDER BY number",
                (after, wire, wire),
            )
            for number, *row in rows:
                reception = reception_of(row)
                if reception is None:
                    self._altered["receptions"].add(number)
                elif reception.wire in WIRES:
                    yield number, reception

    def commands(self) -> Iterator[tuple[int, Command]]:
        """Commands, each with the number of the reception that it came after."""
        for _, after, command in self.numbered_commands():
            yield after, command

    def numbered_commands(self) -> Iterator[tuple[int, int, Command]]:
        """Likewise, with numbers of their own before that."""
        if not has_tables(self._db):
            return
        with self._reading():
            values = schema.values(self._db, "commands")
            rows = self._db.execute(
                f"SELECT number, after_reception, {values} FROM commands ORDER BY number"
            )
            for number, after, *row in rows:
                command = command_of(row)
                if command is None:
                    self._altered["commands"].add(number)
                else:
                    yield number, after, command

    @contextlib.contextmanager
    def _reading(self) -> Iterator[None]:
        try:
            yield
        except UNREADABLE as error:
            raise JournalError(f"{self.path}: {error}") from error

    def about(self) -> dict[str, str]:
        """What the journal says of itself."""
        if not has_tables(self._db):
            return {}
        with self._reading():
            return dict(self._db.execute("SELECT key, value FROM about WHERE key <> 'running'"))

    @property
    def was_closed(self) -> bool:
        """Whether the run before this one came to its end. JournalError."""
        if not has_tables(self._db):
            return True
        with self._reading():
            row = self._db.execute("SELECT value FROM about WHERE key = 'running'").fetchone()
        return row is None or row[0] == ""

    def begin(self, flight: str, running: str) -> None:
        """Note whose run this is; `close` takes `running` back. JournalError: nothing was noted."""
        self.describe(flight=flight, running=running)
        self._begun = True

    def describe(self, **about: str) -> None:
        """Note something about the flight, e.g. its name. JournalError: nothing of it was stored."""
        with self.transaction() as db:
            db.executemany("INSERT OR REPLACE INTO about VALUES (?, ?)", list(about.items()))

    def close(self) -> None:
        if self._begun:
            self._begun = False
            with contextlib.suppress(JournalError):  # the next start says so
                self.describe(running="")
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
