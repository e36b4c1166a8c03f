"""What a test needs of an extra of pyproject.toml: GRIB2's reader, GeoTIFF's."""

from __future__ import annotations

import importlib
import os
from typing import Any

import pytest

from tests.machine import STRICT


def require_module(module: str, extra: str) -> Any:
    """The module. Where it is absent the test is skipped, or fails as in tests/machine.py."""
    try:
        return importlib.import_module(module)
    except ImportError:
        reason = f"the extra {extra} is not installed (pip install 'leeward[{extra}]')"
    if os.environ.get(STRICT) == "1":
        pytest.fail(f"{reason}, and {STRICT}=1 wants it")
    pytest.skip(reason)
