"""The long form of the decoders' fuzz test: `python -m tests.bench fuzz --seconds 30`, each
decoder."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

from tests.decoders.fuzz import CASES, corpus, mutations
from tests.decoders.fuzz import run as read_all

SEED = 1_976


def run(seconds: float = 30.0) -> dict[str, Any]:
    """Inputs read in `seconds` by each decoder; raises on the first exception that is not its
    own."""
    return {
        f"{case} inputs": read_all(case, _for(seconds, mutations(corpus(case), SEED + number)))
        for number, case in enumerate(CASES)
    }


def _for(seconds: float, inputs: Iterator[bytes]) -> Iterator[bytes]:
    end = time.monotonic() + seconds
    for number, data in enumerate(inputs):
        if number % 100 == 0 and time.monotonic() > end:
            return
        yield data
