"""Processor time of a browser: of its own process, its pages' and all others that it began."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

TICK_S = 1 / os.sysconf("SC_CLK_TCK")


def newest_chromium() -> int:
    """The browser's own process: the youngest that is no helper of another."""
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            said = (process / "cmdline").read_bytes()
            if b"chromium" in said and b"--type=" not in said and b"--disable-gpu" in said:
                found.append(int(process.name))
    return max(found)


def processor_s(browser_id: int) -> float:
    """User and system time of a process and of all that it began."""
    parents: dict[int, int] = {}
    times: dict[int, float] = {}
    for process in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            row = (process / "stat").read_text().rpartition(")")[2].split()
            parents[int(process.name)] = int(row[1])
            times[int(process.name)] = (int(row[11]) + int(row[12])) * TICK_S

    def ours(number: int) -> bool:
        while number > 1:
            if number == browser_id:
                return True
            number = parents.get(number, 0)
        return False

    return sum(spent for number, spent in times.items() if ours(number))
