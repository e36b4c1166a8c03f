"""Every package that is imported is declared: the product's as its own or an extra, the tests' as theirs."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from collections.abc import Iterator
from importlib.metadata import packages_distributions
from pathlib import Path

ROOT = Path(__file__).parent.parent
OURS = {"decoders", "server", "web", "replay_logs", "tests"}
# in every Python installation that CI uses, and named in no list
GIVEN = {"setuptools", "pip"}


def imported(folder: str) -> Iterator[tuple[str, Path]]:
    for path in (ROOT / folder).rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                yield from ((alias.name.split(".")[0], path) for alias in node.names)
            elif isinstance(node, ast.ImportFrom) and node.module:
                yield node.module.split(".")[0], path


def canonical(name: str) -> str:
    """A distribution's name as PEP 503 compares it."""
    return re.sub(r"[-_.]+", "-", re.split(r"[\[<>=!~; ]", name)[0]).lower()


def declared(*lists: list[str]) -> set[str]:
    return {canonical(one) for names in lists for one in names}


def undeclared(folders: tuple[str, ...], known: set[str]) -> list[str]:
    of = packages_distributions()
    found = set()
    for folder in folders:
        for package, path in imported(folder):
            if package in sys.stdlib_module_names or package in OURS or package.startswith("_"):
                continue
            names = {canonical(name) for name in of.get(package, [package])}
            if not names & (known | GIVEN):
                found.add(f"{package} in {path.relative_to(ROOT)}")
    return sorted(found)


def test_every_imported_package_is_declared() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    product = declared(
        project["dependencies"], *(names for key, names in extras.items() if key != "test")
    )
    assert undeclared(("decoders", "server"), product) == []
    assert undeclared(("tests",), product | declared(extras["test"])) == []
