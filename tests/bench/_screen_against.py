"""The page of another commit beside this checkout's, in turns, in one run.

Both are served by their own checkout's `leeward replay` of the demo flight at 30 times real speed.
"""

from __future__ import annotations

import asyncio
import statistics
import subprocess
import tempfile
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from tests.session.running import CHECKOUT, leeward

TURNS = 3
SPEED = 30


def in_turns(commit: str, turn: Callable[[str], Awaitable[dict[str, float]]]) -> dict[str, Any]:
    """Medians of the figures that `turn` gives of a page at its address, `TURNS` turns for each edition.

    Raises `CalledProcessError` for a commit that is not there.
    """
    rows: dict[str, list[dict[str, float]]] = {commit: [], "now": []}
    with tempfile.TemporaryDirectory() as folder:
        other = Path(folder) / "other"
        git = ["git", "-C", str(CHECKOUT), "worktree"]
        subprocess.run([*git, "add", "--detach", "--quiet", str(other), commit], check=True)
        try:
            for _ in range(TURNS):
                for name, checkout in ((commit, other), ("now", CHECKOUT)):
                    rows[name].append(asyncio.run(_one(checkout, turn)))
        finally:
            subprocess.run([*git, "remove", "--force", str(other)], check=True)
    return {
        name: {key: round(statistics.median(one[key] for one in found), 1) for key in found[0]}
        for name, found in rows.items()
    }


async def _one(
    checkout: Path, turn: Callable[[str], Awaitable[dict[str, float]]]
) -> dict[str, float]:
    async with leeward("replay", "--speed", str(SPEED), checkout=checkout) as running:
        return await turn(running.address)
