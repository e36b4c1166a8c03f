"""Links to other stations: calls them and is called, and sends each what it has not yet.

Own entries go at once, those of a third station after a pause (it may tell them itself), what the payload
said before where a car is. Lists of what is here are the acknowledgements, and where a broken link goes on.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

from websockets.exceptions import WebSocketException

from server.exchange.entry import ChunkError, Entry, Lane, pack_chunk, unpack_chunk
from server.exchange.ledger import HEAD_EVERY_BYTES, Gap, Ledger
from server.exchange.line import Called, Line, calling, reason_of, text_of
from server.exchange.talk import (
    Answerer,
    Caller,
    Party,
    Sealed,
    TalkError,
    key_id,
    pack_have,
    unpack_have,
)
from server.exchange.together import until_one_ends
from server.journal import JournalError
from server.sources.source import Backoff
from server.sources.spec import SourceState, StateName

log = logging.getLogger("leeward.exchange")

HELLO_WITHIN_S = 15.0
SILENCE_S = 45.0  # both sides say something every BEAT_S
BEAT_S = 10.0
ANNOUNCE_EVERY_S = 1.0
RELAY_EVERY_S = 3.0
MAX_CALLS = 32
MAX_UNPROVEN = 64
MAX_TOLD = 100
MAX_LANES, MAX_NAMES = 10_000, 1_000
FIRST_CHUNK_BYTES = 2_000
_HAVE, _CHUNK = b"H", b"C"


@dataclass(frozen=True, slots=True)
class Peer:
    """Another station of the plan. Without an address it is the one that calls."""

    name: str
    key: str
    address: str | None = None  # ws://host:port/peer, or wss://


class Host(Protocol):
    """The station behind the links."""

    async def in_journal(self, work: Callable[[], Any]) -> Any:
        """Run in the journal's thread. Raises what it raises."""

    def admit(self, entries: Iterable[Entry]) -> None:
        """Take in what is in the journal now."""

    def notify(self) -> None: ...


@dataclass(eq=False)
class _Link:
    """One open talk."""

    other: Party
    calls: bytes  # the station that called
    greeted: bool = False  # it has said what it has
    theirs: dict[Lane, int] = field(default_factory=dict)
    chunk_bytes: int = FIRST_CHUNK_BYTES  # small at first: a link may last for seconds only
    announced: dict[Lane, int] = field(default_factory=dict)
    stirred: asyncio.Event = field(default_factory=asyncio.Event)
    ended: asyncio.Event = field(default_factory=asyncio.Event)
    task: asyncio.Task[None] | None = None


