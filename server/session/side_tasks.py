"""What runs beside reception: an unexpected error ends none of it for good, and never reception."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Coroutine
from typing import Any, NamedTuple

from server.flight.mission_state import Problem, ProblemKind

log = logging.getLogger("leeward.station")

PAUSE_S = 5.0  # before it is begun again; our choice
STEADY_S = 60.0  # without an error, and the last one is told no more; our choice


class SideTask(NamedTuple):
    """`run` works until cancelled, or returns when there is nothing to do for it."""

    what: str  # for people, at the beginning of a sentence
    run: Callable[[], Coroutine[Any, Any, None]]


class SideTasks:
    """Runs them, and says which of them fail."""

    def __init__(self, on_change: Callable[[], None]) -> None:
        """`on_change` is called when `problems` has changed."""
        self._on_change = on_change
        self._failed: dict[str, str] = {}

    @property
    def problems(self) -> list[Problem]:
        """One for each task that has failed lately."""
        kind = ProblemKind.TASK_FAILED
        return [Problem(kind, what, detail=error) for what, error in self._failed.items()]

    async def keep(self, task: SideTask) -> None:
        """Run it, again after each unexpected error, until it returns or is cancelled."""
        logged: set[str] = set()
        while True:
            steady = asyncio.get_running_loop().call_later(STEADY_S, self._recovered, task.what)
            try:
                await task.run()
            except Exception as error:  # whatever it is, the flight is worth more
                kind = _kind(error)
                if kind not in logged:  # once: it may fail again every few seconds
                    logged.add(kind)
                    log.error("%s failed: %s", task.what, kind, exc_info=error)
                self._failed[task.what] = kind
                self._on_change()
            else:
                self._recovered(task.what)
                return
            finally:
                steady.cancel()
            await asyncio.sleep(PAUSE_S)

    def _recovered(self, what: str) -> None:
        if self._failed.pop(what, None) is not None:
            self._on_change()


def _kind(error: BaseException) -> str:
    """A task group wraps what ended it."""
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return type(error).__name__
