"""One open talk with another station: each says what it has, and sends what the other has not yet.

Own entries go at once, those of a third station after a pause (it may tell them itself), what the payload
said before where a car is. Lists of what is here are the acknowledgements, and where a broken link goes on.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable, Iterable
from functools import partial
from typing import Any, Protocol

from server.journal.database import JournalError
from server.sync.entry import ChunkError, Entry, Lane, pack_chunk, unpack_chunk
from server.sync.ledger import HEAD_EVERY_BYTES, Gap, Ledger
from server.sync.line import Line
from server.sync.talk import (
    Identity,
    Party,
    Sealed,
    TalkError,
    pack_have,
    printable,
    unpack_have,
)
from server.sync.together import until_one_ends

SILENCE_S = 45.0  # both sides say something every BEAT_S
BEAT_S = 10.0
ANNOUNCE_EVERY_S = 1.0
RELAY_EVERY_S = 3.0
MAX_LANES, MAX_NAMES = 10_000, 1_000
FIRST_CHUNK_BYTES = 2_000
_INTRODUCTION, _HAVE, _CHUNK, _PROBLEM = b"I", b"H", b"C", b"P"


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
        self, ledger: Ledger, host: Host, other: Party, calls: bytes, on_new: Callable[[int], None]
    ) -> None:
        self._ledger, self._host, self._on_new = ledger, host, on_new
        self.other, self.calls = other, calls
        self._greeted = False  # it has said what it has
        self._theirs: dict[Lane, int] = {}
        self._chunk_bytes = FIRST_CHUNK_BYTES  # small at first: a link may last for seconds only
        self._announced: dict[Lane, int] = {}
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
            if message[:1] == _HAVE:
                theirs, names = unpack_have(message[1:])
                for lane, last in theirs.items():
                    self._theirs[lane] = max(last, self._theirs.get(lane, 0))
                if len(self._theirs) > MAX_LANES:
                    raise TalkError("more sources than any flight has")
                self._greeted = True
                await introduce(self._ledger, self._host, names)
            elif message[:1] == _CHUNK:
                await self._take(message[1:])
            self._stirred.set()

    async def _take(self, packed: bytes) -> None:
        try:
            chunk = unpack_chunk(packed)
            new = await self._host.in_journal(lambda: self._ledger.take(chunk))
        except Gap:
            return  # the next list says from where
        except (ChunkError, JournalError) as error:
            raise TalkError(str(error)) from error
        self._theirs[chunk.lane] = max(chunk.last, self._theirs.get(chunk.lane, 0))
        if new:
            self._host.admit(new)
            self._on_new(len(new))

    async def _send(self, line: Line, sealed: Sealed) -> None:
        announced_s = relayed_s = -1e9
        while True:
            now_s = time.monotonic()
            have = self._ledger.have()
            grown = {ln: last for ln, last in have.items() if self._announced.get(ln) != last}
            due_s = ANNOUNCE_EVERY_S if grown else BEAT_S
            if now_s - announced_s >= due_s:
                told = pack_have(grown, self._ledger.names)
                await _say(line, sealed, _HAVE + told)
                self._announced |= grown
                announced_s = now_s
            relays = now_s - relayed_s >= RELAY_EVERY_S
            lane = self._next_lane(have, relays) if self._greeted else None
            if lane is not None:
                after = self._theirs.get(lane, 0)
                chunk = await self._host.in_journal(
                    partial(self._ledger.chunk, lane, after, self._chunk_bytes)
                )
                if chunk is not None:
                    self._chunk_bytes = min(2 * self._chunk_bytes, HEAD_EVERY_BYTES)
                    await _say(line, sealed, _CHUNK + pack_chunk(chunk))
                    self._theirs[lane] = max(chunk.last, self._theirs.get(lane, 0))
                continue
            if relays:
                relayed_s = now_s
            self._stirred.clear()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(ANNOUNCE_EVERY_S):
                    await self._stirred.wait()

    def _next_lane(self, have: dict[Lane, int], relays: bool) -> Lane | None:
        """The lane that they should hear of next; never their own."""
        own = self._ledger.station
        return self._ledger.foremost(
            lane
            for lane, last in have.items()
            if last > self._theirs.get(lane, 0)
            and (relays or lane.station == own)
            and lane.station != self.other.station
        )


async def introduce(
    ledger: Ledger, host: Host, names: dict[bytes, str], *, anew: bool = False
) -> None:
    """Note names of stations. TalkError: they cannot be written down, or are too many."""
    known = ledger.names
    fresh = {
        station: name
        for station, name in names.items()
        if station != ledger.station and (anew or station not in known)
    }
    if len(known | fresh) > MAX_NAMES:
        raise TalkError("names of more stations than any flight has")
    for station, name in fresh.items():
        try:
            await host.in_journal(partial(ledger.introduce, station, name))
        except JournalError as error:
            raise TalkError(str(error)) from error


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
