"""The page of another commit beside this checkout's, in turns, in one run.

Both are served by their own checkout's `leeward replay` of the demo flight at 30 times real speed.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import re
import statistics
import subprocess
import sys
import tempfile
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
TURNS = 3
SPEED = 30
ADDRESS = re.compile(rb"http://127\.0\.0\.1:\d+/\S*")


def in_turns(commit: str, turn: Callable[[str], Awaitable[dict[str, float]]]) -> dict[str, Any]:
    """Medians of the figures that `turn` gives of a page at its address, `TURNS` turns for each edition.

    Raises `CalledProcessError` for a commit that is not there.
    """
    rows: dict[str, list[dict[str, float]]] = {commit: [], "now": []}
    with tempfile.TemporaryDirectory() as folder:
        other = Path(folder) / "other"
        git = ["git", "-C", str(ROOT), "worktree"]
        subprocess.run([*git, "add", "--detach", "--quiet", str(other), commit], check=True)
        try:
            for _ in range(TURNS):
                for name, checkout in ((commit, other), ("now", ROOT)):
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
    async with _replay(checkout) as address:
        return await turn(address)


@contextlib.asynccontextmanager
async def _replay(checkout: Path) -> AsyncIterator[str]:
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "server.commands.main", "replay", "--no-browser", "--speed", str(SPEED),
        cwd=checkout, env=os.environ | {"PYTHONPATH": str(checkout), "PYTHONUNBUFFERED": "1"},
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT,
    )  # fmt: skip
    assert process.stdout is not None
    try:
        said = b""
        while not (found := ADDRESS.search(said)):
            line = await asyncio.wait_for(process.stdout.readline(), 60)
            if not line:
                raise RuntimeError(f"the replay ended: {said.decode(errors='replace')}")
            said += line
        yield found[0].decode()
    finally:
        process.terminate()
        await process.wait()
