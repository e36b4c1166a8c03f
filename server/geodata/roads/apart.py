"""The chase over roads in a process of its own.

scipy's searches hold Python's lock while they run, up to 0.1 s each, and reading an extract is minutes of
work: neither may hold the station's loop. Its memory is its own as well.
"""

from __future__ import annotations

import contextlib
import os
import signal
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context, parent_process
from multiprocessing.queues import SimpleQueue
from pathlib import Path
from typing import Any

from server.flight.chase.drives import chase
from server.flight.chase.question import Chase, ChaseQuestion
from server.geodata.roads.extract import NEEDED, RoadsError

_START_S = 20.0  # until a process has begun

Told = Callable[[str, float], None]  # which file, and how far it is read, 0 to 1


class RoadsApart:
    """Reads the extracts at once, in the background; until then, and where that fails, there are no roads."""

    def __init__(self, paths: Sequence[Path], told: Told | None = None) -> None:
        """`told` is called from a thread of its own. The first process is started here."""
        self.paths = tuple(paths)
        self.problem: str | None = None
        self.progress: tuple[str, float] | None = None  # while an extract is read
        self._told = told
        self._lock = threading.Lock()
        self._started = threading.Event()
        self.process_id: int | None = None  # once it has begun
        self._closed = False
        self._pool: ProcessPoolExecutor | None = None
        self._opening: Future[None] | None = None
        self._open()

    def _open(self) -> None:
        context = get_context("spawn")
        queue = context.SimpleQueue()
        self._started.clear()
        self._pool = ProcessPoolExecutor(
            1, mp_context=context, initializer=_start, initargs=(queue,)
        )
        threading.Thread(target=self._listen, args=(queue,), daemon=True).start()
        self._opening = self._pool.submit(_open, self.paths)
        self._opening.add_done_callback(lambda done: self._opened(done, queue))

    def _opened(self, done: Future[None], queue: SimpleQueue[Any]) -> None:
        self.progress = None
        error = None if done.cancelled() else done.exception()
        if isinstance(error, RoadsError):
            self.problem = str(error)
        elif error is not None and not self._closed:
            names = ", ".join(str(path) for path in self.paths)
            self.problem = f"{names}: reading it broke off: {type(error).__name__}"
        queue.put(None)
        if self._told is not None and not self._closed:
            self._told("", 1.0)

    def _listen(self, queue: SimpleQueue[Any]) -> None:
        while (got := queue.get()) is not None:
            if isinstance(got, int):
                self.process_id = got
                self._started.set()
                continue
            name, done = got
            if self._opening is None or not self._opening.done():
                self.progress = None if done >= 1.0 else (name, done)
            if self._told is not None:
                self._told(name, done)

    @property
    def ready(self) -> bool:
        return self._opening is not None and self._opening.done() and self.problem is None

    def wait(self) -> None:
        """Until the extracts are read, or cannot be."""
        if self._opening is not None:
            self._opening.exception()

    def chase(self, question: ChaseQuestion) -> Chase | None:
        """None also while the extracts are read. One question at a time; it blocks."""
        with self._lock:
            if not self.ready or self._pool is None:
                return None
            try:
                return self._pool.submit(_chase, question).result()
            except BrokenProcessPool:
                self._pool.shutdown(wait=False, cancel_futures=True)
                self._open()  # anew, from what is kept beside the extracts
                raise

    def reach(
        self, latitude_deg: float, longitude_deg: float, minutes: Sequence[float]
    ) -> list[list[list[tuple[float, float]]]] | None:
        """Lines (longitude, latitude) of how far a car gets in so many minutes; None: no roads there."""
        with self._lock:
            if not self.ready or self._pool is None:
                return None
            return self._pool.submit(_reach, latitude_deg, longitude_deg, tuple(minutes)).result()

    def close(self) -> None:
        """End the process, whatever it is at."""
        self._closed = True
        pool, self._pool = self._pool, None
        if pool is None:
            return
        if self._started.wait(_START_S) and self.process_id is not None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.process_id, signal.SIGTERM)
        pool.shutdown(wait=True, cancel_futures=True)


# of the process of its own
_here: dict[str, Any] = {}


def _start(queue: SimpleQueue[Any]) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the station ends it
    _here["queue"] = queue
    queue.put(os.getpid())
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """A station that is killed leaves nobody behind."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _open(paths: tuple[Path, ...]) -> None:
    try:
        from server.geodata.roads.roads import OpenRoads
    except ImportError as error:
        raise RoadsError(f"{NEEDED}: {error}") from error

    last: dict[Path, float] = {}

    def told(path: Path, done: float) -> None:
        if done >= 1.0 or done - last.get(path, -1.0) >= 0.01:
            last[path] = done
            _here["queue"].put((path.name, done))

    _here["roads"] = OpenRoads(paths, told)


def _chase(question: ChaseQuestion) -> Chase | None:
    return chase(question, _here["roads"])


def _reach(
    latitude_deg: float, longitude_deg: float, minutes: tuple[float, ...]
) -> list[list[list[tuple[float, float]]]] | None:
    from server.geodata.roads.reach import reach

    return reach(_here["roads"], latitude_deg, longitude_deg, minutes)
