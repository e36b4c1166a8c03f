"""The journal of a station that shares: beside each entry, whose it is and its number in its lane (`lanes`).

Everything is written in the journal's own commits, so a crash leaves no entry without its lane. Use from
the journal's thread, as the journal itself.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from decoders.reports import Wire
from server.flight.inputs import Command, Reception
from server.journal.database import Altered, Journal, JournalError
from server.sources.pacing import Pace
from server.sync import entry as wire
from server.sync import lanes
from server.sync.entry import Chunk, ChunkError, Entry, Lane, Missing, Told
from server.sync.lanes import Held
from server.sync.own_lanes import HEAD_EVERY_BYTES, HEAD_EVERY_ENTRIES, OwnLanes
from server.sync.talk import Identity

MAX_LACKS = 200  # entries asked for at a time
NAMES_PER_S, NAMES_AT_ONCE = (
    1_000 / 3_600.0,
    1_000,
)  # of stations that we do not talk with ourselves


class Gap(Exception):
    """Entries are missing between those that are here and those that came."""


class Ledger:
    """A journal and its lanes. `on_growth` is told of lanes that grew, in the journal's thread.

    `twice`: since we began to hear, another station has spoken under our name.
    """

    def __init__(self, journal: Journal, key: Ed25519PrivateKey, name: str) -> None:
        """`key` signs this run alone. A disk that refuses is asked again with the first entry."""
        self._journal = journal
        self._own = OwnLanes(key, name)
        self.name, self.station = name, self._own.station
        self.on_growth: Callable[[dict[Lane, int]], None] = lambda _: None
        self.twice = False
        self._heard_from_ms: float | None = None
        self._lanes: dict[Lane, Held] = {}
        self.names: dict[bytes, str] = {self.station: name}
        self._said = Pace(NAMES_PER_S, NAMES_AT_ONCE)
        self._altered = Altered(0, "")
        self._opened = False
        with contextlib.suppress(JournalError):
            self._open()

    def _open(self) -> None:
        """What the journal holds, and what of it is in no lane yet. JournalError."""
        if self._opened:
            return
        with self._journal.transaction() as db:
            lanes.prepare(db)
            names = dict(db.execute("SELECT station, name FROM station_names"))
            found = db.execute("SELECT id, station, source FROM lanes").fetchall()
            for lane_id, station, source in found:
                lane = Lane(bytes(station), source)
                self._lanes[lane] = lanes.check(db, lane_id, lane)
            self.names = {bytes(k): n for k, n in names.items()} | {self.station: self.name}
            unowned = self._own.unowned(db, self._journal)
            grown = self._own.extend(db, self._lanes, unowned)
        self._opened = True
        self._keep(grown)

    def identity(self, flight: str) -> Identity:
        """What this station says of itself to others."""
        return Identity(self._own.key, self.name, flight)

    # as a journal

    def append(self, entries: Iterable[Entry]) -> int:
        """Store our own entries, signed, in one commit; the number of the last reception."""
        self._open()
        given = list(entries)
        if given and self._heard_from_ms is None:
            self._heard_from_ms = _time_ms(given[0])
        with self._journal.transaction() as db:
            numbers = map(lanes.unique, given, self._journal.insert(given))
            grown = self._own.extend(db, self._lanes, zip(numbers, given, strict=True))
        self._keep(grown)
        return self._journal.last_number()

    def last_number(self) -> int:
        return self._journal.last_number()

    def receptions(
        self, after: int = 0, wire: Wire | None = None
    ) -> Iterator[tuple[int, Reception]]:
        return self._journal.receptions(after, wire)

    def commands(self) -> Iterator[tuple[int, Command]]:
        return self._journal.commands()

    @property
    def altered(self) -> Altered:
        """Entries that are known of and not here as they were written."""
        return self._altered if self._altered.count else self._journal.altered

    def close(self) -> None:
        self._journal.close()

    # for other stations

    def have(self) -> dict[Lane, int]:
        """How far each lane goes here."""
        return {lane: held.last for lane, held in self._lanes.items()}

    def lacks(self) -> list[tuple[Lane, int]]:
        """Some entries that others may bring back."""
        all_of_them = ((lane, n) for lane, held in self._lanes.items() for n in sorted(held.holes))
        return [one for one, _ in zip(all_of_them, range(MAX_LACKS), strict=False)]

    def foremost(self, asked: Iterable[Lane]) -> Lane | None:
        """Which to tell of first: what the payload said, or the crew, before where a car is; and what
        this station heard before what others did."""

        def order(lane: Lane) -> tuple[bool, bool, Lane]:
            return not self._lanes[lane].urgent, lane.station != self.station, lane

        return min(asked, key=order, default=None)

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
            found = list(lanes.rows(db, held.id, after, heads[-1][0])) if heads else []
        told: list[Told] = []
        sizes, total = [], 0
        for row in found:
            hole = row.entry is None or row.n in held.holes
            told.append(Missing(row.chain or b"") if hole or row.entry is None else row.entry)
            total += len(wire.pack(told[-1])) + 4
            sizes.append(total)
        heads = [head for head in heads if head[0] <= after + len(found)]
        fitting = [head for head in heads if sizes[head[0] - after - 1] <= limit_bytes]
        for last, signature in [*reversed(fitting), *heads[len(fitting) :]]:
            try:  # one that was altered on the disk would be refused, and the lane with it
                wire.verify(lane, last, found[last - after - 1].chain or b"", bytes(signature))
            except ChunkError:
                continue
            return Chunk(lane, after + 1, tuple(told[: last - after]), bytes(signature))
        return None

    def take(self, chunk: Chunk) -> list[Entry]:
        """Store what is new in another station's chunk, and what was not here as it was written; those.

        Gap: earlier ones are missing. ChunkError: not what the station signed. JournalError.
        """
        self._open()
        healed = self._heal(chunk)
        held = self._lanes.get(chunk.lane)
        known = 0 if held is None else held.last
        if chunk.last <= known:
            return healed
        if chunk.first > known + 1:
            raise Gap(f"{chunk.first - known - 1} entries are missing")
        new = chunk.entries[known + 1 - chunk.first :]
        self._check_names(chunk.lane, new)
        chain = wire.beginning(chunk.lane) if held is None else held.chain
        chains = [chain := wire.link(chain, one) for one in new]
        try:
            wire.verify(chunk.lane, chunk.last, chain, chunk.signature)
        except ChunkError as error:
            if known == 0:
                raise
            who = self.names.get(chunk.lane.station, "a station")
            raise ChunkError(
                f"{who} says now something else than before, or was altered on the way "
                f"({chunk.lane.source or 'commands'}, entry {known + 1})"
            ) from error
        here = [one for one in new if not isinstance(one, Missing)]
        with self._journal.transaction() as db:
            lane_id = lanes.id_of(db, chunk.lane)
            inserted = map(lanes.unique, here, self._journal.insert(here))
            numbers = [None if isinstance(one, Missing) else next(inserted) for one in new]
            lanes.write(
                db, lane_id, zip(range(known + 1, chunk.last + 1), numbers, chains, strict=True)
            )
            db.execute(
                "INSERT INTO lane_heads VALUES (?, ?, ?)", (lane_id, chunk.last, chunk.signature)
            )
        holes = {n for n, number in enumerate(numbers, known + 1) if number is None}
        before = set() if held is None else held.holes
        urgent = lanes.urgent(new[-1])
        self._keep({chunk.lane: Held(lane_id, chunk.last, chain, urgent, before | holes)})
        self._hear_own_name(chunk.lane, here)
        return [*healed, *here]

    def introduce(self, station: bytes, name: str, *, itself: bool = False) -> None:
        """Remember what a station calls itself, or is said to be called. ChunkError: too many are said.

        Who talks with us `itself` is always written down, and others again an hour later: names that somebody
        invents shut nobody out for good.
        """
        if self.names.get(station) == name:
            return
        if not itself and not self._said.allows():
            raise ChunkError("names of more stations than any flight has")
        self._open()
        with self._journal.transaction() as db:
            db.execute("INSERT OR REPLACE INTO station_names VALUES (?, ?)", (station, name))
        self.names = self.names | {station: name}  # a new one each time, as with the lanes

    def _check_names(self, lane: Lane, entries: Iterable[Told]) -> None:
        """Receptions carry their station's name; only a phone's belong to no station."""
        name = self.names.get(lane.station)
        if name is None:
            raise ChunkError("from a station that nobody introduced")
        for one in entries:
            if isinstance(one, Missing):
                continue
            spoken = one.station
            free = isinstance(one, Reception) and one.wire == "phone"
            if spoken != name and not (free and spoken == ""):
                raise ChunkError(f"{name} speaks as {spoken or 'nobody'!r}")

    def _hear_own_name(self, lane: Lane, entries: Iterable[Entry]) -> None:
        if self.names.get(lane.station) == self.name and self._heard_from_ms is not None:
            self.twice |= any(_time_ms(one) > self._heard_from_ms for one in entries)

    # within the journal

    def _heal(self, chunk: Chunk) -> list[Entry]:
        """What of a chunk fills holes, if its hash says that it is what was there."""
        held = self._lanes.get(chunk.lane)
        given = enumerate(chunk.entries, chunk.first)
        brought = {
            n: one
            for n, one in given
            if held is not None and n in held.holes and not isinstance(one, Missing)
        }
        if held is None or not brought:
            return []
        self._check_names(chunk.lane, brought.values())
        healed: dict[int, Entry] = {}
        with self._journal.transaction() as db:
            before = {0: wire.beginning(chunk.lane)}
            for row in list(lanes.rows(db, held.id, min(brought) - 2, max(brought))):
                before[row.n] = row.chain or b""
                one = brought.get(row.n)
                if one is None or wire.link(before.get(row.n - 1, b""), one) != row.chain:
                    continue
                if row.number >= 0 and not row.checked:
                    commands = row.number >= lanes.COMMANDS_NUMBERED_FROM
                    number = row.number - commands * lanes.COMMANDS_NUMBERED_FROM
                    self._journal.mend(number, one)
                else:
                    (number,) = self._journal.insert([one])
                    db.execute(
                        "UPDATE lane_entries SET number = ? WHERE lane = ? AND n = ?",
                        (lanes.unique(one, number), held.id, row.n),
                    )
                healed[row.n] = one
        self._keep({chunk.lane: replace(held, holes=held.holes - set(healed))})
        return list(healed.values())

    def _keep(self, grown: dict[Lane, Held]) -> None:
        """After the commit: what is on disk now."""
        self._lanes = self._lanes | grown  # a new one each time: the event loop reads it as well
        holes = sum(len(held.holes) for held in self._lanes.values())
        first = next((f"entry {n} of {_words(lane)}" for lane, n in self.lacks()), "")
        self._altered = Altered(holes, first)
        if grown:
            self.on_growth({lane: held.last for lane, held in grown.items()})


def _words(lane: Lane) -> str:
    return lane.source or "the crew's commands"


def _time_ms(one: Entry) -> float:
    return one.heard_at_ms if isinstance(one, Reception) else 1_000.0 * one.at_s
