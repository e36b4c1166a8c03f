"""Lanes in the journal's tables: beside each entry whose it is, its number there, and the hash after it.

An entry that is not here, or was altered on the disk, leaves a hole: its hash is known, so that the lane
goes on and the entry can prove itself when somebody brings it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import chain, pairwise
from typing import Any

from server.flight.inputs import Reception
from server.journal.check_sum import command_of, reception_of
from server.journal.schema import values as values_of
from server.sync import entry as wire
from server.sync.entry import ChunkError, Entry, Lane

COMMANDS_NUMBERED_FROM = 1 << 48  # commands have numbers of their own in the journal
_LANE_BITS = (
    40  # what is not here has a number of its own, below zero: its lane's, and its own in it
)
_TABLES = """
CREATE TABLE IF NOT EXISTS lanes (
    id INTEGER PRIMARY KEY, station BLOB NOT NULL, source TEXT NOT NULL, UNIQUE (station, source)
);
CREATE TABLE IF NOT EXISTS lane_entries (
    lane INTEGER NOT NULL, n INTEGER NOT NULL, number INTEGER NOT NULL UNIQUE, chain BLOB,
    PRIMARY KEY (lane, n)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS lane_heads (
    lane INTEGER NOT NULL, n INTEGER NOT NULL, signature BLOB NOT NULL, PRIMARY KEY (lane, n)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS station_names (station BLOB PRIMARY KEY, name TEXT NOT NULL) WITHOUT ROWID;
"""


@dataclass(slots=True)
class Held:
    """A lane as it stands: how many entries, their hash, and which of them are not here."""

    id: int
    last: int
    chain: bytes
    urgent: bool = True  # everything but a car's own position once a second
    holes: set[int] = field(default_factory=set)


@dataclass(frozen=True, slots=True)
class Row:
    """`number`: in the journal. `entry`: None where it is not what was written, or not here.

    `checked`: it has a check sum, and that fits.
    """

    n: int
    number: int
    chain: bytes | None
    entry: Entry | None
    checked: bool


def prepare(db: sqlite3.Connection) -> None:
    """Tables and columns of this version. Nothing is written where all of it is there."""
    for statement in _TABLES.split(";"):
        db.execute(statement)
    columns = {name for (name,) in db.execute("SELECT name FROM pragma_table_info('lane_entries')")}
    if "chain" not in columns:
        db.execute("ALTER TABLE lane_entries ADD COLUMN chain BLOB")


def rows(db: sqlite3.Connection, lane_id: int, after: int, last: int = 1 << 62) -> Iterator[Row]:
    """Entries of a lane in their order."""
    heard, said = values_of(db, "receptions", "r"), values_of(db, "commands", "c")
    found = db.execute(
        f"SELECT e.n, e.number, e.chain, {heard}, {said}"
        " FROM lane_entries e LEFT JOIN receptions r ON r.number = e.number"
        f" LEFT JOIN commands c ON c.number = e.number - {COMMANDS_NUMBERED_FROM}"
        " WHERE e.lane = ? AND e.n > ? AND e.n <= ? ORDER BY e.n",
        (lane_id, after, last),
    )
    for n, number, after_it, *values in found:
        one: Entry | None
        if number >= COMMANDS_NUMBERED_FROM:
            crc, one = values[-1], command_of(values[5:])
        else:
            crc, one = values[4], reception_of(values[:5])
        yield Row(n, number, after_it, one, crc is not None and one is not None)


def check(db: sqlite3.Connection, lane_id: int, lane: Lane) -> Held:
    """Go through a lane: what was altered becomes a hole, a hash that was altered is put right.

    Of an entry that does not fit its hash, the next one tells which of the two was altered. A journal of
    before hashes were kept gets them.
    """
    held = Held(lane_id, 0, wire.beginning(lane))
    right: list[tuple[bytes, int, int]] = []
    for row, following in pairwise(chain(rows(db, lane_id, 0), [None])):
        assert row is not None
        if row.n != held.last + 1 or (row.entry is None and row.chain is None):
            break  # what comes behind cannot be told any more
        after = row.chain
        if row.entry is not None:
            fits = wire.link(held.chain, row.entry)
            if fits != after and (after is None or _altered(db, lane, row, fits, following)):
                right.append((fits, lane_id, row.n))
                after = fits
            if fits != after:
                held.holes.add(row.n)
            held.urgent = urgent(row.entry)
        else:
            held.holes.add(row.n)
        assert after is not None
        held.last, held.chain = row.n, after
    if right:
        db.executemany("UPDATE lane_entries SET chain = ? WHERE lane = ? AND n = ?", right)
    return held


def _altered(
    db: sqlite3.Connection, lane: Lane, row: Row, fits: bytes, following: Row | None
) -> bool:
    """The hash was, and not the entry."""
    if following is not None:
        return following.entry is not None and wire.link(fits, following.entry) == following.chain
    try:
        wire.verify(lane, row.n, fits, signature(db, lane, row.n))
    except ChunkError:
        return False
    return True


def signature(db: sqlite3.Connection, lane: Lane, n: int) -> bytes:
    """The station's word for all entries up to number `n`; b"" where there is none."""
    found = db.execute(
        "SELECT signature FROM lane_heads h JOIN lanes l ON l.id = h.lane"
        " WHERE l.station = ? AND l.source = ? AND h.n = ?",
        (lane.station, lane.source, n),
    ).fetchone()
    return bytes(found[0]) if found else b""


def id_of(db: sqlite3.Connection, lane: Lane) -> int:
    """Of a lane, that is begun if it is new."""
    values = (lane.station, lane.source)
    db.execute("INSERT OR IGNORE INTO lanes (station, source) VALUES (?, ?)", values)
    row = db.execute("SELECT id FROM lanes WHERE station = ? AND source = ?", values).fetchone()
    return int(row[0])


def write(
    db: sqlite3.Connection, lane_id: int, numbered: Iterable[tuple[int, int | None, bytes]]
) -> None:
    """Number in the lane, number in the journal (None: it is not here), and the hash after it."""
    db.executemany(
        "INSERT INTO lane_entries (lane, n, number, chain) VALUES (?, ?, ?, ?)",
        [
            (lane_id, n, -(lane_id << _LANE_BITS | n) if number is None else number, after)
            for n, number, after in numbered
        ],
    )


def unique(one: Entry, number: int) -> int:
    """Receptions and commands have numbers of their own in the journal; here they must differ."""
    return number if isinstance(one, Reception) else number + COMMANDS_NUMBERED_FROM


def urgent(one: Any) -> bool:
    return not (isinstance(one, Reception) and one.wire in ("gpsd", "nmea"))
