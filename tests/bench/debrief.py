"""`leeward debrief` of a flight with 10,000 fixes: seconds and peak memory of the whole command."""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from server.journal.text import format_line
from tests.flights import made_flight

FIXES = 10_000
UNTIL_S = 9_000.0


def run() -> dict[str, Any]:
    """One process of its own, so that its peak is its own."""
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder, "many.log")
        heard = sorted(
            r
            for tracker in range(5)
            for r in made_flight(UNTIL_S, 5 * UNTIL_S / FIXES, f"N0CALL-{11 + tracker}")
        )
        log.write_text("\n".join(map(format_line, heard)) + "\n", encoding="utf-8")
        command = [
            sys.executable,
            "-m",
            "server.commands.main",
            "debrief",
            str(log),
            "--out",
            folder,
        ]
        start_s, start_cpu = time.perf_counter(), _cpu_s()
        subprocess.run(command, check=True, capture_output=True)
        return {
            "fixes": len(heard),
            "seconds": time.perf_counter() - start_s,
            "processor seconds": _cpu_s() - start_cpu,
            "peak MB": resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024,
            "page MB": Path(folder, "many.html").stat().st_size / 1e6,
        }


def _cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime
