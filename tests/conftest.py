"""The order of the tests' files, for several workers of one run (`pytest -n 3 --dist loadfile`).

What waits for clocks, pages and other processes begins first, two files of it beside each that only computes:
more pages at once are late, and a run that ends with what only waits leaves the processor idle.
"""

from __future__ import annotations

import gc
from itertools import groupby
from pathlib import Path

import pytest
from hypothesis import settings

# an example that is slow on a busy machine is no failure
settings.register_profile("leeward", deadline=None)
settings.load_profile("leeward")

pytest_plugins = ["tests.chromium"]
TESTS = Path(__file__).parent
WAITING = tuple(TESTS / room for room in ("rehearsal", "browser", "faults", "session", "sync"))
LONGEST = TESTS / "flight"


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    files = [list(found) for _, found in groupby(items, key=lambda item: item.path)]
    waiting = [file for file in files if any(room in file[0].path.parents for room in WAITING)]
    computing = [file for file in files if file not in waiting]
    computing.sort(key=lambda file: LONGEST not in file[0].path.parents)
    ordered: list[pytest.Item] = []
    while waiting or computing:
        for file in (*waiting[:2], *computing[:1]):
            ordered += file
        del waiting[:2], computing[:1]
    items[:] = ordered


def pytest_collection_finish() -> None:
    """What is there before the first test is not looked through for garbage again."""
    gc.collect()
    gc.freeze()
