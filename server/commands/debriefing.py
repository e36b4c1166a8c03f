"""The debrief of the recording that is played, made by `leeward debrief` in a process of its own.

One at a time, and at most `LONGEST_S`; a replay does not wait for it. Its files go with the replay.
"""

from __future__ import annotations

import asyncio
import contextlib
import sys
import tempfile
import time
from pathlib import Path

from server.debrief.reader import zone_named

LONGEST_S = 900.0
_SAID_CHARACTERS = 300
# after whatever else the machine does; where the system cannot, as everything else
_GENTLY = (
    "import os, sys; getattr(os, 'nice', int)(10); from server.commands.main import app; app()"
)


class Debriefing:
    """Pages are read from the disk when asked for; a page is at most some megabytes."""

    def __init__(self, log: Path, plan: Path | None) -> None:
        self._log, self._plan = log, plan
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._making: asyncio.Task[None] | None = None
        self._begun_s = 0.0
        self._pages: list[str] = []
        self._why = ""
        self._reader: tuple[str, str] = ("", "")

    def begin(self, zone: str = "", units: str = "") -> None:
        """For a reader in that zone and with those units; "": this computer's, the plan's."""
        if self._making is not None and not self._making.done():
            return
        if self._pages and self._reader == (zone, units):
            return
        self._begun_s, self._why, self._pages = time.monotonic(), "", []
        self._reader = zone, units
        self._making = asyncio.create_task(self._make())

    def standing(self) -> dict[str, object]:
        if self._pages:
            return {"state": "made", "pages": self._pages}
        if self._why:
            return {"state": "failed", "why": self._why}
        return {"state": "making", "for_s": round(time.monotonic() - self._begun_s)}

    def read(self, name: str) -> bytes | None:
        if self._folder is None or name not in self._pages:
            return None
        try:
            return (Path(self._folder.name) / name).read_bytes()
        except OSError:
            return None

    async def close(self) -> None:
        if self._making is not None:
            self._making.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._making
        if self._folder is not None:
            self._folder.cleanup()

    async def _make(self) -> None:
        try:
            self._folder = self._folder or tempfile.TemporaryDirectory(prefix="leeward-debrief-")
            said = await self._run(self._folder.name)
        except OSError as error:
            self._why = f"It could not be made: {error.strerror or error}."
        except TimeoutError:
            self._why = f"It was not done after {LONGEST_S / 60:.0f} minutes, and was given up."
        else:
            found = _pages_in(Path(self._folder.name))
            self._pages = [] if said else found
            self._why = said or ("" if found else "Nothing came of it.")

    async def _run(self, out: str) -> str:
        """What it complained of when it failed; else nothing."""
        plan = () if self._plan is None else ("--plan", str(self._plan))
        zone, units = self._reader
        reader = (
            *(("--zone", zone) if _known(zone) else ()),
            *(("--units", units) if units else ()),
        )
        process = await asyncio.create_subprocess_exec(
            *(
                sys.executable,
                "-c",
                _GENTLY,
                "debrief",
                str(self._log),
                "--out",
                out,
                *plan,
                *reader,
            ),
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.PIPE,
        )
        try:
            async with asyncio.timeout(LONGEST_S):
                _, complaints = await process.communicate()
        finally:
            if process.returncode is None:
                process.kill()
                await process.wait()
        if process.returncode == 0:
            return ""
        lines = complaints.decode("utf-8", "replace").strip().splitlines()
        return (lines[-1] if lines else f"It ended with {process.returncode}.")[:_SAID_CHARACTERS]


def _known(zone: str) -> bool:
    """To this computer, whose table of zones may be older than the browser's."""
    try:
        return zone_named(zone) is not None
    except ValueError:
        return False


def _pages_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.glob("*.html"))
