"""Room on the disk of the journal: said before it runs out, while the crew can still make some."""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import Callable
from pathlib import Path

from server.flight.mission_state import Problem, ProblemKind

LOOK_EVERY_S = 20.0
# a flight of ten hours writes less than 100 MB; the rest is for whatever else the laptop does; our choice
LEAST_FREE_BYTES = 500_000_000


async def watch_space(
    folder: Path,
    tell: Callable[[Problem | None], None],
    every_s: float = LOOK_EVERY_S,
    least_bytes: int = LEAST_FREE_BYTES,
) -> None:
    """Tell when room is scarce, again when its megabytes change, and None when it is not."""
    told: Problem | None = None
    while True:
        found = await asyncio.to_thread(scarce, folder, least_bytes)
        if found != told:
            told = found
            tell(found)
        await asyncio.sleep(every_s)


def scarce(folder: Path, least_bytes: int = LEAST_FREE_BYTES) -> Problem | None:
    """None where there is room, and where the system does not tell."""
    try:
        free_bytes = shutil.disk_usage(folder).free
    except OSError:
        return None
    if free_bytes >= least_bytes:
        return None
    return Problem(ProblemKind.DISK_FILLS, count=free_bytes // 1_000_000)
