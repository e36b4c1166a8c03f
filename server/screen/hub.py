"""From one feed to every browser: changes gathered, serialised once, kept a while for those who
lost the line.

Bounds: `updates_per_s` messages a second over time, of them AT_ONCE after a pause: the first packet after a
quiet second, and the landing that follows from it, wait for nothing. A client may lie `queue_messages`
behind and is dropped beyond that (it comes back and resumes); the ring keeps `ring_messages` updates and
`ring_bytes` bytes, whichever is less.
"""

from __future__ import annotations

import asyncio
import logging
import math
import secrets
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, fields
from typing import Any

import orjson
from websockets.frames import Frame, Opcode

from server.flight.mission_state import ProblemKind, Sender, State
from server.flight.state import FlightState
from server.screen.cut import Cuts
from server.screen.feed import Feed
from server.screen.messages import Resume
from server.screen.replies import as_json
from server.screen.splices import SentHistory

log = logging.getLogger(__name__)

AT_ONCE = 3  # a beat, a packet, its landing

# what an update may carry, each whole but the senders; of the flights, each of their sections
_SECTIONS = tuple(one.name for one in fields(State) if one.name != "flights")
_FLIGHT_SECTIONS = tuple(one.name for one in fields(FlightState))


@dataclass(eq=False)
class Client:
    """One browser's queue of messages. `dropped` is set when it fell too far behind.

    `write` sends a frame at once, or says that it cannot; None: there is no such way. `busy` while one of
    the queue is being sent.
    """

    messages: asyncio.Queue[str]
    dropped: asyncio.Event = field(default_factory=asyncio.Event)
    write: Callable[[bytes], bool] | None = None
    busy: bool = False

    def offer(self, message: str, frame: bytes | None = None) -> bool:
        """`frame`: the message as it goes over the wire; at once, where nothing is before it."""
        waits = self.busy or not self.messages.empty()
        if frame is not None and self.write is not None and not waits and self.write(frame):
            return True
        try:
            self.messages.put_nowait(message)
        except asyncio.QueueFull:
            self.dropped.set()
            return False
        return True


