"""Receptions through an MQTT 5 broker: any number of stations publish, any number of servers follow.

Each chunk is a retained message at QoS 1 on a topic of its own,

    TOPIC/station/lane/first

so that who subscribes late is told everything, and publishing one twice changes nothing. Chunks are
signed as between peers, and sealed (`envelope`).
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

from server.journal.database import JournalError
from server.sources.pacing import Backoff
from server.sources.spec import SourceState, StateName
from server.sync.entry import Chunk, ChunkError, Lane
from server.sync.envelope import Envelope, topic_of
from server.sync.ledger import Gap, Ledger
from server.sync.link import Host
from server.sync.mqtt import BrokerSpec, broker_client
from server.sync.together import until_one_ends

if TYPE_CHECKING:
    import aiomqtt

log = logging.getLogger("leeward.exchange")

SESSION_EXPIRY_S = 3_600  # each run has a session of its own; who was away for longer is told all
MESSAGE_EXPIRY_S = 30 * 86_400
RELAY_AFTER_S = 5.0
GAP_PATIENCE_S = 20.0
LASTED_S = 60.0  # a connection that lasted is tried again at once
SETTLED_AFTER_S, SETTLE_AT_MOST_S = 1.5, 30.0
PROBE_S = 10.0  # for one message that the broker kept, over a poor link
MAX_WAITING_CHUNKS = 20_000


class Broker:
    """The station's end at the broker."""

    def __init__(
        self,
        ledger: Ledger,
        host: Host,
        flight: str,
        spec: BrokerSpec,
        *,
        clock: Callable[[], float],
        backoff: Backoff | None = None,
    ) -> None:
        self._ledger, self._host, self._spec, self._clock = ledger, host, spec, clock
        self._envelope = Envelope(spec.key, flight)
        self._backoff = backoff or Backoff()
        self.there: dict[Lane, int] = {}  # how far each lane goes at the broker, without a gap
        self._beyond: dict[Lane, dict[int, int]] = {}  # what it has after a gap: first and last
        self._waiting: dict[Lane, dict[int, Chunk]] = {}  # by first number, until those before come
        self._gap_since_s: float | None = None
        self._stirred = asyncio.Event()
        self._heard = asyncio.Event()
        self._settled = False  # the broker has told what it keeps
        self._newest: str | None = None  # topic of the newest chunk that the broker had
        self._probed = asyncio.Event()  # it came again
        self.refused = 0
        self.state = SourceState("broker", "mqtt", "connecting", f"calls {spec.place}", clock())

    def stir(self) -> None:
        """There is something new to tell."""
        self._stirred.set()

    async def run(self) -> None:
        """Stay connected, publish and follow, for ever; cancel it to end it."""
        try:
            import aiomqtt
        except ImportError:
            self._change("failed", "needs aiomqtt: pip install 'leeward[mqtt]'")
            return
        failures = 0
        while True:
            began_s = time.monotonic()
            try:
                async with self._client(aiomqtt) as client:
                    self._change("open", f"connected to {self._spec.place}")
                    await self._serve(client)
            except (aiomqtt.MqttError, OSError, ValueError, JournalError) as error:
                lasted = time.monotonic() - began_s > LASTED_S
                failures = 1 if lasted else failures + 1
                wait_s = self._backoff.wait_s(failures)
                why = f"{self._spec.place}: {error or type(error).__name__}"
                self._change("failed", f"{why}; next try in {wait_s:.0f} s")
                await asyncio.sleep(wait_s)

    def _client(self, aiomqtt: Any) -> aiomqtt.Client:
        from paho.mqtt.packettypes import PacketTypes
        from paho.mqtt.properties import Properties

        session = Properties(PacketTypes.CONNECT)
        session.SessionExpiryInterval = SESSION_EXPIRY_S
        return broker_client(
            aiomqtt,
            self._spec,
            identifier="leeward-" + self._ledger.station.hex()[:16],
            clean_start=False,  # the broker keeps what came while we were away
            properties=session,
        )

    async def _serve(self, client: aiomqtt.Client) -> None:
        if not self._settled:  # all that it keeps comes now: what it had before may be lost
            self.there.clear()
            self._beyond.clear()
        await until_one_ends(self._publish(client), self._follow(client))

    async def _subscribe(self, client: aiomqtt.Client, *, anew: bool) -> None:
        """Anew: all that the broker keeps comes, which also says what it has of ours."""
        from paho.mqtt.subscribeoptions import SubscribeOptions

        whole, only_if_new = 0, 1  # retain handling of MQTT 5, 3.8.3.1
        handling = whole if anew else only_if_new
        options = SubscribeOptions(qos=1, retainHandling=handling)
        await client.subscribe(f"{self._spec.topic}/+/+/+", options=options)

    async def _probe(self, client: aiomqtt.Client) -> None:
        """After a reconnection: does the broker still have the newest that it had?

        One that lost its store (a restart without persistence) is told everything again, as who comes
        later would find nothing there.
        """
        from paho.mqtt.subscribeoptions import SubscribeOptions

        newest = self._newest
        if newest is None:
            return
        self._probed.clear()
        await client.subscribe(newest, options=SubscribeOptions(qos=1, retainHandling=0))
        try:
            async with asyncio.timeout(PROBE_S):
                await self._probed.wait()
        except TimeoutError:
            log.warning(
                "the broker at %s has lost what it kept: it is told again", self._spec.place
            )
            self._change("open", "the broker has lost what it kept: it is told again")
            self.there.clear()
            self._beyond.clear()
            self._settled = False
            self._heard.clear()
            await self._subscribe(client, anew=True)
        await client.unsubscribe(newest)

    async def _settle(self) -> None:
        """Wait until the broker has told what it keeps, before telling it anything again."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(SETTLE_AT_MOST_S):
                while not self._settled:
                    self._heard.clear()
                    try:
                        async with asyncio.timeout(SETTLED_AFTER_S):
                            await self._heard.wait()
                    except TimeoutError:
                        self._settled = True
        self._settled = True

    async def _follow(self, client: aiomqtt.Client) -> None:
        await self._subscribe(client, anew=not self._settled)
        async for message in client.messages:
            payload = message.payload
            if isinstance(payload, bytes) and payload:
                await self._hear(str(message.topic), payload)
            if self._gap_since_s is not None:
                waited_s = time.monotonic() - self._gap_since_s
                if waited_s > GAP_PATIENCE_S:  # a full queue at the broker drops retained messages
                    self._gap_since_s = time.monotonic()
                    await self._subscribe(client, anew=True)

    async def _hear(self, topic: str, payload: bytes) -> None:
        self._heard.set()
        if topic == self._newest:
            self._probed.set()
        try:
            name, chunk = self._envelope.open(topic, payload)
            if topic != topic_of(self._spec.topic, chunk.lane, chunk.first):
                raise ChunkError("a message on the topic of another")
            if chunk.lane.station != self._ledger.station:
                if chunk.lane.station not in self._ledger.names:
                    await self._host.in_journal(
                        lambda: self._ledger.introduce(chunk.lane.station, name)
                    )
                await self._take(chunk)
        except JournalError as error:  # ask for everything again when there is room
            self._settled = False
            raise OSError(str(error)) from error
        except ChunkError as error:
            self.refused += 1
            self._change("open", f"{self.refused} messages refused; the last: {error}")
            return
        self._note(topic, chunk)

    def _note(self, topic: str, chunk: Chunk) -> None:
        """The broker has this chunk."""
        self._newest = topic
        beyond = self._beyond.setdefault(chunk.lane, {})
        beyond[chunk.first] = max(chunk.last, beyond.get(chunk.first, 0))
        there = self.there.get(chunk.lane, 0)
        for first in sorted(beyond):
            if first > there + 1:
                break
            there = max(there, beyond.pop(first))
        self.there[chunk.lane] = there

    async def _take(self, chunk: Chunk) -> None:
        """Store it, and those that waited for it; without what comes before it waits itself."""
        pending: Chunk | None = chunk
        while pending is not None:
            one = pending
            try:
                new = await self._host.in_journal(partial(self._ledger.take, one))
            except Gap:
                waiting = self._waiting.setdefault(one.lane, {})
                if sum(map(len, self._waiting.values())) < MAX_WAITING_CHUNKS:
                    waiting[one.first] = one
                self._gap_since_s = self._gap_since_s or time.monotonic()
                return
            if new:
                self._host.admit(new)
                self.state = replace(self.state, receptions=self.state.receptions + len(new))
            pending = self._next_waiting(one.lane)
        if not any(self._waiting.values()):
            self._gap_since_s = None

    def _next_waiting(self, lane: Lane) -> Chunk | None:
        waiting, known = self._waiting.get(lane, {}), self._ledger.have().get(lane, 0)
        for first in [f for f, chunk in waiting.items() if chunk.last <= known]:
            del waiting[first]
        ready = [first for first in waiting if first <= known + 1]
        return waiting.pop(min(ready)) if ready else None

    async def _publish(self, client: aiomqtt.Client) -> None:
        """Own entries at once; those that another station told us when nobody else has, later."""
        from paho.mqtt.packettypes import PacketTypes
        from paho.mqtt.properties import Properties

        expiry = Properties(PacketTypes.PUBLISH)
        expiry.MessageExpiryInterval = MESSAGE_EXPIRY_S
        if self._settled:
            await self._probe(client)
        await self._settle()
        relayed_s = time.monotonic()
        me = asyncio.current_task()
        assert me is not None
        while not me.cancelling():  # wait_for of Python 3.11, inside publish, may swallow it
            relays = time.monotonic() - relayed_s >= RELAY_AFTER_S
            lane = self._next_lane(relays)
            if lane is None:
                if relays:
                    relayed_s = time.monotonic()
                self._stirred.clear()
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(1.0):
                        await self._stirred.wait()
                continue
            after = self.there.get(lane, 0)
            chunk = await self._host.in_journal(partial(self._ledger.chunk, lane, after))
            if chunk is None:
                continue
            topic = topic_of(self._spec.topic, lane, chunk.first)
            sealed = self._envelope.seal(topic, self._ledger.names[lane.station], chunk)
            await client.publish(topic, sealed, qos=1, retain=True, properties=expiry)
            self._note(topic, chunk)

    def _next_lane(self, relays: bool) -> Lane | None:
        own = self._ledger.station
        return self._ledger.foremost(
            lane
            for lane, last in self._ledger.have().items()
            if last > self.there.get(lane, 0) and (relays or lane.station == own)
        )

    def _change(self, state: StateName, reason: str | None) -> None:
        self.state = self.state.become(state, reason, self._clock())
        self._host.notify()
