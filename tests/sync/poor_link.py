"""A TCP relay as a poor phone link: narrow, slow to answer, cut now and then. It counts the bytes."""

from __future__ import annotations

import asyncio
import contextlib
from typing import Self


class PoorLink:
    """Relays to `port`. `bits_per_s` narrows each way; `cut_after_bytes` ends a connection, and
    `bend_after_bytes` turns one bit of it, that far on.
    """

    def __init__(
        self,
        port: int,
        *,
        bits_per_s: float | None = None,
        delay_s: float = 0.0,
        cut_after_bytes: int | None = None,
        bend_after_bytes: int | None = None,
    ) -> None:
        self._to, self._bits_per_s, self._delay_s = port, bits_per_s, delay_s
        self._cut_after, self.bend_after_bytes = cut_after_bytes, bend_after_bytes
        self.port = 0
        self.connections = self.carried_bytes = 0
        self._tasks: set[asyncio.Task[None]] = set()
        self._broken = False

    def break_(self) -> None:
        """Ends what is open and refuses what comes, until it is mended."""
        self._broken = True
        for task in self._tasks:
            task.cancel()

    def mend(self) -> None:
        self._broken = False

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._accept, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self._broken:
            writer.close()
            return
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        self.connections += 1
        left = [self._cut_after]
        far = None
        try:
            there, far = await asyncio.open_connection("127.0.0.1", self._to)
            ways = [
                asyncio.ensure_future(self._carry(reader, far, left)),
                asyncio.ensure_future(self._carry(there, writer, left)),
            ]
            self._tasks |= set(ways)
            await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
            for way in ways:
                way.cancel()
            await asyncio.gather(*ways, return_exceptions=True)
        except asyncio.CancelledError:
            pass  # broken: whoever waits for this task waits for its end alone
        finally:
            for end in (writer, far):
                if end is not None:
                    end.close()

    async def _carry(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, left: list[int | None]
    ) -> None:
        """What is on its way takes `delay_s`, and does not hold back what comes behind it."""
        loop = asyncio.get_running_loop()
        on_its_way: asyncio.Queue[tuple[float, bytes]] = asyncio.Queue()
        arriving = asyncio.ensure_future(self._arrive(writer, on_its_way, left))
        free_s = loop.time()
        try:
            while data := await reader.read(4_096):
                if self._bits_per_s is not None:
                    free_s = max(free_s, loop.time()) + 8 * len(data) / self._bits_per_s
                    await asyncio.sleep(free_s - loop.time())
                on_its_way.put_nowait((loop.time() + self._delay_s, data))
                if arriving.done():
                    return
        except OSError:
            pass
        finally:
            if left[0] is None:
                await asyncio.sleep(self._delay_s)
            arriving.cancel()
            await asyncio.gather(arriving, return_exceptions=True)

    async def _arrive(
        self,
        writer: asyncio.StreamWriter,
        on_its_way: asyncio.Queue[tuple[float, bytes]],
        left: list[int | None],
    ) -> None:
        loop = asyncio.get_running_loop()
        carried = 0
        with contextlib.suppress(OSError):
            while left[0] != 0:
                due_s, data = await on_its_way.get()
                await asyncio.sleep(due_s - loop.time())
                if left[0] is not None:
                    data = data[: left[0]]
                    left[0] -= len(data)
                bend_at = (self.bend_after_bytes or 0) - carried
                if self.bend_after_bytes is not None and 0 <= bend_at < len(data):
                    data = data[:bend_at] + bytes([data[bend_at] ^ 4]) + data[bend_at + 1 :]
                carried += len(data)
                self.carried_bytes += len(data)
                writer.write(data)
                await writer.drain()
        writer.close()