class Hub:
    def __init__(
        self,
        feed: Feed,
        *,
        cuts: Cuts | None = None,
        updates_per_s: float = 5.0,
        beat_s: float = 1.0,
        queue_messages: int = 64,
        ring_messages: int = 1_000,
        ring_bytes: int = 8_000_000,
    ) -> None:
        self.session = secrets.token_hex(8)
        self.sequence = 0
        self._feed = feed
        self._cuts = cuts or Cuts(time.monotonic)
        self._pause_s = 1.0 / updates_per_s
        self._used_until_s = 0.0  # by the loop's clock: what was sent has used the rate up to here
        self._beat_s = beat_s
        self._queue_messages = queue_messages
        self._ring: deque[tuple[int, str]] = deque()
        self._ring_messages = ring_messages
        self._ring_bytes = ring_bytes
        self._ring_held = 0
        self._clients: set[Client] = set()
        self._changed = asyncio.Event()
        self._sections: dict[tuple[int | str, ...], bytes] = {}  # as last written
        self._flights = 0
        self._senders: dict[str, Sender] = {}  # as last written
        self._history = SentHistory()
        self._found: dict[str, Any] = {}  # of the past, and not sent yet
        self._snapshot: str | None = None
        self._taken_s = -math.inf  # when the sections were taken

    @property
    def clients(self) -> int:
        return len(self._clients)

    async def run(self) -> None:
        """Publish changes until cancelled. A feed that fails is logged and asked again."""
        unsubscribe = self._feed.subscribe(self._changed.set)
        try:
            while True:
                try:
                    async with asyncio.timeout(self._beat_s):
                        await self._changed.wait()
                except TimeoutError:
                    pass
                self._changed.clear()
                if self._clients:  # with nobody looking, the next who joins brings it up to date
                    try:
                        self.look_back()
                        await asyncio.sleep(0)  # a late fix changes thousands of points
                        self.publish()
                    except Exception:
                        log.exception("the screen could not be brought up to date")
                await asyncio.sleep(self._wait_s())
        finally:
            unsubscribe()

    def _wait_s(self) -> float:
        """From one message until the next may go."""
        now_s = asyncio.get_running_loop().time()
        self._used_until_s = max(self._used_until_s, now_s) + self._pause_s
        return max(self._used_until_s - (AT_ONCE - 1) * self._pause_s - now_s, 0.0)

    def look_back(self) -> None:
        """Find what has changed of the past, for the next `publish`."""
        if not self._found:
            self._found = self._history.follow(self._feed.history())

    def publish(self) -> None:
        """Send what changed since the last time, or a beat when nothing did."""
        if not self._take_changes():
            self.send_all(self._beat())

    def join(self, resume: Resume) -> Client:
        """A new client, its queue holding what it missed, or else a snapshot."""
        if not self._clients:  # else what changed since is published to this one too
            self._take_changes()
        client = Client(asyncio.Queue(self._queue_messages))
        missed = self._missed_since(resume)
        if missed is None:
            client.offer(self._whole())
        else:
            for message in missed:
                client.offer(message)
            client.offer(self._beat())
        self._clients.add(client)
        return client

    def written(self) -> bytes:
        """The state as clients have it, which is brought up to date once a beat; made now where it is not."""
        behind_s = time.monotonic() - self._taken_s
        if not self._clients or behind_s >= self._beat_s:
            self._take_changes()
        return as_json(self._state())

    def leave(self, client: Client) -> None:
        self._clients.discard(client)

    def _take_changes(self) -> bool:
        began_s = time.monotonic()
        state = self._feed.state()
        changed = self._changes(state, _SECTIONS, ())
        if "senders" in changed:
            changed["senders"] = self._changed_senders(state.senders)
        flights = [
            self._changes(flight, _FLIGHT_SECTIONS, (number,))
            for number, flight in enumerate(state.flights)
        ]
        if len(flights) != self._flights or any(flights):
            changed["flights"] = flights
            self._flights = len(flights)
        self._taken_s = began_s
        self.look_back()
        history, self._found = self._found, {}
        self._snapshot = None
        if changed.keys() <= {"now"} and not history:
            return False
        self.sequence += 1
        message = self._message("update", state=changed, history=history)
        self._remember(message)
        self.send_all(message)
        return True

    def _changes(
        self, part: State | FlightState, names: tuple[str, ...], path: tuple[int, ...]
    ) -> dict[str, Any]:
        """Sections that read otherwise than last time, as they are written."""
        changed: dict[str, Any] = {}
        for name in names:
            written = as_json(getattr(part, name))
            if self._sections.get((*path, name)) != written:
                self._sections[*path, name] = written
                changed[name] = orjson.Fragment(written)
        return changed

    def _changed_senders(self, senders: Iterable[Sender]) -> dict[str, Any]:
        before, self._senders = self._senders, {one.name: one for one in senders}
        return {
            "changed": [one for name, one in self._senders.items() if before.get(name) != one],
            "gone": [name for name in before if name not in self._senders],
        }

    def _message(self, kind: str, **parts: Any) -> str:
        head = {"kind": kind, "session": self.session, "sequence": self.sequence}
        return as_json(head | parts).decode()

    def _beat(self) -> str:
        return self._message("beat", now=orjson.Fragment(self._sections["now",]))

    def _whole(self) -> str:
        if self._snapshot is None:
            self._snapshot = self._message(
                "snapshot", state=self._state(), history=self._history.whole()
            )
        return self._snapshot

    def _state(self) -> dict[str, Any]:
        """Each section as last written, in the order of State's own fields."""
        flights = [
            {name: orjson.Fragment(self._sections[number, name]) for name in _FLIGHT_SECTIONS}
            for number in range(self._flights)
        ]
        return {
            one.name: flights
            if one.name == "flights"
            else orjson.Fragment(self._sections[one.name,])
            for one in fields(State)
        }

    def _remember(self, message: str) -> None:
        self._ring.append((self.sequence, message))
        self._ring_held += len(message)
        while len(self._ring) > self._ring_messages or self._ring_held > self._ring_bytes:
            self._ring_held -= len(self._ring.popleft()[1])

    def _missed_since(self, resume: Resume) -> list[str] | None:
        """The updates after the client's last, or None when a snapshot must be sent."""
        if resume.session != self.session or resume.sequence is None:
            return None
        if resume.sequence > self.sequence:
            return None
        missed = [message for number, message in self._ring if number > resume.sequence]
        complete = len(missed) == self.sequence - resume.sequence
        return missed if complete and len(missed) < self._queue_messages // 2 else None

    def send_all(self, message: str) -> None:
        """To every client; one that lies too far behind is dropped.

        The frame is made once (RFC 6455, 5.2). Through a queue and a task of each client's it took twice
        as long to a thousand of them.
        """
        frame = Frame(Opcode.TEXT, message.encode()).serialize(mask=False)
        for client in tuple(self._clients):
            if not client.offer(message, frame):
                self._clients.discard(client)
                self._cuts.note(ProblemKind.READERS_CUT)
