"""The journal of a station that shares: beside each entry, whose it is and its number in its lane.

Everything is written in the journal's own commits, so a crash leaves no entry without its lane. Use from
the journal's thread, as the journal itself.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from server.flight.inputs import Command, Reception
from server.journal.database import Journal
from server.sync import entry as wire
from server.sync.entry import Chunk, ChunkError, Entry, Lane
from server.sync.talk import Identity

HEAD_EVERY_ENTRIES = 200
HEAD_EVERY_BYTES = 24_000
_COMMANDS_NUMBERED_FROM = 1 << 48  # commands have numbers of their own in the journal
_TABLES = """
CREATE TABLE IF NOT EXISTS lanes (
    id INTEGER PRIMARY KEY, station BLOB NOT NULL, source TEXT NOT NULL, UNIQUE (station, source)
);
CREATE TABLE IF NOT EXISTS lane_entries (
    lane INTEGER NOT NULL, n INTEGER NOT NULL, number INTEGER NOT NULL UNIQUE,
    PRIMARY KEY (lane, n)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS lane_heads (
    lane INTEGER NOT NULL, n INTEGER NOT NULL, signature BLOB NOT NULL, PRIMARY KEY (lane, n)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS station_names (station BLOB PRIMARY KEY, name TEXT NOT NULL) WITHOUT ROWID;
"""


class Gap(Exception):
    """Entries are missing between those that are here and those that came."""


class TwoPasts(ChunkError):
    """A station signed two different things: its key is used twice, or its journal was set back."""


@dataclass(slots=True)
class _Open:
    """A lane as it stands: how many entries, and their hash."""

    id: int
    last: int
    chain: bytes
    urgent: bool = True  # everything but a car's own position once a second


class Ledger:
    """A journal and its lanes. `on_growth` is told of lanes that grew, in the journal's thread."""

    def __init__(self, journal: Journal, key: Ed25519PrivateKey, name: str) -> None:
        self._journal = journal
        self._key = key
        self.name = name
        self.station = key.public_key().public_bytes_raw()
        self.on_growth: Callable[[dict[Lane, int]], None] = lambda _: None
        self._lanes: dict[Lane, _Open] = {}
        self.names: dict[bytes, str] = {}
        with journal.transaction() as db:
            for statement in _TABLES.split(";"):
                db.execute(statement)
            db.execute("INSERT OR REPLACE INTO station_names VALUES (?, ?)", (self.station, name))
            self._read_lanes(db)
            self._adopt(db)

    def identity(self, flight: str) -> Identity:
        """What this station says of itself to others."""
        return Identity(self._key, self.name, flight)

    # as a journal

    def append(self, entries: Iterable[Entry]) -> int:
        """Store our own entries, signed, in one commit; the number of the last reception."""
        given = list(entries)
        with self._journal.transaction() as db:
            numbers = map(_unique, given, self._journal.insert(given))
            grown = self._extend(db, zip(numbers, given, strict=True))
        self._keep(grown)
        return self._journal.last_number()

    def receptions(self, after: int = 0) -> Iterator[tuple[int, Reception]]:
        return self._journal.receptions(after)

    def commands(self) -> Iterator[tuple[int, Command]]:
        return self._journal.commands()

    def close(self) -> None:
        self._journal.close()

    # for other stations

    def have(self) -> dict[Lane, int]:
        """How far each lane goes here."""
        return {lane: held.last for lane, held in self._lanes.items()}

    def foremost(self, lanes: Iterable[Lane]) -> Lane | None:
        """Which to tell of first: what the payload said, or the crew, before where a car is; and what
        this station heard before what others did."""

        def order(lane: Lane) -> tuple[bool, bool, Lane]:
            return not self._lanes[lane].urgent, lane.station != self.station, lane

        return min(lanes, key=order, default=None)

    def chunk(self, lane: Lane, after: int, limit_bytes: int = HEAD_EVERY_BYTES) -> Chunk | None:
        """The next signed entries after number `after`; None when there are none here."""
        held, after = self._lanes.get(lane), max(after, 0)
        if held is None or after >= held.last:
            return None
        with self._journal.transaction() as db:
            heads = db.execute(
                "SELECT n, signature FROM lane_heads WHERE lane = ? AND n > ? ORDER BY n LIMIT ?",
                (held.id, after, HEAD_EVERY_ENTRIES),
            ).fetchall()
            entries = self._entries(db, held.id, after, int(heads[-1][0]))
        sizes, total = [], 0
        for found in entries:
            total += len(wire.pack(found)) + 4
            sizes.append(total)
        fitting = [h for h in heads if sizes[h[0] - after - 1] <= limit_bytes] or heads[:1]
        last, signature = fitting[-1]
        return Chunk(lane, after + 1, tuple(entries[: last - after]), bytes(signature))

    def take(self, chunk: Chunk) -> list[Entry]:
        """Store what is new in another station's chunk; those entries.

        Gap: earlier ones are missing. ChunkError: not what the station signed. JournalError.
        """
        held = self._lanes.get(chunk.lane)
        known = 0 if held is None else held.last
        if chunk.last <= known:
            return []
        if chunk.first > known + 1:
            raise Gap(f"{chunk.first - known - 1} entries are missing")
        new = chunk.entries[known + 1 - chunk.first :]
        self._check_names(chunk.lane, new)
        chain = wire.beginning(chunk.lane) if held is None else held.chain
        for one in new:
            chain = wire.link(chain, one)
        try:
            wire.verify(chunk.lane, chunk.last, chain, chunk.signature)
        except ChunkError as error:
            if known == 0:
                raise
            who = self.names.get(chunk.lane.station, "a station")
            raise TwoPasts(
                f"{who} says now something else than before, or was altered on the way "
                f"({chunk.lane.source or 'commands'}, entry {known + 1})"
            ) from error
        with self._journal.transaction() as db:
            lane_id = self._lane_id(db, chunk.lane)
            numbers = map(_unique, new, self._journal.insert(new))
            db.executemany(
                "INSERT INTO lane_entries VALUES (?, ?, ?)",
                [(lane_id, n, number) for n, number in enumerate(numbers, start=known + 1)],
            )
            db.execute(
                "INSERT INTO lane_heads VALUES (?, ?, ?)", (lane_id, chunk.last, chunk.signature)
            )
        self._keep({chunk.lane: _Open(lane_id, chunk.last, chain, _urgent(new[-1]))})
        return list(new)

    def introduce(self, station: bytes, name: str) -> None:
        """Remember what a station calls itself."""
        if self.names.get(station) == name:
            return
        with self._journal.transaction() as db:
            db.execute("INSERT OR REPLACE INTO station_names VALUES (?, ?)", (station, name))
        self.names = self.names | {station: name}  # a new one each time, as with the lanes

    def _check_names(self, lane: Lane, entries: Iterable[Entry]) -> None:
        """Receptions carry their station's name; only a phone's belong to no station."""
        name = self.names.get(lane.station)
        if name is None:
            raise ChunkError("from a station that nobody introduced")
        for one in entries:
            spoken = one.station
            free = isinstance(one, Reception) and one.wire == "phone"
            if spoken != name and not (free and spoken == ""):
                raise ChunkError(f"{name} speaks as {spoken or 'nobody'!r}")

    # within the journal

    def _read_lanes(self, db: sqlite3.Connection) -> None:
        self.names = {bytes(k): n for k, n in db.execute("SELECT station, name FROM station_names")}
        for lane_id, station, source in db.execute("SELECT id, station, source FROM lanes"):
            lane = Lane(bytes(station), source)
            opened = _Open(lane_id, 0, wire.beginning(lane))
            for one in self._entries(db, lane_id, 0, 1 << 62):
                opened.chain, opened.last = wire.link(opened.chain, one), opened.last + 1
                opened.urgent = _urgent(one)
            self._lanes[lane] = opened

    def _adopt(self, db: sqlite3.Connection) -> None:
        """What was heard before the plan named a station, or was imported, becomes ours."""
        db.execute(
            "UPDATE receptions SET source = ? || '/' || source"
            " WHERE wire <> 'phone' AND instr(source, '/') = 0",
            (self.name,),
        )
        db.execute("UPDATE commands SET station = ? WHERE station = ''", (self.name,))
        known = {number for (number,) in db.execute("SELECT number FROM lane_entries")}
        orphans: list[tuple[int, Entry]] = [
            (number, reception)
            for number, reception in self._journal.receptions()
            if number not in known and reception.station in ("", self.name)
        ]
        for (number,), (_, command) in zip(
            db.execute("SELECT number FROM commands ORDER BY number").fetchall(),
            self._journal.commands(),
            strict=True,
        ):
            if _unique(command, number) not in known and command.station == self.name:
                orphans.append((_unique(command, number), command))
        self._keep(self._extend(db, orphans))

    def _extend(
        self, db: sqlite3.Connection, numbered: Iterable[tuple[int, Entry]]
    ) -> dict[Lane, _Open]:
        """Write our own entries to the ends of their lanes; the lanes as they stand then."""
        grown: dict[Lane, _Open] = {}
        by_lane = sorted(numbered, key=lambda pair: _source(pair[1]))
        for source, pairs in groupby(by_lane, key=lambda pair: _source(pair[1])):
            lane = Lane(self.station, source)
            held = self._lanes.get(lane)
            opened = (
                _Open(self._lane_id(db, lane), 0, wire.beginning(lane))
                if held is None
                else replace(held)
            )
            unsigned = unsigned_bytes = 0
            for number, one in pairs:
                opened.last += 1
                opened.chain = wire.link(opened.chain, one)
                opened.urgent = _urgent(one)
                db.execute(
                    "INSERT INTO lane_entries VALUES (?, ?, ?)", (opened.id, opened.last, number)
                )
                unsigned, unsigned_bytes = unsigned + 1, unsigned_bytes + _size(one)
                if unsigned >= HEAD_EVERY_ENTRIES or unsigned_bytes >= HEAD_EVERY_BYTES:
                    self._sign(db, lane, opened)
                    unsigned = unsigned_bytes = 0
            if unsigned:
                self._sign(db, lane, opened)
            grown[lane] = opened
        return grown

    def _sign(self, db: sqlite3.Connection, lane: Lane, opened: _Open) -> None:
        signature = wire.sign(self._key, lane, opened.last, opened.chain)
        db.execute("INSERT INTO lane_heads VALUES (?, ?, ?)", (opened.id, opened.last, signature))

    def _keep(self, grown: dict[Lane, _Open]) -> None:
        """After the commit: what is on disk now."""
        self._lanes = self._lanes | grown  # a new one each time: the event loop reads it as well
        if grown:
            self.on_growth({lane: held.last for lane, held in grown.items()})

    def _lane_id(self, db: sqlite3.Connection, lane: Lane) -> int:
        values = (lane.station, lane.source)
        db.execute("INSERT OR IGNORE INTO lanes (station, source) VALUES (?, ?)", values)
        row = db.execute("SELECT id FROM lanes WHERE station = ? AND source = ?", values).fetchone()
        return int(row[0])

    def _entries(self, db: sqlite3.Connection, lane_id: int, after: int, last: int) -> list[Entry]:
        rows = db.execute(
            "SELECT r.heard_at_ms, r.source, r.wire, r.payload,"
            " c.at_s, c.kind, c.name, c.latitude_deg, c.longitude_deg, c.station, c.flight"
            " FROM lane_entries e LEFT JOIN receptions r ON r.number = e.number"
            f" LEFT JOIN commands c ON c.number = e.number - {_COMMANDS_NUMBERED_FROM}"
            " WHERE e.lane = ? AND e.n > ? AND e.n <= ? ORDER BY e.n",
            (lane_id, after, last),
        )
        return [_entry(row) for row in rows]


def _entry(row: tuple[Any, ...]) -> Entry:
    if row[1] is None:
        return Command(*row[4:])
    heard_at_ms, source, kind, payload = row[:4]
    return Reception(heard_at_ms, source, kind, bytes(payload))


def _unique(one: Entry, number: int) -> int:
    """Receptions and commands have numbers of their own in the journal; here they must differ."""
    return number if isinstance(one, Reception) else number + _COMMANDS_NUMBERED_FROM


def _source(one: Entry) -> str:
    return one.source if isinstance(one, Reception) else ""


def _urgent(one: Entry) -> bool:
    return not (isinstance(one, Reception) and one.wire in ("gpsd", "nmea"))


def _size(one: Entry) -> int:
    return len(one.payload) + 40 if isinstance(one, Reception) else 80
