"""From one feed to every browser: changes gathered, serialised once, kept a while for those who
lost the line.

Bounds: at most `updates_per_s` messages a second; a client may lie `queue_messages` behind and is
dropped beyond that (it comes back and resumes); the ring keeps `ring_messages` updates and
`ring_bytes` bytes, whichever is less.
"""

from __future__ import annotations

import asyncio
import logging
import secrets
from collections import deque
from dataclasses import dataclass, field
from typing import Any

import orjson

from server.screen.feed import Feed
from server.screen.splices import SentHistory
from server.screen.wire import Resume

log = logging.getLogger(__name__)

_NUMPY = orjson.OPT_SERIALIZE_NUMPY


@dataclass(eq=False)
class Client:
    """One browser's queue of messages. `dropped` is set when it fell too far behind."""

    messages: asyncio.Queue[str]
    dropped: asyncio.Event = field(default_factory=asyncio.Event)

    def offer(self, message: str) -> bool:
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
        updates_per_s: float = 5.0,
        beat_s: float = 1.0,
        queue_messages: int = 64,
        ring_messages: int = 1_000,
        ring_bytes: int = 8_000_000,
    ) -> None:
        self.session = secrets.token_hex(8)
        self.sequence = 0
        self._feed = feed
        self._pause_s = 1.0 / updates_per_s
        self._beat_s = beat_s
        self._queue_messages = queue_messages
        self._ring: deque[tuple[int, str]] = deque()
        self._ring_messages = ring_messages
        self._ring_bytes = ring_bytes
        self._ring_held = 0
        self._clients: set[Client] = set()
        self._changed = asyncio.Event()
        self._sections: dict[str, bytes] = {}
        self._history = SentHistory()
        self._found: dict[str, Any] = {}  # of the past, and not sent yet
        self._snapshot: str | None = None

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
                await asyncio.sleep(self._pause_s)
        finally:
            unsubscribe()

    def look_back(self) -> None:
        """Find what has changed of the past, for the next `publish`."""
        if not self._found:
            self._found = self._history.follow(self._feed.history())

    def publish(self) -> None:
        """Send what changed since the last time, or a beat when nothing did."""
        if not self._take_changes():
            self._send_all(self._beat())

    def join(self, resume: Resume) -> Client:
        """A new client, its queue holding what it missed, or else a snapshot."""
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

    def leave(self, client: Client) -> None:
        self._clients.discard(client)

    def _take_changes(self) -> bool:
        state = self._feed.state()
        changed: dict[str, orjson.Fragment] = {}
        for name, section in state.items():
            as_json = orjson.dumps(section, option=_NUMPY)
            if self._sections.get(name) != as_json:
                self._sections[name] = as_json
                changed[name] = orjson.Fragment(as_json)
        self.look_back()
        history, self._found = self._found, {}
        self._snapshot = None
        if changed.keys() <= {"now"} and not history:
            return False
        self.sequence += 1
        message = self._message("update", state=changed, history=history)
        self._remember(message)
        self._send_all(message)
        return True

    def _message(self, kind: str, **parts: Any) -> str:
        head = {"kind": kind, "session": self.session, "sequence": self.sequence}
        return orjson.dumps(head | parts, option=_NUMPY).decode()

    def _beat(self) -> str:
        return self._message("beat", now=orjson.Fragment(self._sections["now"]))

    def _whole(self) -> str:
        if self._snapshot is None:
            sections = {name: orjson.Fragment(text) for name, text in self._sections.items()}
            self._snapshot = self._message(
                "snapshot", state=sections, history=self._history.whole()
            )
        return self._snapshot

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

    def _send_all(self, message: str) -> None:
        for client in tuple(self._clients):
            if not client.offer(message):
                self._clients.discard(client)
