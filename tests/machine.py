"""What a test needs of the machine beside Python: Debian programs that may not be there."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

STRICT = "LEEWARD_STRICT_MACHINE"


def require(program: str) -> str:
    """Path of `program`. Where it is absent the test is skipped with a reason.

    With LEEWARD_STRICT_MACHINE=1 it fails instead, so that CI cannot pass by leaving tests out.
    """
    path = shutil.which(program) or shutil.which(program, path="/usr/sbin:/sbin")
    if path is not None:
        return path
    reason = f"{program} is not installed on this machine"
    if os.environ.get(STRICT) == "1":
        pytest.fail(f"{reason}, and {STRICT}=1 wants it")
    pytest.skip(reason)


NODE_TOOLS = "LEEWARD_NODE_TOOLS"


def require_node_tools() -> Path:
    """The `node_modules` that .ci/run installs outside the tree: tsc, axe-core, Leaflet's types."""
    folder = os.environ.get(NODE_TOOLS)
    if folder and Path(folder, "typescript").is_dir():
        return Path(folder)
    reason = f"{NODE_TOOLS} names no folder with typescript and axe-core"
    if os.environ.get(STRICT) == "1":
        pytest.fail(f"{reason}, and {STRICT}=1 wants it")
    pytest.skip(reason)
