"""The one loop: input -> journal -> flight -> subscribers."""

from __future__ import annotations

import asyncio
import hmac
import logging
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from server.flight.flight import Flight
from server.flight.inputs import Command, Reception, Tick
from server.flight.times import rfc3339
from server.journal import Journal, JournalError
from server.sources.source import Source
from server.sources.spec import SourceSpec, SourceState
from server.watch import Refused, Watch

log = logging.getLogger("leeward.station")

TICK_S = 1.0
RETRY_S = 2.0


class Station(Watch):
    """Sources feed it, the journal is its memory, whoever subscribes is told."""

    mode = "live"

    def __init__(
        self,
        flight: Flight,
        journal: Journal,
        sources: tuple[SourceSpec, ...],
        clock: Callable[[], float],
        phone_tokens: Mapping[str, str] | None = None,
    ) -> None:
        """`phone_tokens` maps a beacon's token to the name of its source."""
        super().__init__(flight)
        self._journal = journal
        self._sources = {
            spec.name: Source(spec, self.deliver, clock=clock, on_state=self._on_state)
            for spec in sources
        }
        self._clock = clock
        self._tokens = dict(phone_tokens or {})
        self._pending: list[tuple[Reception, asyncio.Future[int] | None]] = []
        self._arrived = asyncio.Event()
        self._writer = ThreadPoolExecutor(1, thread_name_prefix="journal")
        self._journal_problem: str | None = None
        self._recover()

    def _recover(self) -> None:
        """The state as it was: everything in the journal once more."""
        self.flight.receive([reception for _, reception in self._journal.receptions()])
        for _, command in self._journal.commands():
            self.flight.apply(command)

    def deliver(self, reception: Reception) -> None:
        """A source has heard something. Returns at once; the loop stores and uses it."""
        self._pending.append((reception, None))
        self._arrived.set()

    async def receive(self, source: str, payload: bytes) -> int:
        """Something posted to us (a phone's body); its number once it is on disk."""
        stored: asyncio.Future[int] = asyncio.get_running_loop().create_future()
        reception = Reception(round(self._clock() * 1000), source, "phone", payload)
        self._pending.append((reception, stored))
        self._arrived.set()
        number = await stored
        if source in self._sources:
            self._sources[source].note(len(payload))
        return number

    async def command(
        self, kind: str, name: str, latitude_deg: float | None, longitude_deg: float | None
    ) -> None:
        """A crew member acknowledges an alarm or says where a vehicle is."""
        if kind not in ("acknowledge", "vehicle"):
            raise Refused(f"'acknowledge' or 'vehicle' expected, not {kind!r}")
        command = Command(self._clock(), kind, name, latitude_deg, longitude_deg)  # type: ignore[arg-type]
        loop = asyncio.get_running_loop()
        await loop.run_in_executor(self._writer, self._journal.append_command, command)
        self.flight.apply(command)
        self.changed()

    async def control(self, action: str, value: float | str | None) -> None:
        raise Refused("A live flight cannot be played, paused or moved in time.")

    def phone_source(self, token: str) -> str | None:
        """Source name of a beacon's token; every token is compared, in constant time."""
        found = None
        for known, source in self._tokens.items():
            if hmac.compare_digest(known.encode(), token.encode()):
                found = source
        return found

    def state(self) -> dict[str, Any]:
        state = super().state()
        state["mode"] = self.mode
        state["sources"] = self._source_entries()
        if self._journal_problem:
            state["plan_problems"].insert(0, self._journal_problem)
        state["replay"] = None
        return state

    async def run(self) -> None:
        """Run sources, loop and landing until cancelled."""
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self.keep_landing())
            tasks.create_task(self._tick())
            for source in self._sources.values():
                tasks.create_task(source.run())
            self.changed()
            await self._loop()

    async def _loop(self) -> None:
        loop = asyncio.get_running_loop()
        while True:
            await self._arrived.wait()
            self._arrived.clear()
            batch, self._pending = self._pending, []
            if not batch:
                continue
            receptions = [reception for reception, _ in batch]
            last = await self._store(loop, receptions)
            self.flight.receive(receptions)
            for _, stored in batch:
                if stored is not None and not stored.done():
                    stored.set_result(last)
            self.changed()

    async def _store(self, loop: asyncio.AbstractEventLoop, receptions: list[Reception]) -> int:
        """On disk before use. When the disk refuses, say so and try again: nothing is dropped."""
        while True:
            try:
                last = await loop.run_in_executor(self._writer, self._journal.append, receptions)
            except JournalError as error:
                log.error("journal: %s", error)
                self._journal_problem = (
                    f"The journal cannot be written ({error}). What is heard waits in memory."
                )
                self.notify()
                await asyncio.sleep(RETRY_S)
            else:
                self._journal_problem = None
                return last

    async def _tick(self) -> None:
        while True:
            self.flight.apply(Tick(self._clock()))
            self.notify()
            await asyncio.sleep(TICK_S)

    def _on_state(self, _: SourceState) -> None:
        self.notify()

    def _source_entries(self) -> list[dict[str, Any]]:
        return [
            {
                "name": state.name,
                "kind": state.kind,
                "state": state.state,
                "reason": state.reason,
                "since": rfc3339(state.since_s),
                "receptions": state.receptions,
            }
            for state in (source.state for source in self._sources.values())
        ]

    def close(self) -> None:
        super().close()
        self._writer.shutdown(wait=True)
        self._journal.close()
