"""What a station writes to its own lanes, and signs."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import replace
from itertools import groupby

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from server.flight.inputs import Reception
from server.journal.database import Journal
from server.sync import entry as wire
from server.sync import lanes as tables
from server.sync.entry import Entry, Lane
from server.sync.lanes import Held

HEAD_EVERY_ENTRIES = 200
HEAD_EVERY_BYTES = 24_000


class OwnLanes:
    """`key` signs this run alone; `station` is its public half, `name` what the plan calls it."""

    def __init__(self, key: Ed25519PrivateKey, name: str) -> None:
        self.key, self.name = key, name
        self.station = key.public_key().public_bytes_raw()

    def extend(
        self,
        db: sqlite3.Connection,
        lanes: Mapping[Lane, Held],
        numbered: Iterable[tuple[int, Entry]],
    ) -> dict[Lane, Held]:
        """Write entries to the ends of `lanes`; those that grew, as they stand then."""
        grown: dict[Lane, Held] = {}
        by_lane = sorted(numbered, key=lambda pair: _source(pair[1]))
        for source, pairs in groupby(by_lane, key=lambda pair: _source(pair[1])):
            lane = Lane(self.station, source)
            held = lanes.get(lane)
            if held is None:
                db.execute(
                    "INSERT OR REPLACE INTO station_names VALUES (?, ?)", (self.station, self.name)
                )
                held = Held(tables.id_of(db, lane), 0, wire.beginning(lane))
            last, chain, one = held.last, held.chain, None
            written: list[tuple[int, int | None, bytes]] = []
            signed = unsigned_bytes = 0
            for number, one in pairs:
                last, chain = last + 1, wire.link(chain, one)
                written.append((last, number, chain))
                unsigned_bytes += _size(one)
                if (
                    len(written) - signed >= HEAD_EVERY_ENTRIES
                    or unsigned_bytes >= HEAD_EVERY_BYTES
                ):
                    self._sign(db, held.id, lane, last, chain)
                    signed, unsigned_bytes = len(written), 0
            if signed < len(written):
                self._sign(db, held.id, lane, last, chain)
            tables.write(db, held.id, written)
            grown[lane] = Held(held.id, last, chain, tables.urgent(one), held.holes)
        return grown

    def _sign(
        self, db: sqlite3.Connection, lane_id: int, lane: Lane, last: int, chain: bytes
    ) -> None:
        signature = wire.sign(self.key, lane, last, chain)
        db.execute("INSERT INTO lane_heads VALUES (?, ?, ?)", (lane_id, last, signature))

    def unowned(self, db: sqlite3.Connection, journal: Journal) -> list[tuple[int, Entry]]:
        """What was heard before the plan named a station, or was imported becomes ours; with its numbers."""
        query = "SELECT number FROM receptions EXCEPT SELECT number FROM lane_entries"
        loose = {number for (number,) in db.execute(query)}
        known = {number for (number,) in db.execute("SELECT number FROM lane_entries")}
        orphans: list[tuple[int, Entry]] = []
        for number, reception in list(journal.receptions()) if loose else []:
            if number in loose and reception.station in ("", self.name):
                named = reception
                if reception.station == "" and reception.wire != "phone":
                    named = replace(reception, source=f"{self.name}/{reception.source}")
                    journal.mend(number, named)
                orphans.append((number, named))
        for number, _, command in list(journal.numbered_commands()):
            unique = tables.unique(command, number)
            if unique not in known and command.station in ("", self.name):
                said = replace(command, station=self.name)
                if said != command:
                    journal.mend(number, said)
                orphans.append((unique, said))
        return orphans


def _source(one: Entry) -> str:
    return one.source if isinstance(one, Reception) else ""


def _size(one: Entry) -> int:
    return len(one.payload) + 40 if isinstance(one, Reception) else 80
