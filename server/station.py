"""The one loop: input -> journal -> flight -> subscribers."""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import logging
from collections.abc import Callable, Coroutine, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any, Protocol, TypeVar

from server.flight.flight import Flight
from server.flight.inputs import Command, Reception, Tick
from server.flight.times import rfc3339
from server.journal import JournalError
from server.posts import Posts
from server.sources.source import Source
from server.sources.spec import SourceSpec, SourceState
from server.watch import NotStored, Refused, Watch

log = logging.getLogger("leeward.station")

TICK_S = 1.0
RETRY_S = 2.0
MOST_PENDING = 2_000


T = TypeVar("T")


class Store(Protocol):
    """The journal, alone or with the books of what other stations heard. Used from one thread."""

    def append(self, entries: Iterable[Reception | Command]) -> int: ...

    def receptions(self, after: int = 0) -> Iterator[tuple[int, Reception]]: ...

    def commands(self) -> Iterator[tuple[int, Command]]: ...

    def close(self) -> None: ...


class Station(Watch):
    """Sources feed it, the journal is its memory, whoever subscribes is told."""

    mode = "live"

    def __init__(
        self,
        flight: Flight,
        journal: Store,
        sources: tuple[SourceSpec, ...],
        clock: Callable[[], float],
        phone_tokens: Mapping[str, str] | None = None,
    ) -> None:
        """`phone_tokens` maps a beacon's token to the name of its source."""
        super().__init__(flight)
        self._journal = journal
        self._sources = {
            spec.name: Source(
                spec, self.deliver, clock=clock, on_state=self._on_state, room=self._room
            )
            for spec in sources
        }
        self._clock = clock
        self._tokens = dict(phone_tokens or {})
        self._name = flight.plan.station
        self.links: Callable[[], Iterable[SourceState]] = tuple  # ways to other stations
        self._pending: list[tuple[Reception | Command, asyncio.Future[int] | None]] = []
        self._unwritten: list[Reception | Command] = []  # taken in, while the disk refuses
        self._arrived, self._written = asyncio.Event(), asyncio.Event()
        self._writer = ThreadPoolExecutor(1, thread_name_prefix="journal")
        self._posts = Posts()
        self._journal_problem: str | None = None
        self._recover()

    def _recover(self) -> None:
        """The state as it was: everything in the journal once more."""
        receptions = []
        for number, reception in self._journal.receptions():
            receptions.append(reception)
            self._posts.remember(reception, number)
        self.flight.receive(receptions)
        for _, command in self._journal.commands():
            self.flight.apply(command)

    def deliver(self, reception: Reception) -> None:
        """A source has heard something. Returns at once; the loop stores and uses it."""
        if self._name and reception.wire != "phone":  # a phone belongs to no station
            reception = replace(reception, source=f"{self._name}/{reception.source}")
        self._pending.append((reception, None))
        self._arrived.set()

    async def _room(self) -> None:
        """A source reads on when what waits for the disk is little."""
        while len(self._pending) > MOST_PENDING:
            self._written.clear()
            await self._written.wait()

    async def in_journal(self, work: Callable[[], T]) -> T:
        """Run in the journal's thread; raises what it raises."""
        return await asyncio.get_running_loop().run_in_executor(self._writer, work)

    def admit(self, entries: Iterable[Reception | Command]) -> None:
        """Take in what the journal has now."""
        given = list(entries)
        self.flight.receive([one for one in given if isinstance(one, Reception)])
        for one in given:
            if isinstance(one, Command):
                self.flight.apply(one)
        self.changed()

    async def receive(self, source: str, payload: bytes) -> int:
        """Something posted to us (a phone's body); its number once it is on disk. NotStored."""
        known = self._posts.number_of(source, payload)
        if known is not None:
            return known
        reception = Reception(round(self._clock() * 1000), source, "phone", payload)
        number = await self._keep(reception)
        self._posts.remember(reception, number)
        if source in self._sources:
            self._sources[source].note(len(payload))
        return number

    async def command(
        self, kind: str, name: str, latitude_deg: float | None, longitude_deg: float | None
    ) -> None:
        """A crew member acknowledges an alarm or says where a vehicle is."""
        if kind not in ("acknowledge", "vehicle"):
            raise Refused(f"'acknowledge' or 'vehicle' expected, not {kind!r}")
        command = Command(self._clock(), kind, name, latitude_deg, longitude_deg, self._name)  # type: ignore[arg-type]
        with contextlib.suppress(NotStored):  # it holds all the same; the screen shows the problem
            await self._keep(command)

    async def _keep(self, entry: Reception | Command) -> int:
        stored: asyncio.Future[int] = asyncio.get_running_loop().create_future()
        self._pending.append((entry, stored))
        self._arrived.set()
        return await stored

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

    async def run(self, *beside: Callable[[], Coroutine[Any, Any, None]]) -> None:
        """Run sources, loop, landing, and what works beside them, until cancelled."""
        async with asyncio.TaskGroup() as tasks:
            for work in beside:
                tasks.create_task(work())
            tasks.create_task(self.keep_landing())
            tasks.create_task(self._tick())
            for source in self._sources.values():
                tasks.create_task(source.run())
            self.changed()
            await self._loop()

    async def _loop(self) -> None:
        """On disk before use. When the disk refuses: say so, go on in memory, and try again."""
        while True:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(RETRY_S if self._unwritten else None):
                    await self._arrived.wait()
            self._arrived.clear()
            batch, self._pending = self._pending, []
            self._written.set()
            entries = [entry for entry, _ in batch]
            if not entries and not self._unwritten:
                continue
            problem = await self._store([*self._unwritten, *entries])
            if isinstance(problem, JournalError):
                self._unwritten += entries
            else:
                self._unwritten.clear()
            after = 0  # receptions of the same commit behind this one
            for entry, stored in reversed(batch):
                if stored is not None and not stored.done():
                    if isinstance(problem, JournalError):
                        stored.set_exception(NotStored(f"It could not be written down: {problem}"))
                    else:
                        stored.set_result(problem - after)
                after += isinstance(entry, Reception)
            self.admit(entries)

    async def _store(self, entries: list[Reception | Command]) -> int | JournalError:
        try:
            last = await self.in_journal(lambda: self._journal.append(entries))
        except JournalError as error:
            if self._journal_problem is None:
                log.error("journal: %s", error)
            self._journal_problem = (
                f"The journal cannot be written ({error}). "
                f"The last {len(entries)} receptions are in memory alone: make room on the disk."
            )
            return error
        if self._journal_problem is not None:
            log.warning("the journal is written again, with all that had waited")
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
            for state in (*(source.state for source in self._sources.values()), *self.links())
        ]

    def close(self) -> None:
        super().close()
        self._writer.shutdown(wait=True)
        if self._unwritten:
            with contextlib.suppress(JournalError):
                self._journal.append(self._unwritten)
        self._journal.close()
