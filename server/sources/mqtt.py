"""A topic of an MQTT broker as a transport: one message a read.

What the broker retained from before is not asked for: its age is not known, and a position without
a time would be taken for one of now.
"""

from __future__ import annotations

import asyncio
import contextlib
import ssl
from typing import Any

from server.sources import reasons
from server.sources.spec import SourceFault, SourceSpec

QUEUE = 1000  # messages that may wait; then the broker has to
MAX_PACKET_BYTES = 1_100_000  # what the broker may send at most (MQTT 5, 3.1.2.11.4)
KEEPALIVE_S = 30
_NOT_RETAINED = 2  # retain handling of MQTT 5, 3.8.3.1


class MqttConnection:
    """A subscription. A task of its own holds the connection, for it must be left in order."""

    def __init__(self, spec: SourceSpec) -> None:
        self.dropped = 0
        self._spec = spec
        self._queue: asyncio.Queue[bytes] = asyncio.Queue(QUEUE)
        self._message: asyncio.Task[bytes] | None = None
        self._subscribed: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._following = asyncio.create_task(self._follow())

    async def opened(self) -> None:
        """Wait for the subscription. SourceFault says why there is none."""
        await asyncio.wait({self._subscribed, self._following}, return_when="FIRST_COMPLETED")
        if self._following.done():
            raise self._fault()

    async def read(self) -> bytes:
        # a reader that gives up waiting leaves its task to the next one: no message is lost
        waiting = self._message or asyncio.create_task(self._queue.get())
        self._message = waiting
        await asyncio.wait({waiting, self._following}, return_when="FIRST_COMPLETED")
        if not waiting.done():
            raise self._fault()
        self._message = None
        return waiting.result()

    async def write(self, data: bytes) -> None:
        """A listener answers nobody."""

    def close(self) -> None:
        self._following.cancel()
        if self._message is not None:
            self._message.cancel()

    async def ended(self) -> None:
        """Until what was closed has let go of the broker."""
        await self._following

    def _fault(self) -> SourceFault:
        error = None if self._following.cancelled() else self._following.exception()
        if isinstance(error, SourceFault):
            return error
        place = self._spec.place
        return SourceFault(f"{place}: {error or 'the broker closed the connection'}")

    async def _follow(self) -> None:
        try:
            import aiomqtt
            from paho.mqtt.packettypes import PacketTypes
            from paho.mqtt.properties import Properties
            from paho.mqtt.subscribeoptions import SubscribeOptions
        except ImportError:
            raise SourceFault("needs aiomqtt: pip install 'leeward[mqtt]'") from None
        spec = self._spec
        limits: Any = Properties(PacketTypes.CONNECT)
        limits.MaximumPacketSize = MAX_PACKET_BYTES
        options = SubscribeOptions(qos=1, retainHandling=_NOT_RETAINED)
        try:
            async with _client(aiomqtt, spec, limits) as client:
                await client.subscribe(spec.topic, options=options)
                if not self._subscribed.done():
                    self._subscribed.set_result(None)
                async for message in client.messages:
                    if isinstance(message.payload, bytes) and message.payload:
                        await self._queue.put(message.payload)
        except OSError as error:
            raise SourceFault(reasons.open_failed(spec, error)) from error
        except (aiomqtt.MqttError, ValueError) as error:
            raise SourceFault(f"{spec.place}: {error or type(error).__name__}") from error


def _client(aiomqtt: Any, spec: SourceSpec, limits: Any) -> Any:
    host, port = spec.address
    return aiomqtt.Client(
        host,
        port,
        protocol=aiomqtt.ProtocolVersion.V5,
        username=spec.user,
        password=spec.password,
        tls_context=ssl.create_default_context(cafile=spec.ca_file) if spec.tls else None,
        keepalive=KEEPALIVE_S,
        properties=limits,
        max_queued_incoming_messages=QUEUE,
    )


async def open_mqtt(spec: SourceSpec) -> MqttConnection:
    """Connect and subscribe. SourceFault says why not; what was begun is ended."""
    connection = MqttConnection(spec)
    try:
        await connection.opened()
    except BaseException:
        connection.close()
        with contextlib.suppress(asyncio.CancelledError, SourceFault):
            await connection.ended()
        raise
    return connection
