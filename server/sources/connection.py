"""Transports: TCP, UDP, serial ports and (in mqtt.py) a broker, all read the same way.

Opening and reading raise SourceFault with words. Nothing here blocks the event loop: a serial port
is opened in a thread of its own and read when the loop says that it is ready.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import threading
from typing import Protocol

import serial

from server.sources import reasons
from server.sources.mqtt import open_mqtt
from server.sources.spec import SourceFault, SourceSpec

OPEN_WITHIN_S = 10.0
CHUNK_BYTES = 4096
UDP_QUEUE = 1000  # datagrams that may wait; more are dropped and counted
_opening: set[str] = set()  # devices whose thread has not come back yet
_KEEPALIVE = (("TCP_KEEPIDLE", 20), ("TCP_KEEPINTVL", 5), ("TCP_KEEPCNT", 3))


class Connection(Protocol):
    """An open transport. `dropped` counts what it had to let go."""

    dropped: int

    async def read(self) -> bytes:
        """The next bytes; b"" when the other side has closed. SourceFault when it broke."""

    async def write(self, data: bytes) -> None: ...

    def close(self) -> None: ...


async def open_connection(spec: SourceSpec) -> Connection:
    """Opens the transport of `spec`. SourceFault says why not."""
    try:
        async with asyncio.timeout(OPEN_WITHIN_S):
            if spec.transport == "tcp":
                return await _open_tcp(spec)
            if spec.transport == "udp":
                return await _open_udp(spec)
            if spec.transport == "mqtt":
                return await open_mqtt(spec)
            return await _open_serial(spec)
    except OSError as error:  # TimeoutError and SerialException are of its kind
        raise SourceFault(reasons.open_failed(spec, error)) from error
    except UnicodeError as error:
        raise SourceFault(f"{spec.address[0]!r} is no host name; correct the plan") from error


class TcpConnection:
    def __init__(
        self, spec: SourceSpec, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        self.dropped = 0
        self._spec, self._reader, self._writer = spec, reader, writer

    async def read(self) -> bytes:
        try:
            return await self._reader.read(CHUNK_BYTES)
        except OSError as error:
            raise SourceFault(reasons.broken(self._spec, error)) from error

    async def write(self, data: bytes) -> None:
        try:
            self._writer.write(data)
            await self._writer.drain()
        except OSError as error:
            raise SourceFault(reasons.broken(self._spec, error)) from error

    def close(self) -> None:
        self._writer.close()


async def _open_tcp(spec: SourceSpec) -> TcpConnection:
    host, port = spec.address
    reader, writer = await asyncio.open_connection(host, port)
    connected = writer.get_extra_info("socket")
    # a TNC that loses its power says nothing; the system asks it from time to time
    connected.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, value in _KEEPALIVE:
        if hasattr(socket, option):
            connected.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)
    return TcpConnection(spec, reader, writer)


class UdpConnection(asyncio.DatagramProtocol):
    """Datagrams in order, one a read."""

    def __init__(self) -> None:
        self.dropped = 0
        self._queue: asyncio.Queue[bytes] = asyncio.Queue(UDP_QUEUE)
        self._transport: asyncio.BaseTransport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = transport

    def datagram_received(self, data: bytes, addr: object) -> None:
        try:
            if data:  # an empty one would read as the end
                self._queue.put_nowait(data)
        except asyncio.QueueFull:
            self.dropped += 1

    async def read(self) -> bytes:
        return await self._queue.get()

    async def write(self, data: bytes) -> None:
        """A listener answers nobody."""

    def close(self) -> None:
        if self._transport is not None:
            self._transport.close()


async def _open_udp(spec: SourceSpec) -> UdpConnection:
    host, port = spec.address
    loop = asyncio.get_running_loop()
    _, protocol = await loop.create_datagram_endpoint(
        UdpConnection, local_addr=(host or "127.0.0.1", port or 0)
    )
    return protocol


class SerialConnection:
    def __init__(self, spec: SourceSpec, port: serial.Serial) -> None:
        self.dropped = 0
        self._spec, self._port = spec, port

    async def read(self) -> bytes:
        descriptor = self._port.fileno()
        while True:
            await _readable(descriptor)
            try:
                return os.read(descriptor, CHUNK_BYTES)
            except BlockingIOError:
                continue
            except OSError as error:
                raise SourceFault(reasons.broken(self._spec, error)) from error

    async def write(self, data: bytes) -> None:
        try:
            os.write(self._port.fileno(), data)
        except OSError as error:
            raise SourceFault(reasons.broken(self._spec, error)) from error

    def close(self) -> None:
        _close_port(self._port)


async def _readable(descriptor: int) -> None:
    loop = asyncio.get_running_loop()
    ready: asyncio.Future[None] = loop.create_future()
    loop.add_reader(descriptor, _wake, ready)
    try:
        await ready
    finally:
        loop.remove_reader(descriptor)


def _wake(ready: asyncio.Future[None]) -> None:
    if not ready.done():
        ready.set_result(None)


async def _open_serial(spec: SourceSpec) -> SerialConnection:
    """Opening may block for ever (a radio link that does not answer), so a thread of its own does
    it.

    A port that opens after we have given up is closed again; until then no second thread is
    started.
    """
    device = spec.device or ""
    if device in _opening:
        raise TimeoutError(f"{device} is still being opened")
    loop = asyncio.get_running_loop()
    opened: asyncio.Future[serial.Serial] = loop.create_future()

    def hand_over(port: serial.Serial | None, error: OSError) -> None:
        if opened.done():
            if port is not None:
                _close_port(port)
        elif port is not None:
            opened.set_result(port)
        else:
            opened.set_exception(error)

    def open_port() -> None:
        port, problem = None, OSError("no port")
        try:
            port = serial.Serial(device, spec.baud_rate, timeout=0, exclusive=True)
        except OSError as error:
            problem = error
        except ValueError as error:  # a baud rate that the system does not have
            problem = OSError(str(error))
        finally:
            _opening.discard(device)
        try:
            loop.call_soon_threadsafe(hand_over, port, problem)
        except RuntimeError:  # the loop has ended meanwhile
            if port is not None:
                _close_port(port)

    _opening.add(device)
    threading.Thread(target=open_port, name=f"open {device}", daemon=True).start()
    return SerialConnection(spec, await opened)


def _close_port(port: serial.Serial) -> None:
    with contextlib.suppress(OSError):  # a port that was unplugged
        port.close()
