"""Which tests count the branches that they take, and which come first.

Counting takes three times as long, so that what flies many flights is `long` and is left out. What waits
for clocks, pages and other processes begins first: CI runs it beside the counting, which only computes.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import settings

# an example that is slow on a busy machine is no failure
settings.register_profile("leeward", deadline=None)
settings.load_profile("leeward")

pytest_plugins = ["tests.chromium"]
COUNTED = tuple(Path(__file__).parent / room for room in ("decoders", "flight"))
WAITING = tuple(
    Path(__file__).parent / room for room in ("rehearsal", "browser", "faults", "session", "sync")
)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        counted = any(room in item.path.parents for room in COUNTED)
        if counted and item.get_closest_marker("long") is None:
            item.add_marker(pytest.mark.counted)
    items.sort(key=lambda item: not any(room in item.path.parents for room in WAITING))
