"""Which tests count the branches that they take: CI runs those first, under coverage.

Counting takes three times as long, so that what flies many flights is `long` and is left out.
"""

from __future__ import annotations

from pathlib import Path

import pytest

COUNTED = tuple(Path(__file__).parent / room for room in ("decoders", "flight"))


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        counted = any(room in item.path.parents for room in COUNTED)
        if counted and item.get_closest_marker("long") is None:
            item.add_marker(pytest.mark.counted)