class Peers:
    """All links of a station."""

    def __init__(
        self,
        ledger: Ledger,
        host: Host,
        flight: str,
        peers: Iterable[Peer],
        *,
        clock: Callable[[], float],
        backoff: Backoff | None = None,
    ) -> None:
        self._ledger, self._host, self._clock = ledger, host, clock
        self._me = Party(ledger.station, ledger.name, flight)
        self._backoff = backoff or Backoff()
        self._peers = tuple(peers)
        self._keys = {key_id(peer.key): peer.key for peer in self._peers}
        self._links: dict[bytes, _Link] = {}
        self._calls = 0
        self._unproven: list[asyncio.Timeout] = []
        self._told: set[str] = set()
        self.states = {
            peer.name: SourceState(peer.name, "peer", "waiting", "waits for its call", clock())
            for peer in self._peers
        }

    def stir(self) -> None:
        """There is something new to tell."""
        for link in self._links.values():
            link.stirred.set()

    async def run(self) -> None:
        """Call every peer that has an address, for ever; cancel it to end it."""
        async with asyncio.TaskGroup() as tasks:
            for peer in self._peers:
                if peer.address is not None:
                    tasks.create_task(self._keep_calling(peer))

    async def accept(self, line: Line) -> None:
        """Talk with a station that has called, until the link ends."""
        answerer = Answerer(self._me, self._keys)
        try:
            other, sealed = await self._proven(line, answerer)
        except TalkError as problem:
            self._tell(f"a station that called was refused: {problem}")
            with contextlib.suppress(ConnectionError):
                await line.send(_problem(problem))
            return
        except (ConnectionError, TimeoutError):
            return
        if self._calls >= MAX_CALLS:
            return
        self._calls += 1
        try:
            peer = self._peer_named(other.name, answerer.key_id)
            await self._talk(line, sealed, other, other.station, peer)
        except TalkError as problem:
            self._tell(str(problem))
        except (ConnectionError, TimeoutError):
            pass  # it will call again
        finally:
            self._calls -= 1

    async def _proven(self, line: Line, answerer: Answerer) -> tuple[Party, Sealed]:
        """Who calls, once it has shown that it knows a key.

        Of too many at once the one that has been silent longest goes: strangers take nobody's place.
        """
        async with asyncio.timeout(HELLO_WITHIN_S) as patience:
            self._unproven.append(patience)
            if len(self._unproven) > MAX_UNPROVEN:
                self._unproven.pop(0).reschedule(0.0)
            try:
                await line.send(answerer.challenge(text_of(await line.receive())))
                return answerer.accept(text_of(await line.receive()))
            finally:
                if patience in self._unproven:
                    self._unproven.remove(patience)

    def _tell(self, words: str) -> None:
        """Log it once: whoever calls without end fills no log."""
        if words not in self._told and len(self._told) < MAX_TOLD:
            self._told.add(words)
            log.warning("%s", words)

    def _peer_named(self, name: str, its_key_id: str) -> Peer:
        """Who called: by its name, else by the key that it used."""
        fitting = [peer for peer in self._peers if key_id(peer.key) == its_key_id]
        return next((peer for peer in fitting if peer.name == name), fitting[0])

    async def _keep_calling(self, peer: Peer) -> None:
        failures = 0
        while True:
            before = self.states[peer.name].receptions
            try:
                await self._call(peer)
                problem = "the link ended"
            except TalkError as error:
                problem = str(error)
            except (OSError, WebSocketException, TimeoutError) as error:
                problem = f"{peer.address} does not answer ({reason_of(error)})"
            except ValueError as error:  # a name that cannot be looked up, as in "car..example"
                problem = f"{peer.address} is no address ({reason_of(error)})"
            failures = 1 if self.states[peer.name].receptions > before else failures + 1
            other_way = self._linked(peer)
            if other_way is not None:  # it has called us: one link is enough
                await other_way.ended.wait()
                continue
            wait_s = self._backoff.wait_s(failures)
            self._change(peer, "failed", f"{problem}; next try in {wait_s:.0f} s")
            await asyncio.sleep(wait_s)

    async def _call(self, peer: Peer) -> None:
        assert peer.address is not None
        if self._linked(peer) is None:
            self._change(peer, "connecting", f"calls {peer.address}")
        async with calling(peer.address) as websocket:
            line = Called(websocket)
            caller = Caller(self._me, peer.key)
            async with asyncio.timeout(HELLO_WITHIN_S):
                await line.send(caller.hello())
                proof, other, sealed = caller.answer(text_of(await line.receive()))
                await line.send(proof)
            await self._talk(line, sealed, other, self._me.station, peer)

    def _linked(self, peer: Peer) -> _Link | None:
        return next((ln for ln in self._links.values() if ln.other.name == peer.name), None)

    async def _talk(
        self, line: Line, sealed: Sealed, other: Party, calls: bytes, peer: Peer
    ) -> None:
        """Exchange until the link ends. One link a station: that of the smaller key, then the newer."""
        if other.station == self._me.station:
            raise TalkError("this is the station itself: correct the address")
        if other.name == self._me.name:
            raise TalkError(f"two stations call themselves {other.name!r}: name one otherwise")
        await self._introduce({other.station: other.name}, anew=True)
        old = self._links.get(other.station)
        link = _Link(other, calls)
        if old is not None:
            if old.calls != calls and old.calls == min(other.station, self._me.station):
                raise TalkError(f"{other.name} is linked already")
            if old.task is not None:
                old.task.cancel()
                await old.ended.wait()
        self._links[other.station] = link
        self._change(peer, "open", f"linked with {other.name}")
        link.task = asyncio.ensure_future(self._both_ways(line, sealed, link, peer))
        try:
            await asyncio.wait({link.task})
        finally:
            link.task.cancel()
            await asyncio.gather(link.task, return_exceptions=True)
            if self._links.get(other.station) is link:
                del self._links[other.station]
            link.ended.set()
        if link.task.cancelled():
            return
        problem = link.task.exception()
        if problem is not None:
            self._change(peer, "failed", f"the link to {other.name} ended: {reason_of(problem)}")
            if isinstance(problem, TalkError | ConnectionError | TimeoutError):
                raise problem
            log.error("link to %s", other.name, exc_info=problem)

    async def _both_ways(self, line: Line, sealed: Sealed, link: _Link, peer: Peer) -> None:
        await until_one_ends(self._send(line, sealed, link), self._hear(line, sealed, link, peer))

    async def _hear(self, line: Line, sealed: Sealed, link: _Link, peer: Peer) -> None:
        while True:
            async with asyncio.timeout(SILENCE_S):
                data = await line.receive()
            message = sealed.open(data if isinstance(data, bytes) else data.encode())
            if message is None:
                continue
            if message[:1] == _HAVE:
                theirs, names = unpack_have(message[1:])
                for lane, last in theirs.items():
                    link.theirs[lane] = max(last, link.theirs.get(lane, 0))
                if len(link.theirs) > MAX_LANES:
                    raise TalkError("more sources than any flight has")
                link.greeted = True
                await self._introduce(names)
            elif message[:1] == _CHUNK:
                await self._take(message[1:], link, peer)
            link.stirred.set()

    async def _introduce(self, names: dict[bytes, str], *, anew: bool = False) -> None:
        """Note names of stations. TalkError: they cannot be written down, or are too many."""
        known = self._ledger.names
        fresh = {
            station: name
            for station, name in names.items()
            if station != self._me.station and (anew or station not in known)
        }
        if len(known | fresh) > MAX_NAMES:
            raise TalkError("names of more stations than any flight has")
        for station, name in fresh.items():
            try:
                await self._host.in_journal(
                    lambda station=station, name=name: self._ledger.introduce(station, name)
                )
            except JournalError as error:
                raise TalkError(str(error)) from error

    async def _take(self, packed: bytes, link: _Link, peer: Peer) -> None:
        try:
            chunk = unpack_chunk(packed)
            new = await self._host.in_journal(lambda: self._ledger.take(chunk))
        except Gap:
            return  # the next list says from where
        except (ChunkError, JournalError) as error:
            raise TalkError(str(error)) from error
        link.theirs[chunk.lane] = max(chunk.last, link.theirs.get(chunk.lane, 0))
        if new:
            self._host.admit(new)
            state = self.states[peer.name]
            self.states[peer.name] = replace(state, receptions=state.receptions + len(new))

    async def _send(self, line: Line, sealed: Sealed, link: _Link) -> None:
        announced_s = relayed_s = -1e9
        while True:
            now_s = time.monotonic()
            have = self._ledger.have()
            grown = {ln: last for ln, last in have.items() if link.announced.get(ln) != last}
            due_s = ANNOUNCE_EVERY_S if grown else BEAT_S
            if now_s - announced_s >= due_s:
                told = pack_have(grown, self._ledger.names)
                await _send_sealed(line, sealed, _HAVE + told)
                link.announced |= grown
                announced_s = now_s
            relays = now_s - relayed_s >= RELAY_EVERY_S
            lane = self._next_lane(have, link, relays) if link.greeted else None
            if lane is not None:
                after = link.theirs.get(lane, 0)
                chunk = await self._host.in_journal(
                    lambda lane=lane, after=after: self._ledger.chunk(lane, after, link.chunk_bytes)
                )
                if chunk is not None:
                    link.chunk_bytes = min(2 * link.chunk_bytes, HEAD_EVERY_BYTES)
                    await _send_sealed(line, sealed, _CHUNK + pack_chunk(chunk))
                    link.theirs[lane] = max(chunk.last, link.theirs.get(lane, 0))
                continue
            if relays:
                relayed_s = now_s
            link.stirred.clear()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(ANNOUNCE_EVERY_S):
                    await link.stirred.wait()

    def _next_lane(self, have: dict[Lane, int], link: _Link, relays: bool) -> Lane | None:
        """The lane that they should hear of next; never their own."""
        own = self._me.station
        return self._ledger.foremost(
            lane
            for lane, last in have.items()
            if last > link.theirs.get(lane, 0)
            and (relays or lane.station == own)
            and lane.station != link.other.station
        )

    def _change(self, peer: Peer, state: StateName, reason: str | None) -> None:
        self.states[peer.name] = self.states[peer.name].become(state, reason, self._clock())
        self._host.notify()


async def greet(peer: Peer, me: Party) -> Party:
    """Call a station, see that it knows the key, and leave again. TalkError or OSError says why not."""
    assert peer.address is not None
    try:
        async with calling(peer.address) as websocket:
            line, caller = Called(websocket), Caller(me, peer.key)
            async with asyncio.timeout(HELLO_WITHIN_S):
                await line.send(caller.hello())
                _, other, _ = caller.answer(text_of(await line.receive()))
                return other
    except (WebSocketException, ValueError) as error:  # a name that cannot be looked up
        raise ConnectionError(reason_of(error)) from error


async def _send_sealed(line: Line, sealed: Sealed, message: bytes) -> None:
    for record in sealed.seal(message):
        await line.send(record)


def _problem(problem: TalkError) -> str:
    return json.dumps({"problem": str(problem)})
