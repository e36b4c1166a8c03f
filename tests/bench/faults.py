"""Each fault that a station must bear, really made: real processes, sockets, a mosquitto, pseudo-terminals.

    python -m tests.bench faults [--times N] [--json]

A row: how often it was made, packets sent, those lost, the longest that reception was held, and what the crew
was told (kinds of problems, and the words of sources and links). For `kill` held is from the start of the
process to its first answer. Only root can mount the small disk.
"""

from __future__ import annotations

import asyncio
import random
import sys
import tempfile
from pathlib import Path
from typing import Any

from tests.bench import _faults_disk as disk
from tests.bench import _faults_network as network
from tests.bench import _faults_sources as sources

ROWS = {
    "kill": disk.kill,
    "full disk": disk.full_disk,
    "flipped bit": disk.flipped,
    "torn page": disk.torn,
    "clock set by an hour": disk.clock,
    "serial line pulled": sources.pulled,
    "broker drops, doubles, reorders, forgets": network.broker,
    "peer that means harm": network.harmful_peer,
    "one folder, two laptops": network.one_folder_twice,
    "readers that never read": network.mute_readers,
    "heads byte by byte": network.slow_heads,
    "garbage at 10 MB/s": sources.garbage,
    "2,000 packets a second": sources.flood,
}


def run(times: int = 5, constant: str | None = None) -> dict[str, Any]:
    """`constant`: that row alone."""
    return {
        name: asyncio.run(_made(name, times))
        for name in ROWS
        if constant is None or name.startswith(constant)
    }


async def _made(name: str, times: int) -> dict[str, Any]:
    sys.stderr.write(f"{name} ...\n")
    with tempfile.TemporaryDirectory() as folder:
        row = await ROWS[name](Path(folder), times, random.Random(name))
    return row.figures()
