"""A plan that is edited while its flight is in the air: said on the screen, never taken over half-way."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from pathlib import Path

from server.flight.mission_state import Problem, ProblemKind
from server.plan.file import PlanError, PlanFile, load

LOOK_EVERY_S = 2.0


async def watch_plan(
    path: Path,
    plan: PlanFile,
    tell: Callable[[Problem | None], None],
    every_s: float = LOOK_EVERY_S,
) -> None:
    """Tell of each change of the file, or None when it is again as it was; until cancelled."""
    async for _ in changes_of(path, every_s):
        tell(await asyncio.to_thread(_what_changed, path, plan))


async def changes_of(path: Path, every_s: float = LOOK_EVERY_S) -> AsyncIterator[None]:
    """Each time that a file is another one than when it was last looked at; until cancelled."""
    seen = _stamp(path)
    while True:
        await asyncio.sleep(every_s)
        stamp = _stamp(path)
        if stamp != seen:
            seen = stamp
            yield


def _stamp(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size


def _what_changed(path: Path, plan: PlanFile) -> Problem | None:
    try:
        changed = load(path)
    except PlanError as error:
        why = "; ".join(str(error).replace(str(path), path.name).splitlines()[:3])
        return Problem(ProblemKind.PLAN_UNUSABLE, detail=why)
    return None if changed == plan else Problem(ProblemKind.PLAN_EDITED)
