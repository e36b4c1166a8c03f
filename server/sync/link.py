"""One open talk with another station: each says what it has, and sends what the other has not yet.

Own entries go at once, those of a third station after a pause (it may tell them itself), what the payload
said before where a car is. Lists of what is here are the acknowledgements, and where a broken link goes on.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable, Iterable
from typing import Any, Protocol

from server.journal.database import JournalError
from server.sources.pacing import Pace
from server.sync.entry import ChunkError, Entry, Lane, pack_chunk, unpack_chunk
from server.sync.ledger import Gap, Ledger
from server.sync.line import Line
from server.sync.own_lanes import HEAD_EVERY_BYTES
from server.sync.talk import (
    Have,
    Identity,
    Party,
    Sealed,
    TalkError,
    pack_have,
    pack_refused,
    printable,
    unpack_have,
    unpack_refused,
)
from server.sync.together import until_one_ends

SILENCE_S = 45.0  # both sides say something every BEAT_S
BEAT_S = 10.0
ANNOUNCE_EVERY_S = 1.0
RELAY_EVERY_S = 3.0
MAX_LANES = MAX_NAMES = 10_000  # that one other station tells of
LANES_AT_ONCE = 500
MAX_LIST_BYTES = 500_000  # reading it must not hold the loop
MAX_ASKED = 1_000
BYTES_PER_S, BURST_BYTES = 1_000_000.0, 8_000_000.0  # no phone link gives more
FIRST_CHUNK_BYTES = 2_000
_INTRODUCTION, _HAVE, _CHUNK, _REFUSED, _PROBLEM = b"I", b"H", b"C", b"R", b"P"


class Host(Protocol):
    """The station behind the links."""

    async def in_journal(self, work: Callable[[], Any]) -> Any:
        """Run in the journal's thread. Raises what it raises."""

    def admit(self, entries: Iterable[Entry]) -> None:
        """Take in what is in the journal now."""

    def notify(self) -> None: ...


