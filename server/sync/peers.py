"""Links to other stations: calls them and is called, and keeps one link to each (`link`)."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import logging
import time
from collections.abc import Callable, Coroutine, Iterable
from dataclasses import dataclass, replace
from typing import Any

from websockets.exceptions import WebSocketException

from server.sources.pacing import Backoff
from server.sources.spec import SourceState, StateName
from server.sync.ledger import Ledger
from server.sync.line import Called, Line, calling, reason_of
from server.sync.link import Host, Link, hear_who, say_who, say_why
from server.sync.talk import Answerer, Caller, Party, Sealed, TalkError, refusal, same_flight

log = logging.getLogger("leeward.exchange")

HELLO_WITHIN_S = 15.0
MAX_CALLS = 32
MAX_UNPROVEN = 64
MAX_TOLD = 100
STARTED_AGAIN_S = 1.0  # what was on its way has come by then


@dataclass(frozen=True, slots=True)
class Peer:
    """Another station of the plan. Without an address it is the one that calls."""

    name: str
    key: str
    address: str | None = None  # ws://host:port/peer, or wss://


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
        self._me = ledger.identity(flight)
        self._backoff = backoff or Backoff()
        self._peers = tuple(peers)
        self._links: dict[bytes, Link] = {}
        self._calls = 0
        self._unproven: list[asyncio.Timeout] = []
        self._told: set[str] = set()
        self.refused = 0  # calls
        self.states = {
            peer.name: SourceState(peer.name, "peer", "waiting", "waits for its call", clock())
            for peer in self._peers
        }

    def stir(self) -> None:
        """There is something new to tell."""
        for link in self._links.values():
            link.stir()

    def calls(self) -> list[tuple[str, Callable[[], Coroutine[Any, Any, None]]]]:
        """Every peer that has an address, and what calls it for ever; to be run, and cancelled."""
        return [
            (peer.name, functools.partial(self._keep_calling, peer))
            for peer in self._peers
            if peer.address is not None
        ]

    async def accept(self, line: Line) -> None:
        """Talk with a station that has called, until the link ends."""
        answerer = Answerer(peer.key for peer in self._peers)
        try:
            other, sealed = await self._proven(line, answerer)
        except TalkError as problem:
            self._refuse(problem)
            with contextlib.suppress(ConnectionError):
                await line.send(refusal(problem))
            return
        except (ConnectionError, TimeoutError):
            return
        if self._calls >= MAX_CALLS:
            return
        self._calls += 1
        try:
            await self._talk(
                line, sealed, other, other.station, self._peer_named(other.name, answerer.key)
            )
        except TalkError as problem:
            self._tell(str(problem))
        except (ConnectionError, TimeoutError):
            pass  # it will call again
        finally:
            self._calls -= 1

    async def _proven(self, line: Line, answerer: Answerer) -> tuple[Party, Sealed]:
        """Who calls, once it has shown that it knows a key, now and not at another time.

        Of too many at once the one that has been silent longest goes: strangers take nobody's place.
        """
        async with asyncio.timeout(HELLO_WITHIN_S) as patience:
            self._unproven.append(patience)
            if len(self._unproven) > MAX_UNPROVEN:
                self._unproven.pop(0).reschedule(0.0)
            try:
                await line.send(answerer.answer(await line.receive()))
                await say_who(line, answerer.sealed, self._me)
                return await hear_who(line, answerer.sealed), answerer.sealed
            finally:
                if patience in self._unproven:
                    self._unproven.remove(patience)

    def _refuse(self, problem: TalkError) -> None:
        """Count it, and say it where the crew waits for a call: of the station that it names, or of any."""
        self.refused += 1
        self._tell(f"a station that called was refused: {problem}")
        waiting = [
            peer
            for peer in self._peers
            if self.states[peer.name].state == "waiting" and self._linked(peer) is None
        ]
        named = [peer for peer in waiting if peer.name == problem.name]
        who = f"what says that it is {problem.name} " if problem.name else ""
        calls = "call was" if self.refused == 1 else "calls were"
        reason = f"waits for its call; {self.refused} {calls} refused, the last: {who}{problem}"
        for peer in named or waiting:
            if self.states[peer.name].reason != reason:
                self._change(peer, "waiting", reason)

    def _tell(self, words: str) -> None:
        """Log it once: whoever calls without end fills no log."""
        if words not in self._told and len(self._told) < MAX_TOLD:
            self._told.add(words)
            log.warning("%s", words)

    def _peer_named(self, name: str, key: str) -> Peer:
        """Who called: by its name, else by the key that it used."""
        fitting = [peer for peer in self._peers if peer.key == key]
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
            line, caller = Called(websocket), Caller(peer.key)
            async with asyncio.timeout(HELLO_WITHIN_S):
                await line.send(caller.hello())
                sealed = caller.accept(await line.receive())
                await say_who(line, sealed, self._me)
                other = await hear_who(line, sealed)
            await self._talk(line, sealed, other, self._me.party.station, peer)

    def _linked(self, peer: Peer) -> Link | None:
        return next((ln for ln in self._links.values() if ln.other.name == peer.name), None)

    async def _talk(
        self, line: Line, sealed: Sealed, other: Party, calls: bytes, peer: Peer
    ) -> None:
        """Exchange until the link ends. One link a station: that of the smaller key, then the newer."""
        me = self._me.party
        same_flight(me, other)
        if other.station == me.station:
            raise TalkError("this is the station itself: correct the address")
        if other.name == me.name:
            raise TalkError(f"two stations call themselves {other.name!r}: name one otherwise")
        old = self._links.get(other.station)
        link = Link(
            self._ledger,
            self._host,
            other,
            calls,
            lambda new: self._count(peer, new),
            lambda why: self._change(peer, "open", f"linked with {other.name}; {why}"),
        )
        link.on_heard = lambda: self._hear_twice(peer, link)
        if old is not None:
            if old.calls != calls and old.calls == min(other.station, me.station):
                raise TalkError(f"{other.name} is linked already")
            if old.task is not None:
                old.task.cancel()
                await old.ended.wait()
        self._links[other.station] = link
        self._change(peer, "open", f"linked with {other.name}")
        link.task = asyncio.ensure_future(link.run(line, sealed))
        try:
            await asyncio.wait({link.task})
        finally:
            link.task.cancel()
            await asyncio.gather(link.task, return_exceptions=True)
            if self._links.get(other.station) is link:
                del self._links[other.station]
            link.ended.set()
            if self._linked(peer) is not None:
                self._change(peer, "open", f"linked with {other.name}")
        if link.task.cancelled():
            return
        problem = link.task.exception()
        if isinstance(problem, TalkError):
            await say_why(line, sealed, problem)
        if problem is not None:
            if self._linked(peer) is None:
                ended = f"the link to {other.name} ended: {reason_of(problem)}"
                self._change(peer, "failed", ended)
            if isinstance(problem, TalkError | ConnectionError | TimeoutError):
                raise problem
            log.error("link to %s", other.name, exc_info=problem)

    def _hear_twice(self, peer: Peer, link: Link) -> None:
        """Two stations of one name are told when the older link speaks on: one that has only not ended yet,
        of a laptop that was started again, is silent.
        """
        spoken_s = time.monotonic() - STARTED_AGAIN_S
        same_name = [one for one in self._links.values() if one.other.name == link.other.name]
        if any(link.began_s < one.began_s < spoken_s for one in same_name):
            words = f"{len(same_name)} stations call themselves that: was a folder copied?"
            self._change(peer, "open", f"linked with {link.other.name}; {words}")

    def _count(self, peer: Peer, new: int) -> None:
        state = self.states[peer.name]
        self.states[peer.name] = replace(state, receptions=state.receptions + new)

    def _change(self, peer: Peer, state: StateName, reason: str | None) -> None:
        self.states[peer.name] = self.states[peer.name].become(state, reason, self._clock())
        self._host.notify()


async def greet(peer: Peer, me: Party) -> Party:
    """Call a station, see that it knows the key, and leave again. TalkError or OSError says why not.

    We do not say who we are: nothing of us is written down there.
    """
    assert peer.address is not None
    try:
        async with calling(peer.address) as websocket:
            line, caller = Called(websocket), Caller(peer.key)
            async with asyncio.timeout(HELLO_WITHIN_S):
                await line.send(caller.hello())
                other = await hear_who(line, caller.accept(await line.receive()))
    except (WebSocketException, ValueError) as error:  # a name that cannot be looked up
        raise ConnectionError(reason_of(error)) from error
    same_flight(me, other)
    return other
