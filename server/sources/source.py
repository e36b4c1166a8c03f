"""One source at work: opens its transport, delivers what it hears, and opens it again for ever."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable
from dataclasses import replace

from server.flight.inputs import Reception
from server.sources import reasons
from server.sources.connection import Connection, open_connection
from server.sources.framing import Framer
from server.sources.pacing import USUAL, Backoff, Pace
from server.sources.spec import SourceFault, SourceSpec, SourceState, StateName
from server.sources.table import TABLE

Deliver = Callable[[Reception], None]
OnState = Callable[[SourceState], None]
Clock = Callable[[], float]
Room = Callable[[], Awaitable[None]]

SLOWED_S = 0.005
# no radio comes near: 9,600 baud are 1.2 kB/s, a whole internet feed some 50 kB/s
BYTES_PER_S, BURST_BYTES = 200_000.0, 4_000_000.0
# 1,200 baud carry ten packets a second, a whole internet feed a hundred; common practice, no source. Lines of
# two bytes are so many that bytes alone bound no memory; the burst is a TNC's backlog of a day
PACKETS_PER_S, BURST_PACKETS, TOLD_PACKETS = 300.0, 20_000.0, 3_000.0
KISS_ON_PAUSE_S = 0.5  # a TNC needs time for each command; common practice, no source
# what a backlog brings at once is told apart by this much at most; beyond it the clock was set back
MOST_AHEAD_MS = 2_000
TOO_MUCH = "sends more than any radio can; it is read slowly, so that it fills no disk"
TOO_MANY = "sends more packets a second than any channel carries; all of them are taken"


async def _always() -> None:
    """There is room."""


class Source:
    """Runs `spec`. `deliver` and `on_state` are called in the event loop and must be quick.

    `on_state` hears every change, counters included. Exceptions of `deliver` are not the source's:
    they leave `run`.
    """

    def __init__(
        self,
        spec: SourceSpec,
        deliver: Deliver,
        *,
        clock: Clock,
        on_state: OnState,
        backoff: Backoff = USUAL,
        room: Room = _always,
    ) -> None:
        """`room` is awaited before more is read: it comes back when what was heard is on disk."""
        self.spec = spec
        self._room = room
        self._bytes = Pace(BYTES_PER_S, BURST_BYTES)
        self._packets = Pace(PACKETS_PER_S, BURST_PACKETS)
        self._many = Pace(PACKETS_PER_S, TOLD_PACKETS, longest_s=1.0)
        self._deliver, self._clock, self._on_state = deliver, clock, on_state
        self._backoff = backoff
        self._heard = asyncio.Event()  # phone and json-http only
        self._last_ms = 0  # when the last reception was heard
        self.state = SourceState(spec.name, spec.kind, "off", None, clock())

    async def run(self) -> None:
        """Never returns but for a source that is off; cancel it to end it."""
        if not self.spec.enabled:
            self._change("off", "switched off in the plan")
            return
        if self.spec.transport == "http":
            await self._wait_for_phone()
        self._change("connecting", f"opens {self.spec.place}")
        failures = 0
        while True:
            before = self.state.receptions
            try:
                await self._once()
            except SourceFault as fault:
                failures = 1 if self.state.receptions > before else failures + 1
                wait_s = self._backoff.wait_s(failures)
                self._change("failed", f"{fault}; next try in {math.ceil(wait_s)} s")
                await asyncio.sleep(wait_s)

    def receive(self, body: bytes) -> None:
        """Delivers a body that came by another way: from a web route."""
        self._deliver(self._reception(body))
        self.note(len(body))

    def note(self, body_bytes: int) -> None:
        """Counts a body that was delivered by another way, and tells that the source is open."""
        self._count(body_bytes, receptions=1)
        self._change("open", None)
        self._heard.set()

    async def _once(self) -> None:
        """One connection, from opening to its end, which is always a SourceFault."""
        parts = TABLE[self.spec.kind]
        connection = await open_connection(self.spec)
        framer = parts.framer()
        try:
            if self.spec.kiss_on:
                await self._switch_to_kiss(connection)
            if greeting := parts.greeting(self.spec):
                await connection.write(greeting)
            self._change("open", "connected, nothing heard yet")
            await self._listen(connection, framer)
        finally:
            connection.close()

    async def _switch_to_kiss(self, connection: Connection) -> None:
        """Sends the plan's commands to the TNC, each as a line, and says so before."""
        self._change("connecting", kiss_on_words(self.spec))
        for command in self.spec.kiss_on:
            await connection.write(command.encode("ascii") + b"\r")
            await asyncio.sleep(KISS_ON_PAUSE_S)

    async def _listen(self, connection: Connection, framer: Framer) -> None:
        dropped_before = self.state.dropped
        try:
            while True:
                data = await self._read(connection, framer)
                if not data:
                    raise SourceFault(reasons.ended(self.spec, framer.remark))
                payloads = framer.feed(data)
                for payload in payloads:
                    self._deliver(self._reception(payload))
                self._count(len(data), receptions=len(payloads))
                self._drop(dropped_before + framer.dropped + connection.dropped)
                wait_s = max(self._bytes.wait_s(len(data)), self._packets.wait_s(len(payloads)))
                self._change("open", self._too_much(wait_s, len(payloads)) or framer.remark)
                await asyncio.sleep(wait_s)  # of 0 too: who has much to say lets the others speak
                await self._room()
        except SourceFault:
            framer.finish()
            self._drop(dropped_before + framer.dropped + connection.dropped)
            raise

    def _too_much(self, wait_s: float, packets: int) -> str | None:
        """What nobody sends: told of at once, and waited for once the burst is used up."""
        beyond = self._many.wait_s(packets) > 0.0
        return TOO_MUCH if wait_s >= SLOWED_S else TOO_MANY if beyond else None

    async def _read(self, connection: Connection, framer: Framer) -> bytes:
        """The next bytes; too long a silence changes the state, and the waiting goes on."""
        try:
            async with asyncio.timeout(self.spec.quiet_after_s):
                return await connection.read()
        except TimeoutError:
            self._change("quiet", self._silence(framer.remark))
            return await connection.read()

    async def _wait_for_phone(self) -> None:
        who = "the phone to call" if self.spec.kind == "phone" else "the first post"
        self._change("waiting", f"waits for {who}")
        await self._heard.wait()
        while True:
            self._heard.clear()
            try:
                async with asyncio.timeout(self.spec.quiet_after_s):
                    await self._heard.wait()
            except TimeoutError:
                self._change("quiet", self._silence())
                await self._heard.wait()

    def _silence(self, remark: str | None = None) -> str:
        if remark:
            return remark
        if self.spec.kind == "phone":
            return "the phone has not called; has it a network?"
        if self.spec.transport == "http":
            return "nothing was posted"
        if self.spec.transport == "mqtt":
            return f"{self.spec.place} is open, but nothing comes on {self.spec.topic}"
        if self.spec.kind == "agw-tcp":
            return f"{self.spec.place} is open but does not answer; does it speak AGW?"
        if self.spec.kind == "kiss-tcp":
            return (
                f"{self.spec.place} is open but silent; so would a port be that speaks AGW:"
                " leeward check asks it"
            )
        if self.spec.transport == "serial":
            return f"{self.spec.place} is open but silent; check cable, baud rate and squelch"
        return f"{self.spec.place} is open but silent"

    def _reception(self, payload: bytes) -> Reception:
        """Each a millisecond behind the last one at least: what a backlog brings keeps its order, and is
        not many places of one tracker at one time."""
        heard_at_ms = round(self._clock() * 1000.0)
        if heard_at_ms <= self._last_ms < heard_at_ms + MOST_AHEAD_MS:
            heard_at_ms = self._last_ms + 1
        self._last_ms = heard_at_ms
        return Reception(heard_at_ms, self.spec.name, TABLE[self.spec.kind].wire, payload)

    def _count(self, received: int, receptions: int = 0) -> None:
        self.state = replace(
            self.state,
            bytes=self.state.bytes + received,
            receptions=self.state.receptions + receptions,
        )

    def _drop(self, dropped: int) -> None:
        self.state = replace(self.state, dropped=dropped)

    def _change(self, name: StateName, reason: str | None) -> None:
        self.state = self.state.become(name, reason, self._clock())
        self._on_state(self.state)


def kiss_on_words(spec: SourceSpec) -> str:
    """What is sent to a TNC, for whoever is to know it before."""
    commands = ", ".join(map(repr, spec.kiss_on))
    return f"puts the TNC at {spec.place} into KISS mode: sends {commands}"


async def run_source(
    spec: SourceSpec,
    deliver: Deliver,
    *,
    clock: Clock,
    on_state: OnState,
    backoff: Backoff = USUAL,
) -> None:
    """Runs a source until it is cancelled; see Source."""
    await Source(spec, deliver, clock=clock, on_state=on_state, backoff=backoff).run()