class Link:
    """An open talk with `other`; `calls` is the station that called."""

    def __init__(
        self,
        ledger: Ledger,
        host: Host,
        other: Party,
        calls: bytes,
        on_new: Callable[[int], None],
        on_refused: Callable[[str], None],
    ) -> None:
        """`on_refused` is told why a lane is not taken, on either side."""
        self._ledger, self._host, self._on_new = ledger, host, on_new
        self._on_refused = on_refused
        self.other, self.calls = other, calls
        self.began_s = time.monotonic()
        self.on_heard: Callable[[], None] = lambda: None
        self._greeted = False  # it has said what it has
        self._theirs: dict[Lane, int] = {}
        self._names = {other.station: other.name}
        self._asked: dict[tuple[Lane, int], None] = {}  # entries that it lacks
        self._refused: dict[Lane, str | None] = {}  # lanes that we do not take; None: it was told
        self._unwelcome: set[Lane] = set()  # those that it does not take
        self._chunk_bytes = FIRST_CHUNK_BYTES  # small at first: a link may last for seconds only
        self._announced: dict[Lane, int] = {}
        self._pace = Pace(BYTES_PER_S, BURST_BYTES)
        self._stirred = asyncio.Event()
        self.ended = asyncio.Event()
        self.task: asyncio.Task[None] | None = None

    def stir(self) -> None:
        """There is something new to tell."""
        self._stirred.set()

    async def run(self, line: Line, sealed: Sealed) -> None:
        """Exchange until the line ends. TalkError: the other side breaks the rules."""
        await until_one_ends(self._send(line, sealed), self._hear(line, sealed))

    async def _hear(self, line: Line, sealed: Sealed) -> None:
        while True:
            async with asyncio.timeout(SILENCE_S):
                message = await _hear_message(line, sealed)
            self.on_heard()
            kind, told = message[:1], message[1:]
            if kind == _HAVE:
                self._note(told)
            elif kind == _CHUNK:
                await self._take(told)
            elif kind == _REFUSED:
                lane, problem = unpack_refused(told)
                if lane not in self._unwelcome and len(self._unwelcome) < MAX_LANES:
                    self._unwelcome.add(lane)
                    self._on_refused(f"{self.other.name} does not take {_words(lane)}: {problem}")
            self._stirred.set()
            await asyncio.sleep(self._pace.wait_s(len(message)))

    def _note(self, told: bytes) -> None:
        """What it has, what it lacks, and whose names it knows; of too many the first."""
        if len(told) > MAX_LIST_BYTES:
            raise TalkError("a list without end")
        have = unpack_have(told)
        for lane, last in have.lanes.items():
            if lane in self._theirs or len(self._theirs) < MAX_LANES:
                self._theirs[lane] = max(last, self._theirs.get(lane, 0))
        for station, name in have.names.items():
            if len(self._names) < MAX_NAMES:
                self._names.setdefault(station, name)
        for lane, n in have.lacks:
            if len(self._asked) < MAX_ASKED:
                self._asked[lane, n] = None
        self._greeted = True

    async def _take(self, packed: bytes) -> None:
        """A lane that cannot be taken is told on both sides, once; the others go on."""

        def work() -> tuple[Lane, int, list[Entry], str | None]:
            chunk = unpack_chunk(packed)
            lane = chunk.lane
            if lane in self._refused:
                return lane, 0, [], None
            try:
                self._introduce(lane.station)
                return lane, chunk.last, self._ledger.take(chunk), None
            except ChunkError as error:
                return lane, 0, [], str(error)

        try:
            lane, last, new, problem = await self._host.in_journal(work)
        except Gap:
            return  # the next list says from where
        except (ChunkError, JournalError) as error:
            raise TalkError(str(error)) from error
        if problem is not None and len(self._refused) < MAX_LANES:
            self._refused[lane] = problem
            self._on_refused(f"{_words(lane)} of {self.other.name} is not taken: {problem}")
        if lane in self._theirs or len(self._theirs) < MAX_LANES:
            self._theirs[lane] = max(last, self._theirs.get(lane, 0))
        if new:
            self._host.admit(new)
            self._on_new(len(new))

    def _introduce(self, station: bytes) -> None:
        """In the journal's thread: write down whose entries come now.

        ChunkError: see `Ledger.introduce`.
        """
        known, name = self._ledger.names, self._names.get(station)
        itself = station == self.other.station
        if name is None or (station in known and not itself):
            return
        self._ledger.introduce(station, name, itself=itself)

    async def _send(self, line: Line, sealed: Sealed) -> None:
        announced_s = relayed_s = -1e9
        while True:
            now_s = time.monotonic()
            for lane, problem in list(self._refused.items()):
                if problem is not None:
                    await _say(line, sealed, _REFUSED + pack_refused(lane, problem))
                    self._refused[lane] = None
            have = self._ledger.have()
            grown = {ln: last for ln, last in have.items() if self._announced.get(ln) != last}
            due_s = ANNOUNCE_EVERY_S if grown else BEAT_S
            if now_s - announced_s >= due_s:
                told = dict(list(grown.items())[:LANES_AT_ONCE])
                await _say(line, sealed, _HAVE + self._have(told))
                self._announced |= told
                announced_s = now_s if len(told) == len(grown) else -1e9
            relays = now_s - relayed_s >= RELAY_EVERY_S
            chunk = self._greeted and await self._next_chunk(have, relays)
            if chunk:
                await _say(line, sealed, _CHUNK + chunk)
                continue
            if relays:
                relayed_s = now_s
            self._stirred.clear()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(ANNOUNCE_EVERY_S):
                    await self._stirred.wait()

    def _have(self, told: dict[Lane, int]) -> bytes:
        names = self._ledger.names
        stations = {lane.station for lane in told} & set(names)
        return pack_have(Have(told, {key: names[key] for key in stations}, self._ledger.lacks()))

    async def _next_chunk(self, have: dict[Lane, int], relays: bool) -> bytes | None:
        """What they should hear next, packed; None when they have all of it."""
        while self._asked:
            (lane, n), _ = self._asked.popitem()
            asked = await self._chunk(lane, n - 1, FIRST_CHUNK_BYTES)
            if asked is not None:
                return asked[1]
        lane_or_none = self._next_lane(have, relays)
        if lane_or_none is None:
            return None
        after = self._theirs.get(lane_or_none, 0)
        found = await self._chunk(lane_or_none, after, self._chunk_bytes)
        if found is None:  # nothing of it that anybody could check is left here
            self._unwelcome.add(lane_or_none)
            return b""
        self._chunk_bytes = min(2 * self._chunk_bytes, HEAD_EVERY_BYTES)
        self._theirs[lane_or_none] = max(found[0], after)
        return found[1]

    async def _chunk(self, lane: Lane, after: int, limit_bytes: int) -> tuple[int, bytes] | None:
        def work() -> tuple[int, bytes] | None:
            chunk = self._ledger.chunk(lane, after, limit_bytes)
            return None if chunk is None else (chunk.last, pack_chunk(chunk))

        return await self._host.in_journal(work)  # type: ignore[no-any-return]

    def _next_lane(self, have: dict[Lane, int], relays: bool) -> Lane | None:
        """The lane that they should hear of next; never their own."""
        own = self._ledger.station
        return self._ledger.foremost(
            lane
            for lane, last in have.items()
            if last > self._theirs.get(lane, 0)
            and (relays or lane.station == own)
            and lane.station != self.other.station
            and lane not in self._unwelcome
            and lane in self._announced  # with its station's name
        )


def _words(lane: Lane) -> str:
    return printable(lane.source) or "commands"


async def say_who(line: Line, sealed: Sealed, me: Identity) -> None:
    await _say(line, sealed, _INTRODUCTION + sealed.introduce(me))


async def hear_who(line: Line, sealed: Sealed) -> Party:
    """TalkError: it does not say so, or is not."""
    message = await _hear_message(line, sealed)
    if message[:1] != _INTRODUCTION:
        raise TalkError("the other side does not say who it is")
    return sealed.met(message[1:])


async def say_why(line: Line, sealed: Sealed, problem: TalkError) -> None:
    """The last message of a talk that ends for a reason: the other side's crew is told as well."""
    with contextlib.suppress(ConnectionError, TimeoutError):
        async with asyncio.timeout(ANNOUNCE_EVERY_S):
            await _say(line, sealed, _PROBLEM + str(problem).encode())


async def _say(line: Line, sealed: Sealed, message: bytes) -> None:
    for record in sealed.seal(message):
        await line.send(record)


async def _hear_message(line: Line, sealed: Sealed) -> bytes:
    """The next whole message. TalkError: it is none, or says why the talk ends."""
    while True:
        data = await line.receive()
        message = sealed.open(data if isinstance(data, bytes) else data.encode())
        if message is None:
            continue
        if message[:1] == _PROBLEM:
            raise TalkError(printable(message[1:].decode("utf-8", "replace")))
        return message
